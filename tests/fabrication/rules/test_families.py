"""What each family's engineering comes to, and when it refuses."""

from __future__ import annotations

import dataclasses
import itertools
from decimal import Decimal

import pytest

from fabrication.rules.families.roller import _e_mpa, inertia
from fabrication.rules.families.roman import fold_sections
from fabrication.rules.families.slat import slat_count
from fabrication.rules.families.vertical import coverage, vane_count
from fabrication.rules.recipes import CannotMake, Cutout, Recipe
from fabrication.rules.spans import evenly_spaced, span_count
from fabrication.rules.tubes import load_n_per_mm, sag_mm, widest_span_mm
from shared.lengths import ZERO, Length
from tests.fabrication.rules.shop import MATERIALS, RECIPES, inches, made, make_unit, order, recipe_json


def facts(key: str):
    return MATERIALS[key].facts


def with_facts(key: str, **changes: object):
    """The materials with some facts of one changed."""
    changed = dataclasses.replace(MATERIALS[key], facts=dataclasses.replace(facts(key), **changes))
    return {**MATERIALS, key: changed}


def with_trade(product: str, **changes: object) -> Recipe:
    """A recipe with some of its trade figures changed, as JSON."""
    values = recipe_json(product)
    values["trade"] |= changes
    return Recipe.from_json(values)


# -- roller, solar, sheer -------------------------------------------------------------


@pytest.mark.parametrize("width", ["40", "71", "95 7/8", "96", "118"])
def test_the_tube_chosen_sags_within_its_limit(width: str):
    unit = made("wren", width, "120", options={"colour": "Dusk grey"})
    tube, cloth = unit.part("tube"), unit.part("cloth")
    grams = tube.weight_g + cloth.weight_g + unit.part("hem_bar").weight_g
    span = tube.length.as_mm()

    sag = sag_mm(load_n_per_mm(float(grams), span), span, 69_000, inertia(MATERIALS[tube.material]))

    limit = inches("1/8") if unit.finished_width < inches("96") else inches("1/4")
    assert sag <= limit.as_mm()
    assert unit.figure("sag").number >= sag * 320 - 1


def test_the_smallest_tube_that_will_do_is_taken_and_the_others_are_named():
    unit = made("wren", "90")

    assert unit.part("tube").material == "tube-50"
    assert unit.figure("tubes_tried").text.startswith("tube 38: 88 3/4 in is over the shop's limit of 72 in")


@pytest.mark.parametrize(("width", "limit"), [("95 7/8", "1/8"), ("96", "1/4")])
def test_the_band_of_sag_ends_below_its_width(width, limit):
    """The band is "below 96"; 96 itself belongs to the next."""
    unit = made("wren", width, "60", mount="outside")

    assert unit.finished_width == inches(width)
    assert unit.figure("sag").text.endswith(f"limit {limit} in")


@pytest.mark.parametrize(("share", "chosen"), [("1.24", "clutch-heavy"), ("1.26", "clutch-light")])
def test_a_drive_has_its_reserve_of_torque(share, chosen):
    """The recipe asks for 1.25 times what is lifted: a clutch of 1.24 times that is passed over."""
    torque = made("wren", options={"control": "chain"}).figure("torque").number
    barely = with_facts("clutch-light", torque_nm=Decimal(str(round(float(torque) * float(share), 4))))

    unit = make_unit(RECIPES["wren"], order(options={"control": "chain"}), barely)

    assert unit.part("drive").material == chosen


@pytest.mark.parametrize(("share", "lifts"), [("1.04", 2), ("1.06", 1)])
def test_a_lift_has_its_reserve_of_weight(share, lifts):
    """The recipe asks for 1.05 times what is lifted: a spring of 1.04 times that does not do alone."""
    grams = lifted_by_cordless("dunlin_wood")
    materials = dict(MATERIALS)
    for key in ("slat-spring-1", "slat-spring-3", "slat-spring-6"):
        held = dataclasses.replace(facts(key), lifts_g=grams * Decimal(share), lifts_from_g=Decimal(0))
        materials[key] = dataclasses.replace(MATERIALS[key], facts=held)

    unit = make_unit(RECIPES["dunlin_wood"], order(options={"control": "cordless"}), materials)

    assert unit.part("lift").quantity == lifts


