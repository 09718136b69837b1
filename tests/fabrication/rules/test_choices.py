"""For every product of the starting range: what is chosen is what is cut or pulled, whichever way it is combined."""

import itertools
from collections.abc import Iterator
from dataclasses import replace

import pytest

from fabrication.rules import recipes as rules
from fabrication.rules.checking import check_recipe, covering_pairs
from fabrication.rules.model import CannotMake, PartRule, Recipe
from shared.contracts import ContractError
from tests.fabrication.rules.shop import MATERIALS, RECIPES, make_unit, order, recipe_json

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


def is_for(rule: PartRule, chosen: dict[str, str]) -> bool:
    return all(chosen[condition.on] in condition.among for condition in rule.when if condition.on in chosen)


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
        playing = {rule.role for rule in recipe.parts if made.part(rule.key) and is_for(rule, chosen)}
        for option in recipe.options:
            taken = next(choice for choice in option.choices if choice.key == chosen[option.key])
            wanted = {key for role, key in taken.materials.items() if role in playing}
            others = {key for choice in option.choices for key in choice.materials.values()}
            assert others & used == wanted, (chosen, option.key)
            assert brought[option.key] or option.key != "colour"


SEEN = {"fascia", "fascia_ends", "box", "box_ends", "headrail", "bottom_rail", "middle_rail", "valance", "returns"}


@pytest.mark.parametrize("key", sorted(key for key, recipe in RECIPES.items() if recipe.option("colour")))
def test_what_is_seen_takes_the_units_color(key: str):
    """Rails, valances and fascias had none: a white and an oak unit were cut from one strip."""
    recipe = RECIPES[key]
    asked = {"vertical": {"valance": "3 1/2 in"}, "slat": {"valance": "with returns"}}.get(recipe.family, {})
    colors = [choice.key for choice in recipe.option("colour").choices]
    white, other = (
        make_unit(recipe, order(mount="outside", options=asked | {"colour": color}), MATERIALS) for color in colors[:2]
    )

    parts = [part for part in white.parts if part.key in SEEN]
    assert parts or recipe.family in {"roller", "roman"}
    for part in parts:
        assert part.material != other.part(part.key).material, part.name


def test_a_color_may_name_a_rail_of_another_color():
    """The white track of an oat or slate vertical: the recipe's own word, not the first there was."""
    track = {
        made_with(RECIPES["plover"], {**RECIPES["plover"].tried_with(), "colour": color}).part("track").material
        for color in ("oat", "slate")
    }

    assert track == {"track-v"}


def test_a_color_without_a_rail_is_refused_and_no_default_stands_in():
    recipe = RECIPES["dunlin_wood"]
    *others, colour = recipe.options
    white, oak = colour.choices
    bare = replace(oak, materials={role: key for role, key in oak.materials.items() if role != "bottom_rail"})
    recipe = replace(
        recipe,
        materials={"bottom_rail": "rail-wood"},
        options=(*others, replace(colour, choices=(white, bare))),
    )

    (problem,) = check_recipe(recipe, MATERIALS)
    with pytest.raises(CannotMake) as caught:
        make_unit(recipe, order(options=recipe.tried_with() | {"colour": "oak"}), MATERIALS)

    assert (problem.severity, problem.problem) == ("stop", "color oak brings no bottom rail")
    assert caught.value.field == "options.colour"
    assert caught.value.problem == "color oak names no material for the bottom rail"
    assert caught.value.bound == "name it beside the color in the recipe"
    assert make_unit(recipe, order(options=recipe.tried_with()), MATERIALS).part("bottom_rail").material == "rail-wood"


def test_what_is_seen_has_a_role_and_no_material_of_its_own():
    values = recipe_json("wren")
    values["parts"][0] |= {"role": "", "material": "tube-38", "seen": True}

    with pytest.raises(ContractError, match="takes the material of the color"):
        Recipe.from_json(values)


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
    bare = replace(
        colour, choices=(*colour.choices, replace(colour.choices[0], key="slate", materials={"hem_bar": "hem-exposed"}))
    )

    (problem,) = check_recipe(replace(recipe, options=(*others, bare)), MATERIALS)

    assert (problem.severity, problem.field) == ("stop", "options[4].choices[4].materials")
    assert problem.problem == "color slate brings no cloth"


def test_nothing_is_made_by_a_default():
    recipe = RECIPES["wren"]

    with pytest.raises(CannotMake) as caught:
        rules.make_unit(recipe, order(options={"control": "spring"}), MATERIALS)

    assert (caught.value.field, caught.value.problem) == ("options.control_side", "not chosen")
