"""What the readings say by themselves: shape, covers, what should be read beside."""

import dataclasses
import json

import pytest

from measuring.rules.families import TABLE, TABLE_PATH
from measuring.rules.findings import diagonals_wanted, lean_ticks, shape_findings
from measuring.rules.opening import Opening
from measuring.rules.sizing import order_size

INSIDE = {
    "id": "A",
    "family": "cellular",
    "mount": "inside",
    "depth": "3",
    "widths": {"top": "36", "middle": "36", "bottom": "36"},
    "heights": {"left": "60", "center": "60", "right": "60"},
}
OUTSIDE = {"id": "A", "family": "cellular", "mount": "outside", "widths": {"top": "36"}, "heights": {"left": "60"}}
COVER = {"left": "3", "right": "3", "top": "3", "bottom": "2"}


def found_in(document: dict, unit: str = "in", **changes) -> dict:
    opening = Opening.from_json({**document, **changes}, unit)
    return {found.code: found for found in shape_findings(opening, order_size(opening))}


def test_a_square_opening_fully_read_has_nothing_to_say():
    assert found_in(INSIDE) == {}


@pytest.mark.parametrize(
    ("family", "limit", "past"),
    [  # taper that shows, from the table of starting values
        ("slat", "35 3/4", "35 5/8"),
        ("cellular", "35 3/4", "35 5/8"),
        ("pleated", "35 3/4", "35 5/8"),
        ("sheer", "35 7/8", "35 3/4"),
        ("roller", "35 3/4", "35 5/8"),
        ("solar", "35 3/4", "35 5/8"),
        ("roman", "35 5/8", "35 1/2"),
        ("vertical", "35 1/2", "35 3/8"),
    ],
)
def test_taper_is_found_past_the_familys_limit_and_not_at_it(family, limit, past):
    widths = {"top": "36", "middle": "36", "bottom": limit}

    assert "taper" not in found_in(INSIDE, family=family, widths=widths)
    tapered = found_in(INSIDE, family=family, widths={**widths, "bottom": past})["taper"]
    assert tapered.field == "widths.bottom"
    assert "wedge of light" in tapered.todo


def test_jambs_that_close_in_below_a_roller_are_found_past_a_quarter_inch():
    widths = {"top": "36", "middle": "36", "bottom": "35 3/4"}

    assert "narrows" not in found_in(INSIDE, family="roller", widths=widths)
    assert found_in(INSIDE, family="roller", widths={**widths, "bottom": "35 5/8"})["narrows"].severity == "check"
    widening = {**widths, "bottom": "36 1/2"}
    assert "narrows" not in found_in(INSIDE, family="roller", widths=widening)


def test_bowed_sides_are_noted_with_how_much():
    found = found_in(INSIDE, widths={"top": "36", "middle": "35 3/4", "bottom": "36"})

    assert found["bow"].text.startswith("The sides are not straight: the middle is about 1/4 in narrower")


def test_heights_more_than_a_quarter_inch_apart_are_a_finding():
    heights = {"left": "60", "center": "60", "right": "60 1/4"}

    assert "heights" not in found_in(INSIDE, heights=heights)
    assert found_in(INSIDE, heights={**heights, "right": "60 3/8"})["heights"].text == "The heights differ by 3/8 in."


def test_a_head_out_of_level_matters_where_cloth_rolls():
    heights = {"left": "60", "center": "60 1/8", "right": "60 1/4"}

    assert "head_level" in found_in(INSIDE, family="sheer", heights=heights)
    assert "head_level" not in found_in(INSIDE, family="slat", heights=heights)


def test_a_leaning_opening_is_found_from_its_diagonals():
    found = found_in(INSIDE, diagonals=["70 1/4", "69 3/4"])  # (70.25² - 69.75²) / (4 × 36) = 0.49

    assert found["lean"].text == "The opening leans by about 1/2 in over its height (from the diagonals)."
    assert "lean" not in found_in(INSIDE, diagonals=["70", "70"])


def test_a_lean_comes_from_the_diagonals_as_read_and_not_from_what_they_are_rounded_down_to():
    """24 × 96 with 99 and 98 15/16: (99² - 98.9375²) / (4 × 24) = .129; to the eighth it would be .258."""
    widths, heights = dict.fromkeys(("top", "middle", "bottom"), "24"), dict.fromkeys(("left", "center", "right"), "96")
    document = {**INSIDE, "widths": widths, "heights": heights, "diagonals": ["99", "98 15/16"]}

    assert lean_ticks(Opening.from_json(document, "in")) == int(0.1288 * 8128) + 1


@pytest.mark.parametrize(
    ("changes", "wanted"),
    [
        ({}, False),  # square and narrow
        ({"widths": {"top": "48", "middle": "48", "bottom": "48"}}, False),  # not over 48
        ({"widths": {"top": "48 1/8", "middle": "48 1/8", "bottom": "48 1/8"}}, True),
        ({"family": "roman", "widths": {"top": "72", "middle": "72", "bottom": "72"}}, False),
        ({"family": "roman", "widths": {"top": "36", "middle": "36", "bottom": "36 1/4"}}, True),
        ({"heights": {"left": "60", "center": "60", "right": "60 1/4"}}, True),
        ({"diagonals": ["70", "70"], "heights": {"left": "60", "center": "60", "right": "61"}}, False),
    ],
)
def test_diagonals_are_asked_for_only_where_they_matter(changes, wanted):
    assert bool(diagonals_wanted(Opening.from_json({**INSIDE, **changes}, "in"))) is wanted


