"""What products say to openings, and which of the range fits best."""

import dataclasses

import pytest

from measuring.rules.answers import all_findings
from measuring.rules.fit import ProductFit, Tube, alternatives, fit_findings, grams
from measuring.rules.opening import Opening
from measuring.rules.range import starting_rows
from measuring.rules.safety import Control, Site
from measuring.rules.sizing import order_size
from shared.contracts import ContractError
from shared.lengths import parse_length
from tests.measuring.starting import starting_products

INSIDE = {
    "id": "A",
    "family": "slat",
    "mount": "inside",
    "depth": "3",
    "widths": {"top": "36", "middle": "36", "bottom": "36"},
    "heights": {"left": "60", "center": "60", "right": "60"},
}


def t(text: str) -> int:
    return parse_length(text).ticks


SLAT = ProductFit(
    key="slat",
    name="slat",
    family="slat",
    min_depth=t("1"),
    flush_depth=t("2 5/8"),
    head_height=t("2 1/4"),
    clearance_width=t("1/2"),
    hand_clearance=t("3/4"),
    least_width=t("12"),
    most_width=t("72"),
    least_height=t("12"),
    most_height=t("84"),
    confirmed=True,
)
ROLLER = dataclasses.replace(
    SLAT,
    key="roller",
    name="roller",
    family="roller",
    gaps={"idle": t("1/2"), "control": t("1/2"), "motor": t("13/16")},
    narrowing=t("1/2"),
    tubes=(Tube("thin tube", t("72")), Tube("thick tube", t("96"))),
    coupled_most=t("144"),
)


def found_by(product: ProductFit, site: Site | None = None, control: str = "", **changes) -> dict:
    opening = Opening.from_json({**INSIDE, "family": product.family, **changes}, "in")
    found = fit_findings(opening, order_size(opening), product, control=control, site=site)
    return {one.code: one for one in found}


def all_widths(text: str) -> dict:
    return dict.fromkeys(("top", "middle", "bottom"), text)


@pytest.mark.parametrize(
    ("depth", "code", "severity"),
    [
        ("2 5/8", "depth_flush", "note"),
        ("2 1/2", "depth_proud", "note"),
        ("1", "depth_proud", "note"),
        ("7/8", "depth_short", "stop"),
    ],
)
def test_depth_fits_flush_or_proud_or_not(depth, code, severity):
    found = found_by(SLAT, depth=depth)

    assert found[code].severity == severity


def test_standing_proud_says_by_how_much():
    assert "stands proud by 5/8 in" in found_by(SLAT, depth="2")["depth_proud"].text


def test_what_stands_in_the_path_eats_depth_and_a_hands_clearance():
    crank = [{"kind": "crank handle", "projection": "1 1/2", "at": "path"}]

    found = found_by(SLAT, depth="3", obstructions=crank)

    said = "crank handle stands out 1 1/2 in and leaves 1 1/2 in of 3 in before it; slat keeps 3/4 in clear of it."
    assert found["in_the_way"].text == said
    assert "depth_short" in found
    assert "depth_proud" in found_by(SLAT, depth="4", obstructions=crank)


@pytest.mark.parametrize(
    ("depth", "code", "text"),
    [
        ("1 3/4", "depth_short", "1 3/4 in deep, nothing of it before the handle (1 1/4 in + 3/4 in clear): slat"),
        ("2 1/2", "depth_short", "2 1/2 in deep, 1/2 in of it before the handle (1 1/4 in + 3/4 in clear): slat needs"),
        ("4", "depth_proud", "4 in deep, 2 in of it before the handle (1 1/4 in + 3/4 in clear): slat fits and stands"),
    ],
)
def test_the_depth_told_is_the_depth_read(depth, code, text):
    handle = [{"kind": "handle", "projection": "1 1/4", "at": "path"}]

    found = found_by(SLAT, depth=depth, obstructions=handle)

    assert found[code].text.startswith(text)
    assert "mounts in 0" not in found[code].todo


