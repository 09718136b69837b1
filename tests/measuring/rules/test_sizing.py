"""Order sizes: every family, mount and unit, and the steps that lead to them."""

import pytest

from measuring.rules.answers import all_findings
from measuring.rules.families import FAMILIES, SPOTS
from measuring.rules.opening import Opening
from measuring.rules.sizing import order_size
from shared.contracts import ContractError
from shared.lengths import Length

LONE = ("roller", "solar", "sheer", "vertical")
OTHERS = tuple(family for family in FAMILIES if family not in LONE)
WIDTHS = {"top": "35 3/8", "middle": "35 1/4", "bottom": "35 5/16"}
HEIGHTS = {"left": "60", "center": "60 1/8", "right": "60 1/4"}
MM_WIDTHS = {"top": "900", "middle": "897", "bottom": "898.6"}
MM_HEIGHTS = {"left": "1500.4", "center": "1503", "right": "1506"}


def opening_of(family: str, mount: str, unit: str = "in", **more):
    document = {"id": "A", "family": family, "mount": mount, **more}
    if "widths" not in more and "chosen" not in more:
        document["widths"] = WIDTHS if unit == "in" else MM_WIDTHS
    if "heights" not in more and "chosen" not in more:
        document["heights"] = HEIGHTS if unit == "in" else MM_HEIGHTS
    return Opening.from_json(document, unit)


def size_of(family: str, mount: str, unit: str = "in", **more):
    return order_size(opening_of(family, mount, unit, **more))


def test_the_worked_example_of_the_contract():
    size = size_of("roller", "inside")

    assert (size.width.text(), size.height.text()) == ("35 3/8", "60")
    assert (size.width.ticks, size.height.ticks) == (287528, 487680)
    assert size.basis == "opening size"


@pytest.mark.parametrize("family", LONE)
def test_a_family_measured_at_the_top_takes_top_width_and_shortest_height(family):
    inches, metric = size_of(family, "inside"), size_of(family, "inside", "mm")

    assert (inches.width.text(), inches.height.text()) == ("35 3/8", "60")
    assert (metric.width.text("mm"), metric.height.text("mm")) == ("900", "1500")


@pytest.mark.parametrize("family", OTHERS)
def test_every_other_family_takes_narrowest_width_and_longest_height(family):
    inches, metric = size_of(family, "inside"), size_of(family, "inside", "mm")

    assert (inches.width.text(), inches.height.text()) == ("35 1/4", "60 1/4")
    assert (metric.width.text("mm"), metric.height.text("mm")) == ("897", "1506")


@pytest.mark.parametrize("family", ["roller", "solar", "sheer"])
def test_cloth_is_cut_for_the_longest_height_read(family):
    assert size_of(family, "inside").cut_height.text() == "60 1/4"


@pytest.mark.parametrize(
    ("family", "extra"), [(family, "2" if family in ("roller", "solar") else "0") for family in FAMILIES]
)
def test_an_outside_mount_adds_covers_and_the_cloths_extra_to_the_largest_readings(family, extra):
    cover = {"left": "3", "right": "2 1/2", "top": "4", "bottom": "2"}

    size = size_of(family, "outside", cover=cover)

    assert size.width == Length.parse("35 3/8") + Length.parse("5 1/2") + Length.parse(extra)
    assert size.height.text() == "66 1/4"
    assert size.basis == "finished size"


def test_an_outside_mount_in_millimetres_adds_the_same_two_inches_exactly():
    cover = {"left": "60", "right": "60", "top": "80", "bottom": "50"}

    size = size_of("roller", "outside", "mm", cover=cover)

    assert size.width.text("mm") == "1070.8"  # 900 + 60 + 60 + 50.8
    assert size.height.text("mm") == "1636"


def test_a_cloth_extra_given_takes_the_place_of_the_familys():
    assert size_of("solar", "outside", cloth_extra="0").width.text() == "35 3/8"
    assert size_of("sheer", "outside", cloth_extra="1 1/2").width.text() == "36 7/8"


