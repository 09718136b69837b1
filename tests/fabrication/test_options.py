"""One list of options: what can be chosen is what the recipe can make, and what was approved is what is cut."""

from copy import copy

import pytest

from fabrication.documents import purchase_rows
from fabrication.models import LackingChoice, Supplier, UnitMake
from fabrication.rules.recipes import starting_recipes
from fabrication.services.buying import order_units
from fabrication.services.choices import option_lines, read_option_lines, save_supplier_list
from fabrication.services.making import change_effects
from fabrication.services.starting_data import load_materials, load_recipes, load_steps, load_tolerances
from measuring.api.field import kit_of
from measuring.models import Opening, Unit
from measuring.services.starting_data import load_products
from shared.lengths import Length
from tests.measuring.makers import INSIDE, make_appointment, make_job

pytestmark = pytest.mark.django_db


class Walk:
    """One unit through the API: measured, chosen, approved, released, batched."""

    def __init__(self, cast, api_as):
        self.field, self.office, self.bench = (api_as(cast[role]) for role in ("measurer", "dispatcher", "workroom"))
        self.job = make_job(cast["dispatcher"])
        self.visit = f"/api/measure-visits/{make_appointment(self.job, cast['dispatcher'], cast['measurer']).pk}"

    def measure(self, product: str) -> Unit:
        self.field.post(f"{self.visit}/begin/")
        self.field.post(f"{self.visit}/rooms/", {"name": "Kitchen"}, format="json")
        facts = {"product": product, "mount": "inside", "substrate": "wood"}
        self.field.post(f"{self.visit}/openings/", {"room": self.job.rooms.get().pk, "facts": facts}, format="json")
        opening = f"/api/openings/{Opening.objects.latest('pk').pk}"
        for spot, typed in INSIDE.items():
            self.field.post(f"{opening}/readings/", {"spot": spot, "typed": typed}, format="json")
        self.field.post(f"{self.visit}/close/", {}, format="json")
        return Unit.objects.latest("pk")

    def choose(self, unit: Unit, **options: str):
        return self.field.post(f"/api/units/{unit.pk}/options/", {"options": options}, format="json")

    def approve(self, unit: Unit):
        sent = {"units": [unit.pk], "approved_by": "Ida"}
        return self.office.post(f"/api/jobs/{self.job.pk}/sizes/approve/", sent, format="json")

    def release(self, unit: Unit):
        return self.office.post(f"/api/jobs/{self.job.pk}/sizes/release/", {"units": [unit.pk]}, format="json")

    def batch(self, unit: Unit):
        return self.bench.post("/api/batches/", {"makes": [UnitMake.objects.get(unit=unit).pk]}, format="json")


@pytest.fixture
def firm(branch):
    """The starting range with its materials and recipes."""
    load_products(branch)
    load_materials(branch)
    load_recipes(branch)
    load_tolerances(branch)
    load_steps(branch)
    return branch


@pytest.fixture
def walk(firm, cast, api_as):
    return Walk(cast, api_as)


CHOSEN = {"control": "spring", "control_side": "right", "roll": "standard", "hem_bar": "exposed"}


def save_without(bench, colour: str):
    """The open roller's next revision, made in every colour but one."""
    current = bench.get("/api/recipes/", {"is_current": "true"}).json()["results"]
    definition = next(row["definition"] for row in current if row["product"] == "wren")
    option = next(row for row in definition["options"] if row["key"] == "colour")
    option["choices"] = [row for row in option["choices"] if row["key"] != colour]
    sent = {"product": "wren", "definition": definition, "note": f"{colour} is not made any more"}
    return bench.post("/api/recipes/", sent, format="json")


def test_what_was_approved_in_grey_is_not_cut_from_white(walk, as_user, cast):
    unit = walk.measure("wren")
    chosen = walk.choose(unit, **CHOSEN, colour="Dusk grey")
    approved = walk.approve(unit)
    revised = save_without(walk.bench, "Dusk grey")

    refused = walk.release(unit)
    walk.choose(unit, colour="Brant sand")
    walk.approve(unit)
    released = walk.release(unit)
    walk.batch(unit)
    make = UnitMake.objects.get(unit=unit)
    page = as_user(cast["workroom"]).get(f"/workroom/units/{make.pk}/").content.decode()

    assert [chosen.status_code, approved.status_code, revised.status_code] == [200, 200, 201]
    assert make.parts.get(name="cloth").material.key == "cloth-brant-sand"
    assert "Brant light-filtering, sand" in page
    assert "Brant light-filtering, white" not in page
    assert refused.status_code == 409
    assert refused.json()["errors"][0]["field"] == "units"
    assert refused.json()["detail"] == (
        f"{unit.code} Kitchen A: color 'Dusk grey' is not in the recipe 'Wren open roller' rev 2. "
        "Choose one of Brant white, Brant sand, Marl stripe, or add the color to the recipe."
    )
    assert released.status_code == 200


