"""From units to rows: weights, cord rules, units on one head."""

import pytest

from fabrication.documents import cut_list, cuts_of_plan, labels, work_order
from fabrication.models import Material, Part, UnitMake
from fabrication.rules import recipes as rules
from fabrication.services.batches import open_batch
from fabrication.services.bench import mark_piece
from fabrication.services.making import (
    change_effects,
    loop_rule_of,
    make_units,
    order_of,
    products_cloth,
    release_checks,
    remake_after_change,
)
from fabrication.services.planning import plan_batch
from fabrication.services.starting_data import load_materials, load_recipes
from measuring.models import Group, Opening, Product, SizeChange
from measuring.ports import NewSize
from measuring.services.sizes import accept_size_change, refuse_size_change
from measuring.services.starting_data import load_jurisdictions
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_job_row, make_made_unit, make_material, make_stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def wren(branch):
    """A roller with a chain, and all it is made from."""
    product = Product.objects.create(branch=branch, key="wren", name="Wren", family="roller")
    load_materials(branch)
    load_recipes(branch)
    return product


@pytest.fixture
def unit(branch, workroom, wren):
    """A released unit of it that nobody worked out yet."""
    return new_unit(branch, workroom, wren)


def new_unit(branch, by, product, width="35 3/8", height="60", **fields):
    unit = make_made_unit(branch, by, **fields).unit
    UnitMake.objects.filter(unit=unit).delete()
    recipe = rules.starting_recipes()[product.key]
    unit.product, unit.options = product, recipe.tried_with() | ({"control": "chain"} if product.key == "wren" else {})
    unit.order_width, unit.order_height = Length.parse(width), Length.parse(height)
    unit.save()
    return type(unit).objects.get(pk=unit.pk)


def test_no_part_weighs_nothing_and_a_unit_no_less_than_it_does(unit, workroom):
    (make,) = make_units([unit], workroom)

    exact = rules.UnitMake.from_json(make.figures["made"])
    assert min(part.weight_g for part in make.parts.all()) >= 1
    assert exact.weight_g <= make.weight_g < exact.weight_g + 1


def test_the_cord_rule_of_the_place_reaches_the_recipe(unit, branch):
    load_jurisdictions()
    branch.jurisdiction = "AU"
    branch.save()
    unit.opening.reach_height = Length.mm(2100)
    unit.opening.save()

    recipe = rules.starting_recipes()["wren"]
    unit.refresh_from_db()

    assert loop_rule_of(unit, recipe, unit.options).limit == Length.mm(500)
    order = order_of(unit, recipe)
    assert order.loop_limit == Length.mm(500)
    assert "Australia" in order.loop_rule


def test_a_pull_has_the_rule_of_what_hangs_free(branch, workroom):
    load_jurisdictions()
    branch.jurisdiction = "CA"
    branch.save()
    stint = Product.objects.create(branch=branch, key="stint", name="Stint", family="slat")
    load_recipes(branch)
    unit = new_unit(branch, workroom, stint)
    unit.options |= {"control": "corded"}

    assert order_of(unit, rules.starting_recipes()["stint"]).loop_limit == Length.mm(220)


def test_a_control_without_a_loop_has_no_cord_rule(unit, branch):
    load_jurisdictions()
    branch.jurisdiction = "CA"
    branch.save()
    unit.options |= {"control": "battery"}

    assert order_of(unit, rules.starting_recipes()["wren"]).loop_limit is None


# -- several units on one head ---------------------------------------------------------


@pytest.fixture
def wood(branch):
    product = Product.objects.create(branch=branch, key="dunlin_wood", name="Dunlin", family="slat")
    load_materials(branch)
    load_recipes(branch)
    return product