@pytest.mark.parametrize("family", FAMILIES)
def test_a_size_chosen_at_the_opening_is_the_order_size(family):
    size = size_of(family, "outside", chosen={"width": "42 1/16", "height": "70"})

    assert (size.width.text(), size.height.text(), size.basis) == ("42 1/16", "70", "finished size")


def test_an_outside_mount_is_content_with_one_width_and_one_height():
    size = size_of("slat", "outside", widths={"bottom": "30"}, heights={"center": "40"})

    assert (size.width.text(), size.height.text()) == ("30", "40")


def test_the_tapes_case_goes_on_the_readings_that_lack_it():
    widths = {"top": "32 1/8", "middle": "32", "bottom": "35 3/8"}
    case = {"length": "3 1/4", "fields": ["widths.top", "widths.middle"]}

    size = size_of("cellular", "inside", widths=widths, heights=HEIGHTS, tape_case=case)

    assert size.width.text() == "35 1/4"
    step = next(step for step in size.steps if step.what == "widths.middle")
    assert step.of == ("widths.middle", "tape_case.length")
    assert step.why == "32 read with the case standing in the opening, + case 3 1/4"


def test_a_reading_with_its_case_goes_down_to_the_mark_once_after_the_sum():
    case = {"length": "3 1/16", "fields": ["widths.top"]}

    size = size_of("roller", "inside", widths={"top": "32 1/16"}, heights=HEIGHTS, tape_case=case)

    assert size.width.text() == "35 1/8"  # not 35 1/16 down to 35


@pytest.mark.parametrize(("typed", "counts"), [("35 5/16", "35 1/4"), ("35 63/64", "35 7/8"), ("35.375", "35 3/8")])
def test_a_reading_between_two_marks_goes_down(typed, counts):
    assert size_of("roller", "inside", widths={"top": typed}, heights=HEIGHTS).width.text() == counts


def test_every_step_names_what_it_stands_on_and_sums_are_written_out():
    size = size_of("roller", "outside", cover={"left": "3", "right": "3", "top": "4", "bottom": "2"})

    last = [step for step in size.steps if step.what.startswith("order")]
    assert last[0].of == ("widest width", "cover left", "cover right", "cloth extra")
    assert last[0].why == "35 3/8 + 3 + 3 + 2"
    known = {step.what for step in size.steps}
    assert set(last[0].of) | set(last[1].of) <= known


@pytest.mark.parametrize(("again", "counts"), [("35 1/4", "35 1/4"), ("35 1/2", "35 3/8"), ("34", "34")])
def test_of_an_inside_width_read_twice_the_lower_counts_and_says_so(again, counts):
    """It is the most that goes in; the first counted, whatever the second said, and no step told of either."""
    widths = {"top": "35 3/8", "middle": "35 3/8", "bottom": "35 3/8"}
    document = {"id": "A", "family": "cellular", "mount": "inside", "widths": widths, "heights": HEIGHTS}

    size = order_size(Opening.from_json({**document, "again": {"widths.top": again}}, "in"))

    assert size.width.text() == counts
    told = [step.to_json("in") for step in size.steps if "again.widths.top" in step.of]
    assert [(one["value"], one["why"]) for one in told] == [
        (counts, f"read twice, 35 3/8 and {again}: the lower counts")
    ]


def test_an_opening_goes_to_json_and_back_unchanged():
    document = {
        "id": "A",
        "family": "sheer",
        "mount": "outside",
        "widths": {"top": "35 5/16"},
        "heights": {"left": "60"},
        "depth": "3",
        "diagonals": ["69", "69 1/8"],
        "tape_case": {"length": "3 1/4", "fields": ["widths.top"]},
        "cover": {"left": "2"},
        "cloth_extra": "1",
        "again": {"widths.top": "35 1/4"},
        "obstructions": [{"kind": "crank", "projection": "1 1/2", "at": "path"}],
        "stops_on": {"bottom": {"on": "sill", "limit": "1"}},
        "room": "kitchen",
    }

    assert Opening.from_json(document, "in").to_json() == document