def test_what_is_fixed_beside_the_path_takes_no_hands_clearance():
    frame = [{"kind": "frame", "projection": "1", "at": "head"}]

    found = found_by(SLAT, depth="3", obstructions=frame)

    assert found["in_the_way"].text == "frame stands out 1 in and leaves 2 in of 3 in before it."
    assert found["depth_proud"].text.startswith("3 in deep, 2 in of it before the frame (1 in): slat fits")


def test_outside_an_obstruction_asks_for_spacers_of_its_projection_and_clearance():
    trim = [{"kind": "trim", "projection": "3/4", "at": "path"}]

    found = found_by(SLAT, mount="outside", depth=None, obstructions=trim)

    assert "1 1/2 in off the wall" in found["clear_by"].text


def test_a_starting_figure_nobody_confirmed_never_stops():
    unconfirmed = dataclasses.replace(SLAT, confirmed=False)

    found = found_by(unconfirmed, depth="1/2")["depth_short"]

    assert found.severity == "check"
    assert "not yet confirmed" in found.text


def test_no_starting_product_of_the_range_stops_anything_by_its_figures():
    for product in starting_products():
        found = found_by(
            product, depth="0", widths=all_widths("590"), heights=dict.fromkeys(("left", "center", "right"), "590")
        )
        assert all(one.severity != "stop" for one in found.values()), product.key


def test_light_at_the_sides_is_said_and_more_than_usual_is_a_check():
    motor = Control("motor", "motor", power="battery")
    powered = dataclasses.replace(ROLLER, controls=(Control("chain", "chain", cord="loop"), motor))

    assert found_by(powered, control="chain")["gap"].severity == "note"
    assert found_by(powered, control="motor")["gap_wide"].severity == "check"
    assert "gap" not in found_by(SLAT)


def test_a_control_that_nobody_chose_may_leave_the_most_light_there_is():
    """The first control of the list was taken for the chosen one."""
    chain, motor = Control("chain", "chain", cord="loop"), Control("motor", "motor", power="battery")
    powered = dataclasses.replace(ROLLER, controls=(chain, motor))

    assert "13/16 in on the control or motor side" in found_by(powered)["gap_wide"].text
    assert found_by(powered, control="gone")["gap_wide"] == found_by(powered)["gap_wide"]


@pytest.mark.parametrize("is_chosen", [True, False])
def test_a_skylight_is_never_sent_to_an_outside_mount(is_chosen):
    """Of the light at its sides, of a depth too small it was said "or an outside mount", which it has none of."""

    def said(shape: str) -> str:
        values = {**INSIDE, "family": "roller", "shape": shape, "depth": "1/2"}
        opening = Opening.from_json(values, "in")
        product = dataclasses.replace(ROLLER, shapes=("skylight",)) if is_chosen else None
        return " ".join(one.todo for one in all_findings(opening, order_size(opening), product=product))

    assert "outside mount" in said("rectangle")
    assert "outside" not in said("skylight")
    assert "Show it; offer gap strips." in said("skylight")


def test_jambs_past_what_the_hem_bar_allows_stop_the_roller():
    narrow = {"top": "36", "middle": "36", "bottom": "35 3/8"}

    assert found_by(ROLLER, widths=narrow)["narrows_past"].severity == "stop"
    assert "narrows_past" not in found_by(ROLLER, widths={**narrow, "bottom": "35 1/2"})


@pytest.mark.parametrize(
    ("width", "code"),
    [("72 1/2", None), ("72 5/8", "too_wide"), ("12 1/2", None), ("12 3/8", "too_narrow")],
)
def test_width_limits_hold_for_the_finished_width(width, code):
    found = found_by(SLAT, widths=all_widths(width))  # 1/2 in of clearance comes off first

    assert {"too_wide", "too_narrow"} & set(found) == ({code} if code else set())


def test_too_wide_says_how_many_units():
    assert "2 units" in found_by(SLAT, widths=all_widths("80"))["too_wide"].todo


def test_height_limits_hold_both_ways():
    tall = dict.fromkeys(("left", "center", "right"), "84 1/8")

    assert "too_tall" in found_by(SLAT, heights=tall)
    assert "too_short" in found_by(SLAT, heights=dict.fromkeys(tall, "11"))


