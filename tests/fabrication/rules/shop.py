"""Short ways to order and make, and random orders over the whole range."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from random import Random
from typing import Any

from fabrication.rules import recipes as rules
from fabrication.rules.recipes import Cutout, Order, Recipe, UnitMake, starting_materials, starting_recipes
from shared.lengths import Length

MATERIALS = starting_materials()
RECIPES = starting_recipes()


def inches(text: str) -> Length:
    return Length.parse(text)


def order(width: str = "35 3/8", height: str = "60", **kwargs: Any) -> Order:
    return Order(inches(width), inches(height), **kwargs)


def made(product: str, width: str = "35 3/8", height: str = "60", **kwargs: Any) -> UnitMake:
    return make_unit(RECIPES[product], order(width, height, **kwargs), MATERIALS)


def with_all_chosen(recipe: Recipe, what: Order) -> Order:
    """A test chooses what it is about; of every other option what the recipe is tried with."""
    return replace(what, options=recipe.tried_with() | dict(what.options))


def make_unit(recipe: Recipe, what: Order, *args: Any, **kwargs: Any) -> UnitMake:
    return rules.make_unit(recipe, with_all_chosen(recipe, what), *args, **kwargs)


def make_room(orders: Sequence[tuple[Recipe, Order]], *args: Any) -> tuple[UnitMake, ...]:
    return rules.make_room([(recipe, with_all_chosen(recipe, what)) for recipe, what in orders], *args)


def make_on_one_head(recipe: Recipe, what: Order, *args: Any) -> tuple[UnitMake, ...]:
    return rules.make_on_one_head(recipe, with_all_chosen(recipe, what), *args)


def recipe_json(product: str) -> dict[str, Any]:
    return RECIPES[product].to_json()


def random_order(random: Random, recipe: Recipe) -> Order:
    """Any size of the range (ends too), any mount, basis and options; some with a cutout."""
    sizes = recipe.sizes
    grid = random.choice([508, 508, 320, 1])
    width = _between(random, sizes.least_width, sizes.most_width, grid)
    height = _between(random, sizes.least_height, sizes.most_height, grid)
    cutouts = ()
    if recipe.family == "slat" and random.random() < 0.1 and width > inches("30") and height > inches("30"):
        side = random.choice(["left", "right"])
        cutouts = (Cutout(side=side, from_bottom=inches("6"), height=inches("4"), depth=inches("2")),)
    return Order(
        width,
        height,
        mount=random.choice(["inside", "outside"]),
        basis=random.choice(["opening size", "finished size"]),
        longest_height=height + Length(random.choice([0, 1016, 2032])),
        options={option.key: random.choice(option.choices).key for option in recipe.options},
        cutouts=cutouts,
        code="K7M2P9T",
    )


def _between(random: Random, least: Length, most: Length, grid: int) -> Length:
    if random.random() < 0.05:
        return random.choice([least, most])
    return min(max(Length(random.randint(least.ticks, most.ticks) // grid * grid), least), most)