def test_a_lone_top_width_is_asked_twice():
    lone = {"top": "36"}

    assert "read_twice" in found_in(INSIDE, family="solar", widths=lone)
    assert "read_twice" not in found_in(INSIDE, family="solar", widths=lone, again={"widths.top": "36"})
    assert "read_twice" not in found_in(INSIDE, family="solar", widths={"top": "36", "middle": "36"})
    assert "read_twice" not in found_in(OUTSIDE, cover=COVER)


def test_two_readings_of_one_place_may_differ_by_a_mark_and_no_more():
    assert "again_differs" not in found_in(INSIDE, again={"widths.top": "36 1/8"})
    found = found_in(INSIDE, again={"widths.top": "36 1/4"})["again_differs"]
    assert (found.field, found.text) == ("widths.top", "Read twice, 36 in and 36 1/4 in: 1/4 in apart; 36 in counts.")


def test_in_millimetres_the_mark_is_a_millimetre():
    """1/8 in is 3 mm: what a branch in inches may read twice was passed over in one that reads millimetres."""
    sides = {"widths": dict.fromkeys(("top", "middle", "bottom"), "900")}
    sides["heights"] = dict.fromkeys(("left", "center", "right"), "1500")
    document = {**INSIDE, **sides, "depth": "90"}

    assert "again_differs" not in found_in(document, unit="mm", again={"widths.top": "901"})
    assert found_in(document, unit="mm", again={"widths.top": "902"})["again_differs"].field == "widths.top"


def test_the_case_of_a_second_reading_is_no_difference():
    """The first was compared as typed, the second with the case in it: 3 1/4 in apart that were none."""
    cased = {"length": "3 1/4", "fields": ["widths.top"]}
    widths = {"top": "32 3/4", "middle": "36", "bottom": "36"}

    assert "again_differs" not in found_in(INSIDE, widths=widths, tape_case=cased, again={"widths.top": "36"})


def test_an_unread_depth_is_a_check_inside_only():
    document = {key: value for key, value in INSIDE.items() if key != "depth"}

    assert found_in(document)["depth_unread"].severity == "check"
    assert "depth_unread" not in found_in(OUTSIDE, cover=COVER)


def test_no_cover_at_all_is_asked_about():
    assert set(found_in(OUTSIDE)) == {"cover_unread"}


def test_a_cover_of_less_than_two_inches_is_found_side_by_side():
    found = found_in(OUTSIDE, cover={**COVER, "left": "1 7/8"})

    assert found["cover_short"].field == "cover.left"
    assert "cover_short" not in found_in(OUTSIDE, cover=COVER)


def test_a_side_that_stops_on_something_has_its_own_limit():
    stops = {"bottom": {"on": "sill", "limit": "1"}}

    assert not {"cover_short", "cover_past"} & set(found_in(OUTSIDE, cover={**COVER, "bottom": "1"}, stops_on=stops))
    past = found_in(OUTSIDE, cover={**COVER, "bottom": "1 1/8"}, stops_on=stops)["cover_past"]
    assert (past.severity, past.field) == ("stop", "cover.bottom")


def test_the_top_cover_is_held_against_head_and_brackets():
    assert "cover_head" in found_in(OUTSIDE, family="roller", cover={**COVER, "top": "2 3/4"})
    assert "cover_head" not in found_in(OUTSIDE, family="roller", cover={**COVER, "top": "3"})


def test_sheer_asks_about_cloth_extra_until_it_is_said():
    assert "ask_cloth_extra" in found_in(OUTSIDE, family="sheer", cover=COVER)
    assert "ask_cloth_extra" not in found_in(OUTSIDE, family="sheer", cover=COVER, cloth_extra="0")
    assert "ask_cloth_extra" not in found_in(OUTSIDE, family="roller", cover=COVER)


def test_a_chosen_size_smaller_than_opening_and_covers_is_questioned():
    small = found_in(OUTSIDE, chosen={"width": "39 7/8", "height": "64"})

    assert small["chosen_small"].field == "chosen.width"
    assert "chosen_small" not in found_in(OUTSIDE, chosen={"width": "40", "height": "64"})


def test_an_inside_width_by_laser_alone_asks_for_a_tape():
    """A laser meets plaster beside the trim, and nobody was asked for a tape."""

    def codes(document, *spots):
        opening = dataclasses.replace(Opening.from_json(document, "in"), by_laser=frozenset(spots))
        return {one.code for one in shape_findings(opening, order_size(opening))}

    all_widths = ("widths.top", "widths.middle", "widths.bottom")
    assert "laser_width" in codes(INSIDE, *all_widths)
    assert "laser_width" not in codes(INSIDE, *all_widths[1:])
    assert "laser_width" not in codes({**OUTSIDE, "cover": COVER}, *all_widths)


def test_every_message_says_what_to_do_and_has_a_severity():
    for code, message in TABLE["messages"].items():
        assert message["severity"] in ("note", "check", "stop"), code
        assert message["text"], code
        assert message["todo"], code


def test_the_table_holds_nothing_but_whole_numbers():
    """A float would let the page and the server part."""

    def no_float(text):
        raise AssertionError(f"{text} is not whole")

    json.loads(TABLE_PATH.read_text(), parse_float=no_float)
