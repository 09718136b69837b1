"""For every product of the starting range: what is chosen is what is cut or pulled, whichever way it is combined."""

import itertools
from collections.abc import Iterator
from dataclasses import replace

import pytest

from fabrication.rules.checking import check_recipe, covering_pairs
from fabrication.rules.model import CannotMake, Recipe
from fabrication.rules.recipes import make_unit
from tests.fabrication.rules.shop import MATERIALS, RECIPES, order

MOST = 600
SIZES = [("35 3/8", "60"), ("24", "36"), ("48", "40")]


def combinations(recipe: Recipe) -> Iterator[dict[str, str]]:
    """Every combination of choices, or where those are too many every pair of them."""
    keys = [option.key for option in recipe.options]
    values = [[choice.key for choice in option.choices] for option in recipe.options]
    rows = list(itertools.product(*values))
    for row in rows if len(rows) <= MOST else covering_pairs(values):
        yield dict(zip(keys, row, strict=True))


def made_with(recipe: Recipe, chosen: dict[str, str]):
    """A unit of these choices, at the first size at which it can be made: a small spring lifts no large shade."""
    for width, height in SIZES:
        for mount in ("inside", "outside"):
            try:
                return make_unit(recipe, order(width, height, mount=mount, options=chosen), MATERIALS)
            except CannotMake as error:
                refused = error
    raise refused


@pytest.mark.parametrize("key", sorted(RECIPES))
def test_every_combination_is_made_from_the_materials_that_were_chosen(key: str):
    recipe = RECIPES[key]
    brought = {
        option.key: {role for choice in option.choices for role in choice.materials} for option in recipe.options
    }

    for chosen in combinations(recipe):
        made = made_with(recipe, chosen)
        used = {part.material for part in made.parts}

        assert made.options == chosen
        for option in recipe.options:
            for choice in option.choices:
                for role, material in choice.materials.items():
                    assert (material in used) == (chosen[option.key] == choice.key), (chosen, role, material)
            assert brought[option.key] or option.key != "colour"


PARTS = {
    ("wren", "hem_bar", "sealed in"): "hem-sealed", ("wren", "hem_bar", "exposed"): "hem-exposed",
    ("wren", "control", "spring"): "spring-", ("wren", "control", "chain"): "clutch-",
    ("wren", "control", "battery"): "motor-b", ("wren", "control", "mains"): "motor-m",
    ("plover", "control", "wand"): "wand", ("plover", "control", "chain"): "v-control",
    ("plover", "valance", "3 1/2 in"): "valance-v", ("dunlin_wood", "hold_downs", "yes"): "hold-pins",
    ("dunlin_composite", "control", "corded"): "cord-lock", ("dunlin_composite", "control", "cordless"): "slat-spring",
    ("stint", "control", "corded"): "cord-lock", ("siskin", "control", "battery"): "cell-motor",
    ("curlew", "control", "chain"): "roman-clutch", ("curlew", "control", "battery"): "roman-motor",
    ("curlew", "control", "spring"): "roman-spring", ("curlew", "lining", "interlined"): "interlining",
}  # fmt: skip
"""Product, option and choice to how the key of a material begins that is in the unit then, and only then."""


@pytest.mark.parametrize(("product", "option", "choice"), sorted(PARTS))
def test_a_control_or_trim_is_there_when_it_is_chosen_and_only_then(product: str, option: str, choice: str):
    recipe, material = RECIPES[product], PARTS[product, option, choice]

    for chosen in combinations(recipe):
        used = {part.material for part in made_with(recipe, chosen).parts}

        assert any(key.startswith(material) for key in used) == (chosen[option] == choice), (chosen, sorted(used))


def test_a_choice_that_brings_no_material_is_refused_before_it_is_saved():
    recipe = RECIPES["wren"]
    *others, colour = recipe.options
    bare = replace(colour, choices=(*colour.choices, replace(colour.choices[0], key="slate", materials={})))

    (problem,) = check_recipe(replace(recipe, options=(*others, bare)), MATERIALS)

    assert (problem.severity, problem.field) == ("stop", "options[4].choices[4].materials")
    assert problem.problem == "color slate brings no cloth"


def test_nothing_is_made_by_a_default():
    recipe = RECIPES["wren"]

    with pytest.raises(CannotMake) as caught:
        make_unit(recipe, order(options={"control": "spring"}), MATERIALS)

    assert (caught.value.field, caught.value.problem) == ("options.control_side", "not chosen")
