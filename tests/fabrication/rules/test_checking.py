"""A recipe before it is saved: what is wrong with it, what changed, what it makes."""

from __future__ import annotations

import copy
import itertools
from typing import Any

import pytest

from fabrication.rules.checking import covering_pairs, orders_to_check
from fabrication.rules.recipes import (
    Change,
    Order,
    Recipe,
    check_recipe,
    difference,
    worked_example,
)
from shared.contracts import ContractError
from tests.fabrication.rules.shop import MATERIALS, RECIPES, inches, recipe_json


def changed(product: str, **changes: Any) -> Recipe:
    return Recipe.from_json(recipe_json(product) | changes)


def part(values: dict[str, Any], key: str) -> dict[str, Any]:
    return next(rule for rule in values["parts"] if rule["key"] == key)


def banded(bands: list[dict[str, Any]]) -> Recipe:
    """The pleated recipe, its headrail by bands of the width."""
    values = recipe_json("snipe")
    rule = values["parts"].pop(0)
    for band in bands:
        values["parts"].append(copy.deepcopy(rule) | {"when": [{"on": "width", **band}]})
    return Recipe.from_json(values)


@pytest.mark.parametrize("product", sorted(RECIPES))
def test_every_starting_recipe_is_whole(product: str):
    assert check_recipe(RECIPES[product], MATERIALS) == []


def test_a_part_that_would_be_negative_somewhere_is_found():
    values = recipe_json("dunlin_wood")
    part(values, "slats")["length"]["plus"] = [{"what": "play", "length": "-12"}]

    problems = check_recipe(Recipe.from_json(values), MATERIALS)

    assert (problems[0].severity, problems[0].field) == ("stop", "parts.slats.length")
    assert "slats would be -1/2 in" in problems[0].problem
    assert problems[0].bound == "more than 0"


def test_bands_that_meet_exactly_are_right():
    assert check_recipe(banded([{"below": "48"}, {"least": "48"}]), MATERIALS) == []


def test_a_gap_between_bands_is_found():
    problems = check_recipe(banded([{"below": "40"}, {"least": "48", "below": "60"}, {"least": "60"}]), MATERIALS)

    assert [problem.severity for problem in problems] == ["stop"]
    assert problems[0].problem.startswith("no rule for headrail at 40 in × ")
    assert problems[0].bound == "bands without gap"


def test_bands_that_overlap_are_found():
    problems = check_recipe(banded([{"below": "50"}, {"least": "48"}]), MATERIALS)

    assert problems[0].problem.startswith("2 rules for headrail meet at 48 in × ")


def test_bands_that_end_before_the_range_does_are_asked_about():
    problems = check_recipe(banded([{"below": "40"}, {"least": "40", "below": "60"}]), MATERIALS)

    assert {(problem.severity, problem.bound) for problem in problems} == {("check", "is that meant?")}


def test_a_part_for_wide_units_only_is_no_gap():
    values = recipe_json("snipe")
    values["parts"].append(
        {
            "key": "clip",
            "name": "middle clip",
            "kind": "set",
            "material": "cell-ends",
            "when": [{"on": "width", "least": "60"}],
        }
    )

    assert check_recipe(Recipe.from_json(values), MATERIALS) == []


def test_a_size_no_lift_holds_is_asked_about_with_its_bound():
    values = recipe_json("teal_double")
    values["trade"]["drives"][0]["most"] = 1

    problems = check_recipe(Recipe.from_json(values), MATERIALS)

    assert {problem.severity for problem in problems} == {"check"}
    assert {problem.bound for problem in problems} == {"at most 13.2 lb"}


def test_a_material_that_is_missing_or_of_another_kind_is_found():
    values = recipe_json("siskin")
    part(values, "headrail").update(material="cell-tail", role="", seen=False)
    part(values, "bottom_rail").update(material="cell-cord", role="", seen=False)

    problems = {problem.field: problem.problem for problem in check_recipe(Recipe.from_json(values), MATERIALS)}

    assert problems == {
        "parts[0].material": "'cell-tail' is not among the materials",
        "parts[3].kind": "bottom rail is a bar, inner cord a cord",
    }


def test_pairs_of_choices_are_covered_with_few_units():
    factors = [tuple("abcd"), tuple("12"), tuple("xyz"), tuple("pq")]

    rows = covering_pairs(factors)

    for one, two in itertools.combinations(range(4), 2):
        assert {(row[one], row[two]) for row in rows} == set(itertools.product(factors[one], factors[two]))
    assert len(rows) < 4 * 2 * 3 * 2