def hold(unit: Unit, **options: str) -> None:
    """What a unit holds from before the list was the recipe's; an empty value takes one away."""
    kept = {key: value for key, value in (unit.options | CHOSEN | options).items() if value}
    Unit.objects.filter(pk=unit.pk).update(options=kept)


@pytest.mark.parametrize(
    ("held", "words"),
    [
        ({"colour": "slate"}, "color 'slate' is not in the recipe 'Wren open roller' rev 1. Choose one of Brant white"),
        ({"colour": ""}, "color is not chosen. Choose one of Brant white, Brant sand, Dusk grey, Marl stripe."),
        ({"roll": "", "colour": "Dusk grey"}, "roll direction is not chosen. Choose one of standard, reverse."),
        ({"colour": "Dusk grey", "trim": "braid"}, "trim 'braid': the recipe 'Wren open roller' rev 1 has no trim."),
    ],
)
def test_what_does_not_resolve_is_not_approved(walk, held, words):
    unit = walk.measure("wren")
    hold(unit, **held)

    refused = walk.approve(unit)

    assert refused.status_code == 409
    assert f"{unit.code} Kitchen A: {words}" in refused.json()["detail"]
    assert Unit.objects.get(pk=unit.pk).state == Unit.State.SIZED


def test_what_no_list_has_is_shown_and_can_be_taken_back(walk, as_user, cast):
    unit = walk.measure("wren")
    hold(unit, colour="slate", trim="braid")
    client = as_user(cast["dispatcher"])

    before = client.get(f"/openings/{unit.opening_id}/").content.decode()
    sizes = client.get(f"/jobs/{walk.job.pk}/sizes/").content.decode()
    chosen = {f"unit{unit.pk}-{key}": value for key, value in (CHOSEN | {"colour": "Brant sand", "trim": ""}).items()}
    client.post(f"/units/{unit.pk}/options/", chosen)

    assert '<option value="slate" selected>slate (not offered any more)</option>' in before
    assert '<option value="braid" selected>braid (not offered any more)</option>' in before
    assert "color &#x27;slate&#x27; is not in the recipe" in sizes
    assert Unit.objects.get(pk=unit.pk).options == CHOSEN | {"colour": "Brant sand"}


def test_what_no_list_has_stays_until_somebody_chooses_again(walk, as_user, cast):
    """Its select stood at "not chosen", the API called nothing missing, and any other choice kept took it away."""
    unit = walk.measure("wren")
    hold(unit, colour="slate")
    client = as_user(cast["dispatcher"])

    sent = {f"unit{unit.pk}-{key}": value for key, value in (CHOSEN | {"colour": "slate", "roll": "reverse"}).items()}
    kept = client.post(f"/units/{unit.pk}/options/", sent)
    missing = client.get(f"/api/units/{unit.pk}/").json()["missing_options"]
    blockers = [one["text"] for one in client.get(f"/api/jobs/{walk.job.pk}/blockers/").json()]

    assert kept.status_code == 302
    assert Unit.objects.get(pk=unit.pk).options == CHOSEN | {"colour": "slate", "roll": "reverse"}
    assert missing == [
        "color 'slate' is not in the recipe 'Wren open roller' rev 1. Choose one of Brant white, Brant sand, "
        "Dusk grey, Marl stripe, or add the color to the recipe."
    ]
    assert "1 with an option that is not offered any more" in blockers


@pytest.mark.parametrize("typed", ["Dusk grey", "dusk grey", " Dusk Gray ", "DUSK-GREY"])
def test_a_choice_is_known_whatever_its_case_and_spelling(walk, typed):
    unit = walk.measure("wren")

    walk.choose(unit, colour=typed)

    assert Unit.objects.get(pk=unit.pk).options["colour"] == "Dusk grey"


def test_a_colour_the_list_does_not_have_can_not_be_chosen(walk):
    refused = walk.choose(walk.measure("wren"), colour="slate")

    assert refused.status_code == 409
    error = refused.json()["errors"][0]
    assert (error["field"], error["bound"]) == ("colour", "Brant white, Brant sand, Dusk grey, Marl stripe")


def test_a_choice_whose_material_is_gone_says_so(walk, firm):
    unit = walk.measure("wren")
    walk.choose(unit, **CHOSEN, colour="Dusk grey")
    firm.materials.filter(key="cloth-dusk-grey").delete()

    refused = walk.approve(unit)

    assert "color 'Dusk grey': there is no material cloth-dusk-grey. Add it" in refused.json()["detail"]


