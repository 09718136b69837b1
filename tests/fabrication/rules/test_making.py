"""From an order to parts: what the workroom cuts, and why."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest

from fabrication.rules.bench import Bench
from fabrication.rules.recipes import CannotMake
from shared.lengths import Length, LengthUnit, total
from tests.fabrication.rules.shop import MATERIALS, RECIPES, inches, made, make_unit, order, with_all_chosen

RANGE = Path(__file__).resolve().parents[3] / "measuring" / "data" / "products.json"


def test_an_inside_order_on_opening_size_gives_up_the_clearance_once():
    unit = made("wren")

    assert unit.finished_width == inches("35 1/4")
    assert [step.what for step in unit.steps if step.what == "clearance"] == ["clearance"]


def test_an_order_on_finished_size_is_made_as_given():
    unit = made("wren", basis="finished size")

    assert unit.finished_width == inches("35 3/8")


def test_a_tube_is_the_finished_width_less_the_hardware_of_both_sides():
    assert made("wren", options={"control": "chain"}).part("tube").length == inches("34 1/8")
    assert made("wren", options={"control": "battery"}).part("tube").length == inches("34")


def test_cloth_is_cut_for_the_longest_height():
    unit = made("wren", longest_height=inches("60 1/4"))

    # 60 1/4 drop, 7 1/8 for 1 1/2 wraps of the 1 1/2 tube, hem pocket 3, squaring 1 1/2
    assert unit.part("cloth").length == inches("71 7/8")


def test_at_least_one_and_a_half_wraps_stay_on_the_tube():
    for width in ("20", "80", "110"):
        unit = made("wren", width=width, height="100")
        tube = MATERIALS[unit.part("tube").material].facts.diameter

        spare = unit.part("cloth").length - inches("100") - inches("4 1/2")

        assert spare.as_mm() >= 1.5 * 3.14159265 * tube.as_mm()


def test_a_wider_shade_gets_the_next_tube():
    tubes = [made("wren", width=width).part("tube").material for width in ("60", "90", "115")]

    assert tubes == ["tube-38", "tube-50", "tube-65"]


@pytest.mark.parametrize("height", ["14", "24 1/16", "36", "47 3/8", "60", "71 15/16", "96"])
@pytest.mark.parametrize("product", ["dunlin_wood", "dunlin_wide", "stint"])
def test_slats_and_spaces_land_the_bottom_rail_exactly(product: str, height: str):
    unit = made(product, height=height, width="40")
    at = unit.measures

    slats = at["pitch"] * (unit.counts["slats"] - 1)
    drop = total([at["head"], at["first_space"], slats, at["last_space"], at["rail"]])

    assert drop == unit.finished_height
    assert Length(0) <= inches(height) - drop <= inches("1/4")
    assert max(at["first_space"], at["last_space"]) <= at["pitch"]


def test_a_size_outside_the_range_names_field_and_bound():
    with pytest.raises(CannotMake) as caught:
        made("wren", width="121")

    assert caught.value.field == "width"
    assert caught.value.bound == "12 in to 120 in"


def test_an_unknown_choice_names_the_choices():
    with pytest.raises(CannotMake) as caught:
        made("wren", options={"control": "crank"})

    assert (caught.value.field, caught.value.bound) == ("options.control", "spring, chain, battery, mains")


def test_a_recipe_survives_json():
    for recipe in RECIPES.values():
        assert type(recipe).from_json(recipe.to_json()) == recipe


def test_a_made_unit_survives_json():
    unit = made("linnet")

    assert type(unit).from_json(unit.to_json()) == unit


def test_the_same_unit_in_millimetres_has_the_same_lengths():
    first = make_unit(RECIPES["curlew"], order(), MATERIALS)
    second = make_unit(RECIPES["curlew"], order(), MATERIALS, unit=LengthUnit.MM)

    assert [dataclasses.replace(part, derivation="") for part in first.parts] == [
        dataclasses.replace(part, derivation="") for part in second.parts
    ]


def test_starting_weights_agree_with_what_the_range_tells_the_measurer():
    """Each product's own estimate, g per m² and per m of width, at 48 × 60: within a third."""
    for row in json.loads(RANGE.read_text()):
        told = row["fit"]["weight"]
        estimate = told["grams_per_m2"] * 48 * 60 * 0.0254**2 + told["grams_per_m"] * 48 * 0.0254

        weight = float(made(row["key"], "48", "60", basis="finished size").weight_g)

        assert 0.66 < weight / estimate < 1.34, (row["key"], weight, estimate)


def test_every_product_of_the_range_has_a_recipe_for_its_sizes_and_choices():
    for row in json.loads(RANGE.read_text()):
        recipe, fit = RECIPES[row["key"]], row["fit"]

        assert (recipe.family, recipe.name) == (row["family"], row["name"])
        assert recipe.clearance.inside.width == inches(fit["clearance"]["width"])
        assert recipe.clearance.inside.height == inches(fit["clearance"]["height"])
        assert recipe.sizes.most_width == inches(fit["width"]["most"])
        assert recipe.sizes.most_height == inches(fit["height"]["most"])
        assert {choice.key for choice in recipe.option("control").choices} == {one["key"] for one in fit["controls"]}


@pytest.mark.parametrize(
    ("unit", "ticks", "text"),
    [
        ("mm", 32 * 9041, "904.1 mm"),  # tenths are exact
        ("mm", 32 * 9041 + 1, "≈ 904.1 mm"),
        ("in", 127 * 65, "1 1/64 in"),  # so are 64ths
        ("in", 127 * 65 + 1, "≈ 1 1/64 in"),
    ],
)
def test_a_length_in_a_remark_says_where_it_is_rounded(unit, ticks, text):
    bench = Bench(RECIPES["curlew"], with_all_chosen(RECIPES["curlew"], order()), MATERIALS, unit)

    assert bench.text(Length(ticks)) == text
