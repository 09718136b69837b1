"""
Random units over all families and options.

``JAMBWISE_UNITS`` sets how many (20 000 for the acceptance run; the suite takes 800).
"""

from __future__ import annotations

import os
from random import Random

import pytest

from fabrication.drawings import PAPER, draw_unit
from fabrication.rules.recipes import make_unit
from shared.lengths import ZERO, LengthUnit
from tests.fabrication.boxes import points_outside
from tests.fabrication.rules.shop import MATERIALS, RECIPES, made, random_order

UNITS = int(os.environ.get("JAMBWISE_UNITS", "800"))
FAMILIES = sorted({recipe.family for recipe in RECIPES.values()})


@pytest.mark.parametrize("family", FAMILIES)
def test_any_unit_of_the_range_has_parts_weights_and_a_drawing_in_its_box(family: str):
    recipes = [recipe for recipe in RECIPES.values() if recipe.family == family]
    random = Random(f"units of {family}")

    for turn in range(UNITS // len(FAMILIES)):
        recipe = recipes[turn % len(recipes)]
        order = random_order(random, recipe)
        unit = random.choice(list(LengthUnit))
        made_unit = make_unit(recipe, order, MATERIALS, unit=unit)
        svg = draw_unit(made_unit, unit=unit)

        assert made_unit.parts, order
        assert made_unit.weight_g == sum(part.weight_g for part in made_unit.parts) > 0
        for part in made_unit.parts:
            assert part.quantity > 0, (part, order)
            assert part.weight_g > 0, (part, order)
            assert part.length is None or part.length > ZERO, (part, order)
            assert part.width is None or part.width > ZERO, (part, order)
            assert part.kind == MATERIALS[part.material].kind, (part, order)
        assert made_unit.finished_width <= order.width
        assert made_unit.finished_height <= order.height
        assert "style=" not in svg
        for drawn in (svg, draw_unit(made_unit, unit=unit, sheet=PAPER)):
            assert not points_outside(drawn), (order, points_outside(drawn)[:3])


def test_the_box_check_can_fail():
    svg = draw_unit(made("wren")).replace('cx="30"', 'cx="-3"', 1)

    assert points_outside(svg)