def test_a_control_the_product_knows_nothing_of_is_not_approved(walk, firm):
    """Nobody could say whether it hangs a cord where children live."""
    unit = walk.measure("wren")
    walk.choose(unit, **CHOSEN, colour="Dusk grey")
    product = firm.products.get(key="wren")
    product.fit["controls"] = [row for row in product.fit["controls"] if row["key"] != "spring"]
    product.save()

    refused = walk.approve(unit)

    assert "control 'spring': the product does not say whether it has a cord" in refused.json()["detail"]


def test_a_product_without_a_recipe_says_what_is_missing(walk, firm):
    unit = walk.measure("wren")
    walk.choose(unit, **CHOSEN, colour="Dusk grey")
    firm.products.get(key="wren").recipe_revisions.all().delete()

    refused = walk.approve(unit)

    assert "Wren open roller has no recipe yet. Add its recipe" in refused.json()["detail"]


def test_a_unit_in_the_workroom_keeps_the_revision_it_was_made_by(walk, as_user, cast):
    unit = walk.measure("wren")
    walk.choose(unit, **CHOSEN, colour="Dusk grey")
    walk.approve(unit)
    walk.release(unit)
    save_without(walk.bench, "Dusk grey")

    make = UnitMake.objects.get(unit=unit)
    unit = Unit.objects.get(pk=unit.pk)
    wanted = copy(unit)
    wanted.order_width, wanted.order_height, wanted.longest_height = Length.inches(35), *[Length.inches(60)] * 2
    effects = list(change_effects(unit, wanted))
    page = as_user(cast["workroom"]).get(f"/workroom/units/{make.pk}/").content.decode()

    assert make.recipe.number == 1
    assert "Dusk grey" in page
    assert effects[0] == "finished size 35 1/4 × 60 becomes 34 7/8 × 60"


def test_pages_phone_and_api_read_one_list(walk, firm, as_user, cast):
    unit = walk.measure("wren")
    recipe = {option.key: [one.key for one in option.choices] for option in starting_recipes()["wren"].options}

    kit = next(row for row in kit_of(cast["measurer"])["products"] if row["key"] == "wren")
    asked = {one["key"]: [key for key, _ in one["choices"]] for one in kit["choices"]["inside"] if one["needed"]}
    api = walk.office.get("/api/products/", {"key": "wren"}).json()["results"][0]["options"]
    page = as_user(cast["dispatcher"]).get(f"/openings/{unit.opening_id}/").content.decode()

    assert asked == api == recipe
    for choices in recipe.values():
        for key in choices:
            assert f'<option value="{key}"' in page


# -- what no list has -------------------------------------------------------------------------

PANEL = "Choices that the recipe does not have"


def test_the_owner_sees_what_the_recipe_does_not_have_until_it_is_mended(walk, firm, as_user, cast):
    unit = walk.measure("wren")
    hold(unit, colour="slate")
    wren = firm.products.get(key="wren")
    LackingChoice.objects.create(product=wren, option="colour", value="moss")
    owner = as_user(cast["owner"])

    panel = owner.get(f"/workroom/choices/lacking/{firm.pk}/").content.decode()
    owner.post(f"/workroom/choices/{LackingChoice.objects.get().pk}/stop/")
    rest = owner.get("/workroom/recipes/").content.decode()
    colour = {"choice:options[4]": "slate"} | {
        f"role:options[4].{role}": key for role, key in (("cloth", "cloth-dusk-grey"), ("hem_bar", "hem-exposed-grey"))
    }
    saved = owner.post(f"/workroom/recipes/{wren.pk}/", colour)
    mended = owner.get("/workroom/recipes/").content.decode()
    approved = walk.approve(unit)

    assert panel.count("<tr>") == 3  # the head, slate with a unit waiting, moss that was only offered
    assert "Stop offering it" in panel
    assert walk.job.number in panel
    assert "Add the color to the recipe, or choose again for the units that wait." in panel
    assert '<td data-label="Choice">slate' in rest
    assert '<td data-label="Choice">moss' not in rest
    assert saved.status_code == 302
    assert PANEL not in mended
    assert approved.status_code == 200


def test_a_choice_is_taken_out_of_a_recipe_with_its_default(walk, firm, as_user, cast):
    wren = firm.products.get(key="wren")

    as_user(cast["owner"]).post(f"/workroom/recipes/{wren.pk}/", {"drop:options[4].choices[0]": "on"})

    colour = wren.recipe_revisions.get(is_current=True).definition["options"][4]
    assert [one["key"] for one in colour["choices"]] == ["Brant sand", "Dusk grey", "Marl stripe"]
    assert not colour.get("default")