def lifted_by_cordless(product: str) -> Decimal:
    """Grams: the least that one spring must hold, without any reserve asked for, found by halving."""
    values = recipe_json(product)
    for drive in values["trade"]["drives"]:
        drive["reserve"] = "1"
    free = Recipe.from_json(values)
    low, high = Decimal(1), Decimal(100_000)
    while high - low > Decimal("0.5"):
        middle = (low + high) / 2
        held = {
            key: dataclasses.replace(facts(key), lifts_g=middle, lifts_from_g=Decimal(0))
            for key in ("slat-spring-1", "slat-spring-3", "slat-spring-6")
        }
        materials = MATERIALS | {key: dataclasses.replace(MATERIALS[key], facts=one) for key, one in held.items()}
        try:
            number = make_unit(free, order(options={"control": "cordless"}), materials).part("lift").quantity
        except CannotMake:
            number = 99
        low, high = (low, middle) if number == 1 else (middle, high)
    return high


def test_a_roll_that_does_not_clear_its_bracket_is_refused():
    tight = with_trade("wren", largest_roll="1 3/4")

    with pytest.raises(CannotMake) as caught:
        make_unit(tight, order(height="110"), MATERIALS)

    assert caught.value.field == "width"
    assert "tube 38: rolls up to" in caught.value.problem


def test_a_soft_tube_is_passed_over_for_sagging():
    soft = with_facts("tube-38", e_gpa=Decimal(2))

    unit = make_unit(RECIPES["wren"], order("60"), soft)

    assert unit.part("tube").material == "tube-50"
    assert "sags" in unit.figure("tubes_tried").text


def test_a_tube_passed_over_leaves_no_wraps_behind():
    """The cloth is cut for the tube that is used, not for the first one tried."""
    soft = with_facts("tube-38", e_gpa=Decimal(2))

    unit = make_unit(RECIPES["wren"], order("60"), soft)

    assert unit.measures["wraps"] == inches("9 3/8")  # 1 1/2 turns of 50 mm are 9.28 in
    assert unit.part("cloth").length == inches("60") + inches("9 3/8") + inches("4 1/2")


def test_a_tube_too_weak_everywhere_is_refused_with_what_would_hold():
    weak = {**MATERIALS}
    for key in ("tube-38", "tube-50", "tube-65"):
        weak |= {key: with_facts(key, e_gpa=Decimal("0.5"))[key]}

    with pytest.raises(CannotMake) as caught:
        make_unit(RECIPES["wren"], order("100", "100"), weak)

    assert caught.value.bound.startswith("a tube of at most ")
    assert caught.value.bound.endswith("else two units on one head")


def test_the_widest_span_is_where_the_limit_is_met():
    span = widest_span_mm(0.01, 3.175, 69_000, 28_928)

    assert sag_mm(0.01, span * 1.001, 69_000, 28_928) > 3.175 > sag_mm(0.01, span * 0.999, 69_000, 28_928)


def test_a_drive_is_taken_that_turns_the_tube_with_its_reserve():
    light = made("wren", "30", "40", options={"control": "battery"})
    heavy = made("wren", "118", "118", options={"control": "battery"})

    assert (light.part("drive").material, heavy.part("drive").material) == ("motor-b1", "motor-b6")


def test_mains_motors_ask_for_a_licensed_electrician():
    remarks = made("wren", options={"control": "mains"}).remarks

    assert [remark.code for remark in remarks if "licensed electrician" in remark.text] == ["mains"]


def test_a_chain_loop_is_twice_its_drop_and_cautioned():
    unit = made("wren", height="60", options={"control": "chain"})

    assert unit.part("chain").length == inches("80")  # 2/3 of 60, twice
    assert any(remark.code == "loop" and "taut" in remark.text for remark in unit.remarks)


def test_a_loop_keeps_within_the_rule_of_the_place():
    unit = made("wren", height="90", options={"control": "chain"}, loop_limit=inches("30 1/2"))

    assert unit.part("chain").length == inches("60")


def test_a_rule_that_leaves_no_useful_loop_names_the_least():
    with pytest.raises(CannotMake) as caught:
        made("wren", options={"control": "chain"}, loop_limit=inches("8"))

    assert (caught.value.field, caught.value.bound) == ("loop_limit", "at least 12 in")


def test_light_gaps_and_tube_and_clearance_add_up_to_the_opening():
    unit = made("wren", "35 3/8", options={"control": "chain", "control_side": "left"})

    gaps = Length(int(unit.figure("light_left").number + unit.figure("light_right").number))

    assert unit.part("tube").length + gaps == inches("35 3/8")
    assert unit.figure("light_left").number == inches("11/16").ticks  # the control's side


def test_reverse_roll_stands_the_cloth_a_tube_further_out():
    standard, reverse = (made("wren", options={"roll": roll}) for roll in ("standard", "reverse"))

    apart = reverse.figure("cloth_from_wall").number - standard.figure("cloth_from_wall").number

    assert apart == facts("tube-38").diameter.ticks


def test_a_looped_sheer_hangs_in_two_drops():
    unit = made("linnet", height="60")

    # two drops of 60, wraps 7 1/8, 9 for the head and squaring, up to the 5 in band, one more to start
    assert unit.part("cloth").length == inches("145")


