"""From units to rows: weights, cord rules, units on one head."""

import pytest

from fabrication.models import UnitMake
from fabrication.rules import recipes as rules
from fabrication.services.making import (
    loop_rule_of,
    make_units,
    order_of,
    products_cloth,
    release_checks,
    remake_after_change,
)
from fabrication.services.starting_data import load_materials, load_recipes
from measuring.models import Group, Opening, Product, SizeChange
from measuring.services.starting_data import load_jurisdictions
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_job_row, make_made_unit, make_material

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
