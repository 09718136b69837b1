"""Recipes: a new revision is whole before it is kept, and older units keep theirs."""

import re
from copy import deepcopy

import pytest

from fabrication.adapters.options import fit_as_made
from fabrication.models import Material, RecipeRevision, UnitMake
from fabrication.rules.recipes import starting_recipes
from fabrication.services.batches import open_batch
from fabrication.services.making import make_units
from fabrication.services.recipes import save_recipe, starts_otherwise
from fabrication.services.revisions import move_waiting
from fabrication.services.starting_data import load_materials, load_recipes, load_tolerances
from fabrication.views import recipe_form
from fabrication.views.recipe_form import PREFIX, edited
from measuring.models import Product, Unit
from measuring.services.range import save_product
from measuring.services.starting_data import load_products
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry
from tests.fabrication.rows import make_made_unit

pytestmark = pytest.mark.django_db


@pytest.fixture
def product(branch):
    """The open roller of the starting range, with its recipe."""
    load_products(branch)
    load_materials(branch)
    load_recipes(branch)
    load_tolerances(branch)
    return branch.products.get(key="wren")


@pytest.fixture
def unit(branch, workroom, product):
    make = make_made_unit(branch, workroom)
    chosen = {"control": "chain", "control_side": "left", "colour": "Brant sand"}
    unit, options = make.unit, starting_recipes()["wren"].tried_with() | chosen
    UnitMake.objects.all().delete()
    Unit.objects.filter(pk=unit.pk).update(product=product, options=options)
    return Unit.objects.select_related("product__branch", "opening__job", "opening__room").get(pk=unit.pk)


def test_released_units_get_their_parts_and_keep_their_revision(unit, workroom, product):
    make_units([unit], workroom)

    make = unit.make
    assert str(make.finished_width) == "35 1/4 in"
    assert {part.name for part in make.parts.all()} >= {"tube", "cloth", "hem bar", "control chain"}
    assert make.parts.get(name="cloth").material.key == "cloth-brant-sand"

    current = product.recipe_revisions.get(is_current=True)
    changed = edited(current.definition, {f"{PREFIX}clearance.inside.width": "1/4"})
    save_recipe(product=product, definition=changed, by=workroom)
    make.refresh_from_db()
    assert make.recipe.number == 1
    assert product.recipe_revisions.get(is_current=True).number == 2


def test_what_nobody_chose_is_never_the_recipes_default(unit, workroom):
    del unit.options["roll"]

    with pytest.raises(Refused, match="not chosen") as refusal:
        make_units([unit], workroom)

    assert refusal.value.bound == "standard, reverse"


def test_a_firm_takes_todays_starting_recipe_and_what_is_released_keeps_its_own(unit, workroom, product, as_user):
    """A firm that began with last year's had no way to this one's."""
    first, page, today = product.recipe_revisions.get(), as_user(workroom), f"/workroom/recipes/{product.pk}/"
    for choice in first.definition["options"][-1]["choices"]:
        del choice["materials"]["hem_bar"]
    for part in first.definition["parts"]:
        if part.get("role") == "hem_bar":
            part |= {"role": "", "material": "hem-exposed", "seen": False}
    first.save(update_fields=["definition"])
    Material.objects.filter(key="hem-exposed-sand").delete()
    make_units([unit], workroom)

    offered = page.get("/workroom/recipes/").content.decode(), page.get(today).content.decode()
    page.post(f"{today}renew/", {"drawn_from": "7"})
    stale = product.recipe_revisions.count()
    page.post(f"{today}renew/", {"drawn_from": "1"})
    second = product.recipe_revisions.get(is_current=True)

    assert ("today’s starting recipe differs" in offered[0], "the hem bar, by color" in offered[1]) == (True, True)
    assert (stale, second.number, unit.make.recipe.number) == (1, 2, 1)
    assert Material.objects.filter(branch=product.branch, key="hem-exposed-sand").exists()
    assert not starts_otherwise(product, second)
    assert 'id="starting"' not in page.get(today).content.decode()


@pytest.mark.parametrize(
    ("path", "value", "field"),
    [
        ("clearance.inside.width", "seven", "clearance.inside.width"),  # no length
        ("clearance.inside.width", "9", "clearance.inside.width"),  # past its bound of 6 in
        ("parts[0].length.plus[0].factor", "-99", "parts"),  # a tube of less than nothing
    ],
)
def test_a_recipe_that_cannot_be_is_refused_at_its_box(product, workroom, path, value, field):
    current = product.recipe_revisions.get(is_current=True)

    with pytest.raises(Refused) as refusal:
        save_recipe(product=product, definition=edited(current.definition, {PREFIX + path: value}), by=workroom)

    assert refusal.value.field.startswith(field)
    assert RecipeRevision.objects.filter(product=product).count() == 1