@pytest.fixture
def three(branch, workroom, wood):
    """Three units of 32 in side by side, grouped on one head."""
    job = make_job_row(branch, workroom)
    group = Group.objects.create(job=job, kind=Group.Kind.HEAD, name="bow")
    units = [new_unit(branch, workroom, wood, "32", job=job) for _ in range(3)]
    for position, unit in enumerate(units):
        Opening.objects.filter(pk=unit.opening_id).update(group=group, order=position)
    return [type(unit).objects.get(pk=unit.pk) for unit in units]


def test_units_on_one_head_share_it_and_fill_it(three, workroom):
    makes = make_units(three, workroom)

    recipe = rules.starting_recipes()["dunlin_wood"]
    heads = [part for make in makes for part in make.parts.all() if part.name == "headrail"]
    assert [part.make_id for part in heads] == [makes[0].pk]
    widths = sum((make.finished_width.ticks for make in makes), 0) + 2 * recipe.between.ticks
    assert widths == heads[0].length.ticks
    assert heads[0].length == Length.parse("95 1/2")  # 96 less the clearance of one inside mount


def test_two_colors_on_one_head_are_refused(three, workroom):
    """The head took the first unit's color, and the oak unit's slats with it."""
    type(three[1]).objects.filter(pk=three[1].pk).update(options=three[1].options | {"colour": "oak"})

    with pytest.raises(Refused, match="differ in color"):
        make_units([type(unit).objects.get(pk=unit.pk) for unit in three], workroom)


def test_a_release_names_the_color_that_brings_no_rail_and_the_cure(branch, workroom, wood):
    unit = new_unit(branch, workroom, wood)
    revision = wood.recipe_revisions.get()
    white, _ = revision.definition["options"][-1]["choices"]
    del white["materials"]["bottom_rail"]
    revision.save(update_fields=["definition"])

    (problem,) = release_checks(unit)

    assert problem.startswith(f"{unit.code} can't be made: color white names no material for the bottom rail")
    assert problem.endswith("(name it beside the color in the recipe)")


def test_one_unit_of_a_head_released_later_is_made_as_its_place_asks(three, workroom):
    whole = make_units(three, workroom)
    wanted = [part.length for part in whole[1].parts.all()]
    UnitMake.objects.filter(pk=whole[1].pk).delete()

    (again,) = make_units([three[1]], workroom)

    assert [part.length for part in again.parts.all()] == wanted


def test_units_on_one_head_must_be_of_one_height(three):
    three[1].order_height = Length.inches(48)
    three[1].save()

    problems = list(release_checks(three[0]))

    assert "are on one head and differ in height" in problems[0]


def test_a_change_of_one_unit_makes_the_head_anew(three, workroom):
    makes = make_units(three, workroom)
    unit = three[2]
    unit.order_width = Length.inches(30)
    unit.save()
    change = SizeChange.objects.create(
        unit=unit, old_width=Length.inches(32), old_height=Length.inches(60), new_width=unit.order_width,
        new_height=unit.order_height, opened_by=workroom,
    )  # fmt: skip

    remake_after_change(unit, change, workroom)

    head = makes[0].parts.get(name="headrail")
    assert head.length == Length.parse("93 1/2")


def test_own_cloth_stays_with_a_unit_that_is_made_up_anew_and_may_go_back(unit, workroom, branch):
    own = make_material(branch, "cloth", key="own-1")
    (make,) = make_units([unit], workroom)
    theirs = make.parts.get(kind="cloth")
    make.parts.filter(kind="cloth").update(material=own)

    (make,) = make_units([unit], workroom)

    part = make.parts.get(kind="cloth")
    assert (part.material, part.may_turn) == (own, False)
    assert products_cloth(part) == (theirs.material, theirs.may_turn)


# -- measured again while it is being cut ---------------------------------------------------------