INSIDE = {"id": "A", "family": "cellular", "mount": "inside", "widths": WIDTHS, "heights": HEIGHTS}


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"family": "shutter"}, "family"),  # a family nobody measures
        ({"mount": "ceiling"}, "mount"),
        ({"widths": {**WIDTHS, "top": "abc"}}, "widths.top"),  # letters
        ({"widths": {**WIDTHS, "top": "-3"}}, "widths.top"),  # negative
        ({"widths": {**WIDTHS, "top": "0"}}, "widths.top"),
        ({"widths": {**WIDTHS, "top": "1/16"}}, "widths.top"),  # goes down to nothing
        ({"widths": {**WIDTHS, "top": "1000"}}, "widths.top"),
        ({"widths": {**WIDTHS, "top": "35 3/7"}}, "widths.top"),
        ({"widths": {**WIDTHS, "top": "35 9/8"}}, "widths.top"),
        ({"widths": {**WIDTHS, "top": 35}}, "widths.top"),  # a JSON number
        ({"widths": {**WIDTHS, "top": ["35"]}}, "widths.top"),
        ({"widths": {**WIDTHS, "side": "35"}}, "widths.side"),
        ({"widths": "35"}, "widths"),
        ({"widths": {"top": "35"}}, "widths.middle"),  # cellular needs all three
        ({"heights": None}, "heights.left"),
        ({"diagonals": ["69"]}, "diagonals"),
        ({"diagonals": ["69", "x"]}, "diagonals[1]"),
        ({"tape_case": {"length": "0", "fields": []}}, "tape_case.length"),
        ({"tape_case": {"length": "30", "fields": []}}, "tape_case.length"),  # no tape's case
        ({"tape_case": {"length": "3", "fields": ["depth"]}}, "tape_case.fields[0]"),  # not read
        ({"cover": {"left": "2"}}, "cover"),  # inside
        ({"cloth_extra": "2"}, "cloth_extra"),
        ({"chosen": {"width": "3", "height": "4"}}, "chosen"),
        ({"colour": "white"}, "colour"),
    ],
)
def test_what_cannot_be_used_is_refused_naming_the_field(change, field):
    with pytest.raises(ContractError) as refused:
        Opening.from_json({**INSIDE, **change}, "in")

    assert refused.value.field == field
    assert refused.value.problem


BAY = {
    "wall": "40",
    "set_back": {"left": {"by": "1 7/16", "why": "135°"}, "right": {"by": "0", "why": "it runs past"}},
}


def test_a_unit_between_corners_is_ordered_at_its_wall_less_the_set_backs():
    """Corner angles were kept and counted for nothing: a bay was ordered by its openings and covers."""
    size = size_of("roller", "outside", widths={}, bay=BAY, cover={"left": "3", "top": "2"})

    assert size.width.text() == "38 9/16"
    assert [(step.what, step.ticks, step.why) for step in size.steps if "set-back" in step.what] == [
        ("set-back left", 1 * 8128 + 7 * 508, "kept short of the corner at the left: 135°"),
        ("set-back right", 0, "kept short of the corner at the right: it runs past"),
    ]
    assert not {"cover left", "cloth extra"} & {step.what for step in size.steps}


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"bay": {**BAY, "wall": "1 3/8"}}, "bay_full"),
        ({"bay": BAY, "chosen": {"width": "39", "height": "60"}}, "bay_over"),
        ({"bay": {**BAY, "meets": "Kitchen C"}}, "bay_meets"),
    ],
)
def test_what_does_not_fit_between_its_corners_stops(change, code):
    opening = opening_of("cellular", "outside", **change)

    stops = [one.code for one in all_findings(opening, order_size(opening)) if one.severity == "stop"]

    assert stops == [code]


def test_a_unit_narrower_than_the_opening_behind_it_is_checked():
    opening = opening_of("cellular", "outside", widths={"top": "39"}, bay=BAY)

    assert "bay_short" in {one.code for one in all_findings(opening, order_size(opening))}


def test_an_outside_mount_without_readings_or_a_chosen_size_is_refused():
    with pytest.raises(ContractError, match="widths: no reading"):
        size_of("roman", "outside", widths={}, heights={})


def test_places_are_asked_width_first_then_height():
    assert SPOTS[:6] == (
        "widths.top",
        "widths.middle",
        "widths.bottom",
        "heights.left",
        "heights.center",
        "heights.right",
    )