def test_bands_that_would_leave_slits_are_refused():
    with pytest.raises(CannotMake, match="bands"):
        make_unit(
            with_trade("linnet", bands={"cloth": "2 1/2", "open": "2", "least_overlap": "3/8"}), order(), MATERIALS
        )


def test_soft_vanes_are_counted_to_line_up_in_a_room():
    unit = made("linnet_vane", height="64")

    assert unit.figure("vanes").text == "21 at 3 in, 1 in over the bottom weight"
    assert any(remark.code == "align" for remark in unit.remarks)


def test_a_tube_bends_by_its_own_stiffness_in_newtons_a_square_millimetre():
    """Aluminium: 69 GPa. A material of which nobody said it has none to reckon with."""
    tube = next(one for one in MATERIALS.values() if one.facts.e_gpa is not None and one.facts.diameter is not None)

    assert _e_mpa(tube) == float(tube.facts.e_gpa) * 1000 == 69_000
    assert _e_mpa(dataclasses.replace(tube, facts=dataclasses.replace(tube.facts, e_gpa=None))) == 0


# -- vertical -------------------------------------------------------------------------


@pytest.mark.parametrize("width", ["18", "24 1/2", "60", "96 1/2", "143 7/8", "192"])
@pytest.mark.parametrize("stack", ["left", "split"])
def test_vanes_cover_the_track(width: str, stack: str):
    unit = made("plover", width, options={"stack": stack})
    track, vane, pitch = unit.part("track").length, inches("3 1/2"), inches("3 1/8")

    number = unit.counts["vanes"]

    assert coverage(number, vane, pitch) >= track
    assert number - vane_count(track, vane, pitch) in {0, 1 if stack == "split" else 0}
    assert stack != "split" or number % 2 == 0
    assert unit.part("vanes").quantity == number + 1  # a spare one