@pytest.mark.parametrize(
    ("width", "code"),
    [("72", None), ("90", "bigger_tube"), ("100", "coupled"), ("150", "two_units")],
)
def test_a_wider_roller_takes_a_bigger_tube_then_two_then_two_units(width, code):
    found = found_by(ROLLER, widths=all_widths(width))

    assert {"bigger_tube", "coupled", "two_units", "too_wide"} & set(found) == ({code} if code else set())


def test_weight_is_area_and_width_in_whole_grams():
    heavy = dataclasses.replace(SLAT, grams_per_m2=6500, grams_per_m=500)

    assert grams(t("1000 mm"), t("2000 mm"), heavy) == 13_500


def test_heavy_or_wide_units_want_two_people():
    heavy = dataclasses.replace(SLAT, grams_per_m2=14_000)

    assert "two_people" in found_by(heavy)  # 0.90 m x 1.52 m x 14 kg: 19 kg
    assert "two_people" not in found_by(SLAT)
    assert "overhead" in found_by(heavy, site=Site(reach_ticks=t("84")))


def test_a_package_longer_than_the_way_in_is_found():
    packed = dataclasses.replace(SLAT, package_extra=t("4"))
    site = Site(way_in={"lift": t("39 1/2"), "truck": t("39 3/8")})

    found = found_by(packed, site=site)

    assert found["package"].text == "Packed it is about 39 1/2 in long; the truck takes 39 3/8 in."


def test_alternatives_put_what_fits_first_and_say_why_the_rest_does_not():
    shallow = Opening.from_json({**INSIDE, "depth": "7/8"}, "in")

    tried = alternatives(shallow, starting_products())

    assert len(tried) == 2 * len(starting_products())
    fits = [one.fits for one in tried]
    assert fits == sorted(fits, reverse=True)
    inside = {one.key: one for one in tried if one.mount == "inside"}
    assert inside["stint"].fits  # the 1 in slat mounts in 3/4
    assert not inside["dunlin_wood"].fits
    assert any("needs 1 in to mount" in why for why in inside["dunlin_wood"].why())


def test_an_alternative_that_needs_other_readings_says_which():
    lone = Opening.from_json({**INSIDE, "family": "roller", "widths": {"top": "36"}}, "in")

    slat = next(one for one in alternatives(lone, [SLAT]) if one.mount == "inside")

    assert slat.size is None
    assert "widths.middle, widths.bottom" in slat.why()[0]


def test_the_starting_range_covers_all_families_with_names_and_a_basis():
    rows = starting_rows("products")

    assert len(rows) >= 14
    assert len({row["family"] for row in rows}) == 8
    assert len({row["name"] for row in rows}) == len(rows)
    assert all(row["fit"]["basis"] == "common practice, no published source" for row in rows)
    assert not any(product.confirmed for product in starting_products())


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"min_depth": "x"}, "fit.min_depth"),
        ({"min_depth": 3}, "fit.min_depth"),
        ({"flush_depth": "1/2"}, "fit.flush_depth"),  # less than it takes to mount
        ({"width": {"least": "10", "largest": "20"}}, "fit.width.largest"),
        ({"colour": "red"}, "fit.colour"),
        ({"controls": [{"key": "c", "name": "c", "cord": "rope"}]}, "fit.controls[0].cord"),
        ({"controls": [{"key": "c", "name": "c", "loop_share": [1]}]}, "fit.controls[0].loop_share"),
    ],
)
def test_a_product_with_figures_that_cannot_be_is_refused(change, field):
    row = starting_rows("products")[8]

    with pytest.raises(ContractError) as refused:
        ProductFit.from_json({**row, "fit": {**row["fit"], **change}})

    assert refused.value.field == field


@pytest.mark.parametrize("product", starting_products(), ids=lambda product: product.key)
def test_a_product_goes_to_json_and_back_unchanged(product):
    assert ProductFit.from_json(product.to_json()) == product