def test_an_allowance_is_added_and_an_emptied_one_dropped(product):
    definition = product.recipe_revisions.get(is_current=True).definition
    cloth = next(position for position, row in enumerate(definition["parts"]) if row["key"] == "cloth")
    at = f"parts[{cloth}].length.plus"

    added = edited(definition, {f"add:{at}": "1/2", f"what:{at}": "second fold"})
    dropped = edited(added, {f"{PREFIX}{at}[{len(added['parts'][cloth]['length']['plus']) - 1}].length": ""})

    assert added["parts"][cloth]["length"]["plus"][-1] == {"what": "second fold", "length": "1/2"}
    assert dropped == definition


def test_the_page_shows_the_refusal_beside_the_box_and_keeps_the_rest(as_user, workroom, product):
    sent = {f"{PREFIX}clearance.inside.width": "wide", f"{PREFIX}clearance.inside.height": "1/4"}

    answer = as_user(workroom).post(f"/workroom/recipes/{product.pk}/", sent)

    assert answer.status_code == 422
    page = answer.content.decode()
    assert "wide is not a length" in page
    assert 'value="1/4"' in page


def test_trying_a_recipe_keeps_nothing(as_user, workroom, product):
    sent = {f"{PREFIX}clearance.inside.width": "1/2", "try_width": "36", "try_height": "60"}

    answer = as_user(workroom).post(f"/workroom/recipes/{product.pk}/try/", sent)

    assert answer.status_code == 200
    assert "35 and a half inches" in answer.content.decode()
    assert RecipeRevision.objects.filter(product=product).count() == 1


def test_a_part_is_added_with_a_condition_and_taken_out_again(product, workroom):
    definition = product.recipe_revisions.get(is_current=True).definition
    count = len(definition["parts"])
    idle = next(position for position, row in enumerate(definition["parts"]) if row["key"] == "idle_end")

    more = edited(definition, {"new:name": "Wall plugs", "new:like": str(idle), "new:material": "chain-joiner"})
    more = edited(more, {f"when:parts[{count}]": "mount=inside"})
    saved = save_recipe(product=product, definition=more, by=workroom)
    part = saved.definition["parts"][-1]
    (when,) = part["when"]
    assert (part["key"], part["material"]) == ("wall_plugs", "chain-joiner")
    assert (when["on"], when["among"]) == ("mount", ["inside"])

    bare = edited(saved.definition, {f"drop:parts[{count}].when[0]": "on"})
    assert not bare["parts"][-1]["when"]
    assert len(edited(saved.definition, {f"drop:parts[{count}]": "on"})["parts"]) == count


def test_a_part_that_is_seen_takes_a_material_of_its_own_by_color(as_user, workroom, product):
    """A firm's own recipe had one fascia for every color, and no page to say otherwise."""
    page, address = as_user(workroom), f"/workroom/recipes/{product.pk}/"
    parts = product.recipe_revisions.get(is_current=True).definition["parts"]
    caps = next(position for position, part in enumerate(parts) if part["key"] == "hem_caps")

    asked = f'name="color:parts[{caps}]"' in page.get(address).content.decode()
    page.post(address, {f"color:parts[{caps}]": "on"})
    every = product.recipe_revisions.get(is_current=True).definition
    at = f"{PREFIX}options[4].choices[1].materials.hem_caps"
    shown = f'name="{at}"' in page.get(address).content.decode()
    page.post(address, {at: "fascia-ends-sand"})
    sand = product.recipe_revisions.get(is_current=True).definition
    wrong = page.post(address, {at: "no such caps"})

    assert (asked, shown) == (True, True)
    assert (every["parts"][caps]["role"], every["parts"][caps]["seen"]) == ("hem_caps", True)
    assert {choice["materials"]["hem_caps"] for choice in every["options"][4]["choices"]} == {"hem-caps"}
    assert sand["options"][4]["choices"][1]["materials"]["hem_caps"] == "fascia-ends-sand"
    assert wrong.status_code == 422


def test_a_condition_or_a_part_that_is_not_there_changes_nothing(product):
    definition = product.recipe_revisions.get(is_current=True).definition

    sent = {"when:parts[0]": "control=string", "drop:parts[99]": "on", "drop:options[0]": "on", "new:name": "x"}

    assert edited(definition, sent | {"new:like": "99"}) == definition


def test_a_part_is_lit_in_the_drawing_by_the_name_it_has_there(product, workroom, as_user):
    page = as_user(workroom).get(f"/workroom/recipes/{product.pk}/").content.decode()

    names = set(re.findall(r'<details class="recipe-part" id="parts\[\d+\]" data-part="(\w+)"', page))
    lit = set(re.findall(r'<g data-part="(\w+)"', page))
    assert lit
    assert lit <= names
    assert "fabrication/recipe." in page


def test_the_recipes_page_saves_an_added_part(product, workroom, as_user):
    page = as_user(workroom)
    assert "begins like" in page.get(f"/workroom/recipes/{product.pk}/").content.decode()

    sent = {"new:name": "Wall plugs", "new:like": "5", "new:material": ""}
    assert page.post(f"/workroom/recipes/{product.pk}/", sent).status_code == 302
    assert product.recipe_revisions.get(is_current=True).definition["parts"][-1]["name"] == "Wall plugs"


