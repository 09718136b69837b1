"""
Random units over all families and options.

``JAMBWISE_UNITS`` sets how many (20 000 for the acceptance run; the suite takes 800).
"""

from __future__ import annotations

import os
from random import Random

import pytest

from fabrication.drawings import PAPER, draw_unit
from fabrication.rules.model import Order
from fabrication.rules.recipes import make_unit
from shared.lengths import ZERO, Length, LengthUnit
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


ORDINARY = (
    "23 1/2 x 36", "27 3/4 x 48", "30 x 54 1/4", "34 7/8 x 60", "35 3/8 x 60", "36 x 72", "41 5/8 x 44 1/2",
    "46 1/4 x 51", "47 7/8 x 64 3/8", "53 1/2 x 58", "59 7/8 x 71 3/4", "66 x 66",
)  # fmt: skip
"""Window sizes of a house, chosen by hand."""


@pytest.mark.parametrize("key", sorted(RECIPES))
def test_an_ordinary_unit_is_made_of_every_product_whatever_is_chosen(key: str):
    """Two hundred and four units: 17 products, 12 sizes, inside and outside, each choice of each option in turn."""
    recipe = RECIPES[key]

    for turn, size in enumerate(ORDINARY):
        width, height = map(Length.parse, size.split(" x "))
        options = {one.key: one.choices[turn % len(one.choices)].key for one in recipe.options}
        mount, basis = ("inside", "opening size") if turn % 2 == 0 else ("outside", "finished size")
        order = Order(width, height, mount=mount, basis=basis, options=options, code="K7M2P9T")

        assert make_unit(recipe, order, MATERIALS).weight_g > 0, (size, options)


def test_the_box_check_can_fail():
    svg = draw_unit(made("wren")).replace('cx="30"', 'cx="-3"', 1)

    assert points_outside(svg)