def test_every_corner_of_the_range_is_tried_at_both_mounts():
    tried = {(order.mount, order.width.text(), order.height.text()) for order in orders_to_check(RECIPES["siskin"])}

    assert {(mount, w, h) for mount in ("inside", "outside") for w in ("10", "108") for h in ("10", "108")} <= tried


# -- reading ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "value", "field", "problem"),
    [
        (("parts", 0, "length", "of"), "hight", "parts[0].length.of", "'hight' is no measure here"),
        (("parts", 0, "role"), "tub", "parts[0].role", "nothing plays 'tub'"),
        (("parts", 0, "kind"), "pipe", "parts[0].kind", "'pipe' is not known"),
        (("parts", 1, "when", 0, "among"), ["glued"], "parts[1].when[0].among", "'glued' is no choice of hem_bar"),
        (("parts", 1, "when", 0), {"on": "width", "among": ["wide"]}, "parts[1].when[0].on", "width takes a band"),
        (("parts", 1, "when", 0), {"on": "width"}, "parts[1].when[0].on", "width takes a band"),
        (("parts", 1, "when", 0), {"on": "hem_bar"}, "parts[1].when[0].on", "hem_bar takes values"),
        (("parts", 0, "length", "factor"), "two", "parts[0].length.factor", "'two' is not a number"),
        (("parts", 0, "length", "factor"), 0.5, "parts[0].length.factor", "no number where one belongs"),
        (("sizes", "least_width"), "35 9/8", "sizes.least_width", "35 9/8 is ambiguous"),
        (("trade", "largest_roll"), "-1", "trade.largest_roll", "-1 is out of bounds"),
        (("trade", "sag"), [{"limit": "1/8", "below": "96"}], "trade.sag", "the last band, and only it"),
        (("trade", "grid"), "0", "trade.grid", "no grid"),
        (("trade", "wraps_grid"), "0", "trade.grid", "no grid"),
        (("options", 0, "default"), "crank", "options[0].default", "'crank' is no choice"),
        (("formula",), "W - 1", "formula", "unknown field"),
    ],
)
def test_a_recipe_that_can_not_be_read_names_field_and_problem(path: tuple, value: Any, field: str, problem: str):
    values = recipe_json("wren")
    at: Any = values
    for step in path[:-1]:
        at = at[step]
    at[path[-1]] = value

    with pytest.raises(ContractError) as caught:
        Recipe.from_json(values)

    assert caught.value.field == field
    assert caught.value.problem.startswith(problem)


# -- differences ----------------------------------------------------------------------------


def test_equal_recipes_have_no_difference():
    assert difference(RECIPES["wren"], changed("wren", revision=7)) == []


def test_a_difference_says_part_measure_before_and_after():
    values = recipe_json("dunlin_wood")
    part(values, "slats")["length"]["plus"][0]["length"] = "-1/4"
    values["clearance"]["inside"]["width"] = "3/8"
    values["parts"] = [rule for rule in values["parts"] if rule["key"] != "plugs"]

    assert difference(RECIPES["dunlin_wood"], Recipe.from_json(values)) == [
        Change("clearance, inside mount, width", "1/2", "3/8"),
        Change("slats, length", "width − 1/8 play", "width − 1/4 play"),
        Change("bottom rail plugs, material", "rail-plugs", ""),
        Change("bottom rail plugs, count", "1", ""),
    ]


def test_a_changed_figure_of_the_engineering_is_a_line_of_its_own():
    values = recipe_json("wren")
    values["trade"]["sag"][0]["limit"] = "3/16"

    assert difference(RECIPES["wren"], Recipe.from_json(values)) == [Change("figures, sag 1, limit", "1/8", "3/16")]


# -- the example ------------------------------------------------------------------------------


def test_an_example_shows_what_a_change_does_to_its_parts():
    values = recipe_json("dunlin_wood")
    part(values, "slats")["length"]["plus"][0]["length"] = "-1/4"
    chosen = RECIPES["dunlin_wood"].tried_with()
    order = Order(inches("36"), inches("60"), basis="finished size", options=chosen)

    example = worked_example(Recipe.from_json(values), MATERIALS, order, before=RECIPES["dunlin_wood"])

    assert example.made is not None
    assert example.changes == (
        Change("slats", "34 slat-wood-white, 35 7/8", "34 slat-wood-white, 35 3/4"),
        Change("bottom rail", "1 rail-wood, 35 7/8", "1 rail-wood, 35 3/4"),
    )


def test_an_example_that_can_not_be_made_says_why_instead_of_raising():
    order = Order(inches("36"), inches("200"), options=RECIPES["wren"].tried_with())

    example = worked_example(RECIPES["wren"], MATERIALS, order)

    assert example.made is None
    assert (example.error.field, example.error.bound) == ("height", "12 in to 120 in")