def test_a_choice_added_without_its_material_is_refused(walk, firm, as_user, cast):
    wren = firm.products.get(key="wren")

    refused = as_user(cast["owner"]).post(f"/workroom/recipes/{wren.pk}/", {"choice:options[4]": "slate"})

    assert refused.status_code == 422
    assert "color slate brings no cloth" in refused.content.decode()


# -- changed while it waits ----------------------------------------------------------------------


def test_a_color_changes_while_the_unit_waits_and_the_customer_says_yes_again(walk):
    unit = walk.measure("wren")
    walk.choose(unit, **CHOSEN, colour="Brant white")
    walk.approve(unit)
    walk.release(unit)

    changed = walk.choose(unit, colour="Dusk grey")
    unit.refresh_from_db()
    back, makes = unit.state, UnitMake.objects.filter(unit=unit).count()
    too_soon = walk.release(unit)
    approved, released = walk.approve(unit), walk.release(unit)

    assert (changed.status_code, back, makes) == (200, Unit.State.SIZED, 0)
    assert too_soon.status_code == 409
    assert "changed since the customer approved it" in too_soon.json()["detail"]
    assert [approved.status_code, released.status_code] == [200, 200]
    assert UnitMake.objects.get(unit=unit).parts.get(name="cloth").material.key == "cloth-dusk-grey"


def test_the_color_of_a_unit_in_a_batch_waits_until_it_is_taken_out(walk):
    unit = walk.measure("wren")
    walk.choose(unit, **CHOSEN, colour="Brant white")
    walk.approve(unit)
    walk.release(unit)
    batch = walk.batch(unit).json()["id"]

    refused = walk.choose(unit, colour="Dusk grey")
    make = UnitMake.objects.get(unit=unit)
    walk.bench.post(f"/api/batches/{batch}/take-out/", {"makes": [make.pk]}, format="json")
    changed = walk.choose(unit, colour="Dusk grey")

    assert refused.status_code == 409
    assert "take it out of the batch first" in refused.json()["detail"]
    assert changed.status_code == 200
    assert not UnitMake.objects.filter(unit=unit).exists()


# -- bought in ---------------------------------------------------------------------------------


@pytest.fixture
def bought(firm):
    product = firm.products.get(key="wren")
    product.source = "bought"
    product.save()
    return product


LINES = "control: spring | battery\ncolor: white | sand\nlining?: thin | thick\nbook number:"


def test_what_is_bought_in_is_chosen_from_the_suppliers_list(walk, bought, as_user, cast):
    unit = walk.measure("wren")
    before = walk.approve(unit).json()["detail"]
    page, sent = as_user(cast["workroom"]), {"options": LINES}
    unsaid = page.post(f"/workroom/buying/lists/{bought.pk}/", sent)
    saved = page.post(f"/workroom/buying/lists/{bought.pk}/", sent | {"takes": "opening"})
    refused = walk.choose(unit, colour="slate")
    walk.choose(unit, control="spring", colour="Sand", book_number="B-17")
    approved, released = walk.approve(unit), walk.release(unit)
    make = UnitMake.objects.get(unit=unit)
    supplier = Supplier.objects.create(branch=bought.branch, name="Fenwater Weavers")
    purchase = order_units(supplier=supplier, makes=[make.pk], by=cast["workroom"])

    assert "has no supplier's list yet. Add it under Buying." in before
    assert "Say what size is ordered" in unsaid.content.decode()
    assert [saved.status_code, refused.status_code] == [302, 409]
    assert [approved.status_code, released.status_code] == [200, 200]
    assert purchase_rows(purchase)[0]["options"] == {
        "control": "cordless spring", "color": "sand", "book number": "B-17",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("lines", "problem"),
    [
        ("color white", "has no colon"),
        ("color: white\ncolour: sand", "stands twice"),
        ("color: white | White", "a choice stands twice"),
        (": white", "is no name of an option"),
    ],
)
def test_a_suppliers_list_that_can_not_be_is_refused(bought, as_user, cast, lines, problem):
    refused = as_user(cast["workroom"]).post(
        f"/workroom/buying/lists/{bought.pk}/", {"options": lines, "takes": "opening"}
    )

    assert refused.status_code == 422
    assert problem in refused.content.decode()


def test_an_option_keeps_its_key_when_its_line_is_saved_again(bought, cast):
    for lines in (LINES, LINES.replace("white", "chalk")):
        row = save_supplier_list(product=bought, options=read_option_lines(lines), by=cast["workroom"])

    assert [one["key"] for one in row.options] == ["control", "colour", "lining", "book_number"]
    assert (row.revision, row.options[1]["choices"]) == (2, ["chalk", "sand"])
    assert option_lines(row.options) == LINES.replace("white", "chalk").replace("number:", "number: ").splitlines()
