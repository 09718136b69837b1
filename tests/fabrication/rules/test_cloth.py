"""Cloth on the roll, a room's cloth together, units on one head."""

from __future__ import annotations

import dataclasses

import pytest

from fabrication.rules.recipes import CannotMake, Order, equal_widths
from shared.lengths import Length, total
from tests.fabrication.rules.shop import (
    MATERIALS,
    RECIPES,
    inches,
    made,
    make_on_one_head,
    make_room,
    make_unit,
    order,
)


def narrow_rolls(key: str, width: str, **changes: object):
    """The materials with one cloth bought in one width only."""
    facts = MATERIALS[key].facts
    stock = (dataclasses.replace(facts.stock[0], width=inches(width)),)
    changed = dataclasses.replace(facts, stock=stock, **changes)
    return {**MATERIALS, key: dataclasses.replace(MATERIALS[key], facts=changed)}


def test_cloth_that_fits_lies_straight():
    part = made("wren", "60", "90").part("cloth")

    assert (part.lay, part.width < part.length) == ("straight", True)


def test_cloth_wider_than_the_roll_is_turned_where_the_weave_allows():
    materials = narrow_rolls("solar-5", "98")

    part = make_unit(RECIPES["heron"], order("110", "60"), materials).part("cloth")

    assert part.lay == "turned"
    assert part.length > part.width  # along the roll lies what was the width
    assert part.across == inches("110") - inches("1/8") - inches("1 1/8")


def test_cloth_too_large_either_way_is_seamed_where_it_may_be():
    unit = make_unit(RECIPES["heron"], order("140", "140"), MATERIALS)
    part = unit.part("cloth")

    assert (part.lay, part.quantity) == ("seamed", 2)
    joined = part.width * 2 - inches("1")  # one seam takes 1 in
    assert unit.part("tube").length <= joined <= unit.part("tube").length + inches("1/8")


def test_cloth_that_may_neither_be_turned_nor_seamed_is_refused_with_its_bound():
    materials = narrow_rolls("cloth-marl-stripe", "72")

    with pytest.raises(CannotMake) as caught:
        make_unit(RECIPES["wren"], order("80", "60", options={"colour": "Marl stripe"}), materials)

    assert (caught.value.field, caught.value.bound) == ("width", "at most 71 in")
    assert "can't be turned" in caught.value.problem


def test_one_turned_unit_turns_the_whole_room():
    materials = narrow_rolls("solar-5", "98")
    room = [(RECIPES["heron"], order(width, "60", code=width)) for width in ("40", "110", "60")]

    lays = {unit.part("cloth").lay for unit in make_room(room, materials)}

    assert lays == {"turned"}


def test_where_one_cannot_be_turned_the_room_lies_straight_with_seams():
    materials = narrow_rolls("solar-5", "98")
    room = [(RECIPES["heron"], order("110", "60", code="A")), (RECIPES["heron"], order("40", "120", code="B"))]

    lays = [unit.part("cloth").lay for unit in make_room(room, materials)]

    assert lays == ["seamed", "straight"]


def test_a_room_that_can_not_lie_one_way_is_refused_by_cloth():
    materials = narrow_rolls("solar-5", "98", seam=False)
    room = [(RECIPES["heron"], order("110", "60", code="A")), (RECIPES["heron"], order("40", "120", code="B"))]

    with pytest.raises(CannotMake) as caught:
        make_room(room, materials)

    assert (caught.value.field, caught.value.bound) == ("lay", "one way in a room")


def test_other_cloth_of_the_room_is_left_alone():
    materials = narrow_rolls("solar-5", "98")
    one = order("40", "60", options={"openness": "3 %"})
    room = [(RECIPES["heron"], order("110", "60")), (RECIPES["heron"], one)]

    assert [unit.part("cloth").lay for unit in make_room(room, materials)] == ["turned", "straight"]


def test_a_refusal_in_a_room_names_the_unit():
    with pytest.raises(CannotMake, match="B7: 200 in is outside"):
        make_room([(RECIPES["wren"], order("200", code="B7"))], MATERIALS)


def test_only_the_first_unit_of_a_room_looks_for_the_patterns_start():
    patterned = order(options={"colour": "fern"})

    first, second = make_room([(RECIPES["curlew"], patterned), (RECIPES["curlew"], patterned)], MATERIALS)

    assert first.part("face").length - second.part("face").length == inches("24")
    assert second.part("face").length % inches("24") == Length(0)


def test_patterned_cloth_is_never_turned():
    unit = make_unit(RECIPES["curlew"], order("90", "30", options={"colour": "fern"}), MATERIALS)

    assert (unit.part("face").lay, unit.part("face").quantity) == ("seamed", 2)


# -- one head -----------------------------------------------------------------------------


def shared_head(product: str, width: str, number: int) -> tuple:
    whole = order(width, "60", mount="outside", basis="finished size")
    recipe = RECIPES[product]
    return make_on_one_head(recipe, whole, equal_widths(recipe, whole, number), MATERIALS)


def test_units_on_one_head_share_headrail_and_valance_and_fill_its_width():
    units = shared_head("dunlin_wood", "150", 2)

    assert [unit.part("headrail") is not None for unit in units] == [True, False]
    assert units[0].part("headrail").length == inches("150")
    assert units[0].part("valance").length == inches("150 3/4")
    assert total(unit.finished_width for unit in units) + RECIPES["dunlin_wood"].between == inches("150")


def test_one_unit_on_a_head_has_all_of_its_width():
    (unit,) = shared_head("dunlin_wood", "75", 1)

    assert unit.finished_width == unit.part("headrail").length == inches("75")


def test_a_fascia_runs_over_all_its_rollers():
    units = shared_head("wren_fascia", "180", 3)

    assert units[0].part("fascia").length == inches("179 7/8")
    assert all(unit.part("tube").length < inches("60") for unit in units)


def test_light_between_units_is_told_to_the_middle_of_the_gap():
    left, right = shared_head("wren_fascia", "120", 2)

    assert left.figure("light_right").text.endswith("to the middle between the units")
    assert not left.figure("light_left").text.endswith("units")
    assert right.figure("light_left").text.endswith("to the middle between the units")


def test_widths_that_do_not_fill_the_head_name_what_would():
    whole = Order(inches("100"), inches("60"), basis="finished size")

    with pytest.raises(CannotMake) as caught:
        make_on_one_head(RECIPES["dunlin_wood"], whole, [inches("40"), inches("40")], MATERIALS)

    assert (caught.value.field, caught.value.bound) == ("widths", "exactly 100 in")


def test_a_unit_of_a_head_keeps_to_the_range_by_itself():
    whole = Order(inches("150"), inches("60"), basis="finished size")

    with pytest.raises(CannotMake) as caught:
        make_on_one_head(RECIPES["dunlin_wood"], whole, [inches("100"), inches("49 7/8")], MATERIALS)

    assert (caught.value.field, caught.value.bound) == ("width", "12 in to 96 in")