@pytest.fixture
def cutting(branch, workroom, wren, do_runs):
    """Three rollers planned in one batch, the widest on a tube of its own; the others' tube is under way."""
    units = [new_unit(branch, workroom, wren, width) for width in ("35 3/8", "40", "90")]
    makes = make_units(units, workroom)
    for material in Material.objects.filter(parts__make__in=makes, kind__in=["bar", "strip", "cloth"]).distinct():
        make_stock(material)
    batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=workroom)
    plan_batch(batch=batch, by=workroom, seconds=1)
    assert set(do_runs()) == {"done"}
    narrow, wide = (makes[row].parts.get(name="tube").material for row in (0, 2))
    assert narrow != wide
    mark_piece(cut=batch.plans.get(material=narrow).cuts.first(), position=0, by=workroom)
    return batch, units, narrow, wide


def asked(unit, by, width="88"):
    return SizeChange.objects.create(
        unit=unit, old_width=unit.order_width, old_height=unit.order_height, new_width=Length.parse(width),
        new_height=unit.order_height, opened_by=by,
    )  # fmt: skip


def test_a_new_size_plans_only_what_it_touches_anew(cutting, workroom, do_runs, as_user):
    batch, units, narrow, wide = cutting
    before = {plan.material: plan for plan in batch.plans.select_related("material")}
    cloth = next(material for material in before if material.kind == "cloth")
    change = asked(units[2], workroom)
    effects = " ".join(change_effects(units[2], NewSize(change.new_width, change.new_height, change.new_height)))

    accept_size_change(change=change, by=workroom)
    ran = do_runs()

    live = {plan.material: plan for plan in batch.plans.exclude(state="replaced").select_related("material")}
    assert live[narrow] == before[narrow]
    assert live[narrow].cuts.first().state == "begun"
    assert wide not in live
    assert live[cloth].revision == 2
    assert live[cloth].state == "ready"
    assert set(ran) == {"done"}
    codes = {
        Part.objects.get(pk=piece["part"]).make.unit.code for cut in live[cloth].cuts.all() for piece in cut.pieces
    }
    assert codes == {units[0].code, units[1].code}
    assert f"planned anew there: {', '.join(material.name for material in before if material != narrow)}" in effects
    batch.refresh_from_db()
    assert batch.state == "cutting"
    page = as_user(workroom)
    news = page.get(f"/workroom/cutting/{before[cloth].pk}/news/").content.decode()
    assert f"out of date, {units[2].code} has a new size" in news
    assert f'href="/workroom/cutting/{live[cloth].pk}/"' in news
    gone = page.get(f"/workroom/cutting/{before[wide].pk}/news/").content.decode()
    assert f"{wide.name} is left to cut" in " ".join(gone.split())
    assert "Stop" not in page.get(f"/workroom/cutting/{live[narrow].pk}/news/").content.decode()


def test_a_unit_measured_again_is_in_question_on_every_page_and_paper_until_it_is_decided(cutting, workroom, as_user):
    batch, units, _, wide = cutting
    make, plan = units[2].make, batch.plans.get(material=wide)
    papers = (lambda: work_order(make), lambda: cut_list(batch), lambda: cuts_of_plan(plan), lambda: labels(batch))
    page = as_user(workroom)
    places = {
        "unit": f"/workroom/units/{make.pk}/", "plan": f"/workroom/cutting/{plan.pk}/",
        "batch": f"/workroom/batches/{batch.pk}/", "news": f"/workroom/cutting/{plan.pk}/news/",
        "job": f"/workroom/jobs/{units[2].opening.job_id}/units/",
    }  # fmt: skip
    words = ("size in question", "measured again: order size 88 × 60 in, not 90 × 60")

    change = asked(units[2], workroom)

    shown = {name: page.get(url).content.decode() for name, url in places.items()}
    assert [name for name, text in shown.items() if not any(word in text for word in words)] == []
    assert all(any(word in str(paper()) for word in words) for paper in papers)
    refuse_size_change(change=change, by=workroom, text="read wrongly")
    shown = {name: page.get(url).content.decode() for name, url in places.items()}
    assert [name for name, text in shown.items() if any(word in text for word in words)] == []
    assert not any("question" in str(paper()) for paper in papers)
