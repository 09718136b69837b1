"""From units to rows: weights, cord rules, units on one head."""

import pytest

from fabrication.models import UnitMake
from fabrication.rules import recipes as rules
from fabrication.services.making import loop_rule_of, make_units, order_of
from fabrication.starting_data import load_materials, load_recipes
from measuring.models import Product
from measuring.starting_data import load_jurisdictions
from shared.lengths import Length
from tests.fabrication.rows import make_made_unit

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
    unit.product, unit.options = product, {"control": "chain"}
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

    assert loop_rule_of(unit, recipe).limit == Length.mm(500)
    order = order_of(unit, recipe)
    assert order.loop_limit == Length.mm(500)
    assert "Australia" in order.loop_rule


def test_a_control_without_a_loop_has_no_cord_rule(unit, branch):
    load_jurisdictions()
    branch.jurisdiction = "CA"
    branch.save()
    unit.options = {"control": "battery"}

    assert order_of(unit, rules.starting_recipes()["wren"]).loop_limit is None