@pytest.mark.parametrize(("stack", "sides"), [("left", 1), ("right", 1), ("split", 2)])
def test_drawn_vanes_stack_on_one_side_or_half_on_each(stack: str, sides: int):
    """The whole stack stands before the glass: every side has its own carriers' room beside its vanes."""
    unit, trade = made("plover", "96 1/2", options={"stack": stack}), RECIPES["plover"].trade

    each = (trade.stack_each * (unit.counts["vanes"] // sides) + trade.stack_plus).up(inches("1/16"))

    assert unit.figure("stack").number == each.ticks
    assert unit.figure("stack_stands").number == (each * sides).ticks


def test_the_floor_clearance_of_a_vane_is_taken_once():
    assert made("plover_pvc", height="84").part("vanes").length == inches("81 3/4")  # 1/2 and 1 3/4
    given = made("plover_pvc", height="84", basis="finished size")
    assert given.part("vanes").length == inches("82 1/4")


def test_a_fabric_vane_is_cut_longer_by_its_folds_and_packed_as_it_hangs():
    """1 1/2 over the hanger and 1 1/2 round the weight; a PVC vane has neither."""
    fabric, pvc = (made(product, height="84") for product in ("plover", "plover_pvc"))
    longest = {one.what: one.longest for one in fabric.packages}

    assert fabric.part("vanes").length - pvc.part("vanes").length == inches("3")
    assert longest["vane carton"] == pvc.part("vanes").length + inches("2")


# -- slat -----------------------------------------------------------------------------


def test_slats_and_spaces_fill_every_drop_exactly():
    pitch = inches("1 3/4")
    for ticks in range(pitch.ticks // 2, pitch.ticks * 6, 997):
        number, first, last = slat_count(Length(ticks), pitch)

        assert first + pitch * (number - 1) + last == Length(ticks)
        assert ZERO <= first <= last <= pitch


def test_ladders_stand_evenly_and_mirrored_within_their_span():
    for width in range(10, 110):
        length = Length.inches(width)
        places = evenly_spaced(length, inches("5"), inches("22"))
        gaps = [after - before for before, after in itertools.pairwise(places)]

        assert len(places) == span_count(length, places[0], inches("22"))
        assert max(gaps) <= inches("22 1/16")
        for place, mirrored in zip(places, reversed(places), strict=True):
            assert abs(length - mirrored - place) <= inches("1/16")


def test_a_heavier_slat_gets_more_lifts_and_a_hopeless_one_is_refused():
    assert made("dunlin_composite", "72", "84").part("lift").quantity == 4
    leaden = with_facts("slat-comp-white", grams_per_m=Decimal(400))

    with pytest.raises(CannotMake) as caught:
        make_unit(RECIPES["dunlin_composite"], order("72", "84"), leaden)

    assert (caught.value.field, caught.value.bound) == ("options.control", "at most 52.9 lb")


def test_a_slat_too_short_for_head_and_rail_names_the_least_height():
    with pytest.raises(CannotMake) as caught:
        make_unit(with_trade("dunlin_wood", head="12"), order(height="13"), MATERIALS)

    assert caught.value.field == "height"


def test_a_valance_has_returns_outside_only():
    outside = made("dunlin_wood", mount="outside", options={"valance": "with returns"})
    inside = made("dunlin_wood", mount="inside", options={"valance": "with returns"})

    assert outside.part("returns").quantity == 2
    assert inside.part("returns") is None
    assert (outside.part("valance").length, inside.part("valance").length) == (inches("36 1/8"), inches("35 1/4"))


def test_a_cutout_names_its_slats_and_keeps_off_the_ladder():
    handle = Cutout(side="left", from_bottom=inches("20"), height=inches("7"), depth=inches("2"))

    unit = made("dunlin_wood", cutouts=(handle,))
    first = unit.measures["rail"] + unit.measures["last_space"]
    heights = [first + inches("1 3/4") * turn for turn in range(unit.counts["slats"])]

    # closed, a slat of 2 in hangs 1 in each way; 1/4 in is left free round the handle
    assert unit.figure("cutout_1").number == sum(inches("18 3/4") <= at <= inches("28 1/4") for at in heights) == 6
    with pytest.raises(CannotMake) as caught:
        made("dunlin_wood", cutouts=(dataclasses.replace(handle, depth=inches("5")),))
    assert (caught.value.field, caught.value.bound) == ("cutouts[0].depth", "under 5 in")


def test_a_slat_stack_is_about_what_the_table_says():
    """Trade values: 36 × 60 in 2 in slats, about 8 in (common practice, no published source)."""
    assert made("dunlin_wood", "36", "60").measures["stack"] == inches("7 5/8")


# -- cellular, pleated ------------------------------------------------------------------


def test_a_block_has_pleats_for_its_drop_and_its_fullness():
    unit = made("siskin", height="60")

    assert unit.counts["pleats"] == 87  # 1.03 × 58 / (11/16) = 86.9
    assert unit.part("cloth").length == inches("11/16") * 87


def test_a_height_of_the_rails_alone_leaves_no_cloth():
    values = recipe_json("siskin")
    values["trade"]["rails"] = "60"

    with pytest.raises(CannotMake, match="leaves nothing between the rails"):
        make_unit(Recipe.from_json(values), order(height="60"), MATERIALS)


def test_a_two_way_shade_has_a_third_rail():
    assert made("siskin", options={"control": "two_way"}).part("middle_rail").length == inches("35")
    assert made("siskin", options={"control": "cordless"}).part("middle_rail") is None


def test_a_third_rail_takes_the_place_of_cloth():
    """3/4 of rail is 1.03 × 3/4 / (11/16) of cells: one pleat or two fewer."""
    two_way, plain = (made("siskin", height="61", options={"control": one}) for one in ("two_way", "cordless"))

    assert plain.counts["pleats"] - two_way.counts["pleats"] in {1, 2}


def test_a_spring_is_not_taken_below_what_it_balances():
    light = made("siskin", "12", "12")
    heavy = made("teal_double", "120", "108")

    assert light.part("lift").material == "cell-spring-1"
    assert heavy.part("lift").material == "cell-spring-6"


# -- roman ------------------------------------------------------------------------------


def test_folds_are_equal_odd_and_fill_the_height():
    for height in range(18, 109):
        number, half, top = fold_sections(Length.inches(height), inches("1"), inches("6"), inches("8"))

        assert number % 2 == 1
        assert half * (number - 1) + top + inches("1") == Length.inches(height)
        assert abs(top - half) <= inches("5/8")


def test_the_hem_section_is_the_longest():
    unit = made("curlew", height="60")
    half, lowest = unit.measures["fold"], unit.places["ribs"][-1]

    assert unit.finished_height - lowest == half + inches("1")


def test_rings_are_rows_by_columns_and_shrouded():
    unit = made("curlew", "60", "72")

    assert unit.part("rings").quantity == unit.counts["ribs"] * unit.counts["ring_columns"]
    assert unit.part("shrouds").quantity == unit.part("cords").quantity == unit.counts["ring_columns"]
    assert any(remark.code == "shroud" for remark in unit.remarks)


def test_face_cloth_has_hems_and_what_the_rib_pockets_take_up():
    unit = made("curlew", "36", "60")  # finished 35 1/2 × 59 7/8, four ribs

    assert (unit.part("face").width, unit.part("face").length) == (inches("38 1/2"), inches("74 7/8"))