def test_the_visit_says_the_light_gap_of_the_recipe(branch, workroom):
    """The product's own figure stayed when the recipe's changed, and four starting products said less light."""
    load_products(branch)
    load_materials(branch)
    load_recipes(branch)
    product = Product.objects.get(branch=branch, key="wren_box")
    assert product.fit["gap"] == {"idle": "19/32", "control": "23/32", "motor": "27/32"}
    definition = deepcopy(product.recipe_revisions.get().definition)
    definition["trade"]["sides"][0]["idle"] = "3/4"

    save_recipe(product=product, definition=definition, by=workroom)

    product.refresh_from_db()
    assert product.fit["gap"]["idle"] == "27/32"  # 3/4 and half of 3/16
    save_product(branch=branch, by=workroom, product=product, name="Wren box", fit=product.fit | {"gap": {"idle": "0"}})
    product.refresh_from_db()
    assert product.fit["gap"]["idle"] == "27/32"


def test_starting_products_have_the_light_gaps_of_their_recipes(branch):
    load_products(branch)
    load_materials(branch)
    load_recipes(branch)

    gaps = {product: fit_as_made(product).get("gap") for product in Product.objects.filter(branch=branch)}

    assert sum(gap is not None for gap in gaps.values()) == 6
    for product, gap in gaps.items():
        assert gap is None or product.fit["gap"] == gap, product.key


# -- units that wait ------------------------------------------------------------------------------


def test_a_new_revision_offers_the_units_that_wait_and_moves_those_ticked(unit, workroom, product, branch, as_user):
    """A new revision reached no waiting unit and offered none."""
    (make,) = make_units([unit], workroom)
    other = make_made_unit(branch, workroom).unit
    UnitMake.objects.filter(unit=other).delete()
    Unit.objects.filter(pk=other.pk).update(product=product, options=unit.options)
    (left,) = make_units([Unit.objects.get(pk=other.pk)], workroom)
    page, recipe = as_user(workroom), f"/workroom/recipes/{product.pk}/"
    assert "older revision" not in page.get(recipe).content.decode()
    current = product.recipe_revisions.get(is_current=True)
    changed = edited(current.definition, {f"{PREFIX}clearance.inside.width": "1/4"})
    save_recipe(product=product, definition=changed, by=workroom)

    assert "2 waiting units are made up by an older revision" in " ".join(page.get(recipe).content.decode().split())
    shown = page.get(f"{recipe}waiting/").content.decode()
    assert shown.count("finished size 35 1/4 × 60 becomes 35 1/8 × 60") == 2
    tube = make.parts.get(name="tube").length
    assert f"<li>tube: {tube.text()} becomes {(tube - Length.inches('1/8')).text()}</li>" in shown
    page.post(f"{recipe}waiting/", {"makes": [make.pk]})

    make.refresh_from_db()
    left.refresh_from_db()
    assert (make.recipe.number, left.recipe.number) == (2, 1)
    assert str(make.finished_width) == "35 1/8 in"
    assert make.parts.get(name="tube").done == 0
    assert AuditEntry.objects.about(unit).filter(action="made up anew").get().changes["recipe"] == [
        "revision 1",
        "revision 2",
    ]


def test_what_waits_no_more_is_not_moved(unit, workroom, product, branch):
    (make,) = make_units([unit], workroom)
    current = product.recipe_revisions.get(is_current=True)
    changed = edited(current.definition, {f"{PREFIX}clearance.inside.width": "1/4"})
    save_recipe(product=product, definition=changed, by=workroom)
    open_batch(branch=branch, makes=[make.pk], by=workroom)

    with pytest.raises(Refused, match="still wait"):
        move_waiting(product=product, makes=[make.pk], by=workroom)


def test_a_recipe_reads_as_one_sentence_a_part_with_its_bands_as_a_table(product):
    definition = starting_recipes()["dunlin_wood"].to_json()
    names = {"head-caps": "end caps of the headrail"}
    first, second = definition["parts"][:2]
    banded = definition | {
        "parts": [
            first,
            second | {"when": [{"on": "width", "below": "48"}]},
            second | {"when": [{"on": "width", "least": "48"}], "count": {"by": "fixed", "number": 2}},
            *definition["parts"][2:],
        ]
    }

    read = [section.reading for section in recipe_form.sections(banded, {}, names) if section.part]

    assert read[:3] == [
        "headrail = finished width; 1 of the headrail chosen",
        "headrail end caps: 1 of end caps of the headrail, only when width under 48",
        "headrail end caps: 2 of end caps of the headrail, only when width from 48",
    ]
    rows = [(row.part, row.least, row.below, row.pieces) for row in recipe_form.bands(banded, {}, names)]
    assert rows == [("parts[1]", "0", "48", "1"), ("parts[2]", "48", "", "2")]
