"""
Measuring rules against published values; each source stands beside its check.

Status: *read* at its source, *second-hand* through another page, *from memory*, or *arithmetic*
redone here. Only what was read may stop anything; a second-hand figure must only warn.
"""

import math

import pytest

from measuring.rules.answers import all_findings
from measuring.rules.families import TABLE
from measuring.rules.findings import lean_ticks
from measuring.rules.misreads import excess
from measuring.rules.opening import Opening
from measuring.rules.safety import Control, Site, cord_findings, safety_findings
from measuring.rules.sizing import order_size
from shared.lengths import TICKS_PER_INCH, Length, parse_length
from tests.measuring.starting import starting_jurisdictions

PLACES = starting_jurisdictions()
INSIDE = {"id": "A", "family": "cellular", "mount": "inside"}


def ticks(text: str) -> int:
    return parse_length(text).ticks


# -- tapes ----------------------------------------------------------------------------


def eu_tape_tolerance_um(length_mm: int, accuracy: str, from_hook: bool = False) -> int:
    """Directive 2014/32/EU Annex X ch. I, read: ±(a + b L) mm, L in metres rounded up, + c from the hook."""
    a, b, c = {"I": (100, 100, 100), "II": (300, 200, 200), "III": (600, 400, 300)}[accuracy]
    return a + b * math.ceil(length_mm / 1000) + (c if from_hook else 0)


@pytest.mark.parametrize("accuracy", ["I", "II"])
def test_two_honest_heights_never_look_like_a_head_out_of_level(accuracy):
    """A class I or II tape at 3 m is out by 1.2 mm at most: heights read with two of them tilt no head."""
    worst_mm = 2 * eu_tape_tolerance_um(3000, accuracy, from_hook=True) / 1000
    heights = {"left": "3000", "center": "3000", "right": f"{3000 + worst_mm:.1f}"}
    document = {**INSIDE, "family": "roller", "widths": dict.fromkeys(("top", "middle", "bottom"), "300")}
    opening = Opening.from_json({**document, "heights": heights}, "mm")

    assert "head_level" not in {one.code for one in all_findings(opening, order_size(opening))}


def test_the_limit_for_reading_again_is_the_critical_range_on_the_tapes_marks():
    """
    ISO 5725-6, f(2) = 2.8 (from memory, confirmed as 2.772): 2.8 / 32 in, up to the next 1/8 in mark.

    Of one tape laid twice the tape's own error is the same both times: one mark apart is honest, more is asked again.
    """
    critical = Length(2772 * TICKS_PER_INCH // 32_000)

    assert critical.up(Length(TABLE["grid"]["in"])).ticks == TABLE["grid"]["in"] == TABLE["again_apart"]


# -- rounding ---------------------------------------------------------------------------


@pytest.mark.parametrize(("read", "counts"), [("36 3/16", "36 1/8"), ("36 1/8", "36 1/8"), ("36 63/64", "36 7/8")])
def test_an_inside_width_is_a_maximum_and_goes_down(read, counts):
    """NIST SP 811 App. B.7.2 (from memory): a maximum is rounded inwards, that is down."""
    widths, heights = dict.fromkeys(("top", "middle", "bottom"), read), dict.fromkeys(("left", "center", "right"), "60")
    opening = Opening.from_json({**INSIDE, "widths": widths, "heights": heights}, "in")

    assert order_size(opening).width == parse_length(counts)


def test_what_must_be_cleared_is_a_minimum_and_goes_up():
    """NIST SP 811 App. B.7.2 (from memory): a minimum is rounded inwards, that is up."""
    crank = [{"kind": "crank", "projection": "1 1/16"}]
    widths, heights = dict.fromkeys(("top", "middle", "bottom"), "36"), dict.fromkeys(("left", "center", "right"), "60")
    document = {**INSIDE, "widths": widths, "heights": heights, "obstructions": crank}

    assert Opening.from_json(document, "in").obstructions[0].projection_ticks == ticks("1 1/8")


def test_inside_takes_the_smallest_and_outside_starts_from_the_largest():
    """General how-to pages, read, a weak source: 36 1/8, 36, 36 1/16 give 36 inside."""
    widths, heights = (
        {"top": "36 1/8", "middle": "36", "bottom": "36 1/16"},
        {"left": "60", "center": "60", "right": "60"},
    )
    inside = Opening.from_json({**INSIDE, "widths": widths, "heights": heights}, "in")
    outside = Opening.from_json({**INSIDE, "mount": "outside", "widths": widths, "heights": heights}, "in")

    assert order_size(inside).width.text() == "36"
    assert order_size(outside).width.text() == "36 1/8"


# -- squareness ----------------------------------------------------------------------------


def racked(width: float, height: float, lean: float) -> tuple[float, float]:
    """Pythagoras: both diagonals of a parallelogram leaning by `lean`."""
    return math.hypot(width + lean, height), math.hypot(width - lean, height)


@pytest.mark.parametrize(("width", "height", "lean"), [(36, 60, 0.25), (24, 96, -0.5), (90, 30, 1.0)])
def test_lean_comes_back_from_the_diagonals(width, height, lean):
    """d1² − d2² = 4 w s, Pythagoras: to a 1/64 in, the diagonals being read that fine."""
    rising, falling = (f"{round(d * 64) // 64} {round(d * 64) % 64}/64" for d in racked(width, height, lean))
    widths, heights = (
        dict.fromkeys(("top", "middle", "bottom"), str(width)),
        dict.fromkeys(("left", "center", "right"), str(height)),
    )
    document = {**INSIDE, "widths": widths, "heights": heights, "diagonals": [rising, falling]}
    found = lean_ticks(Opening.from_json(document, "in"))

    assert found == pytest.approx(lean * TICKS_PER_INCH, abs=TICKS_PER_INCH / 16)


def test_in_a_parallelogram_the_squared_diagonals_are_the_squared_sides():
    """The parallelogram law, arithmetic; of another quadrilateral Euler's term is left over, 4 m²."""
    rising, falling = racked(3000, 4000, 0)
    assert excess(3000, 3000, 4000, 4000, int(rising), int(falling)) == 0

    top, bottom, height = 3_000_000, 3_100_000, 4_000_000  # a symmetrical trapezium: m is half its taper
    leg, diagonal = round(math.hypot(50_000, height)), round(math.hypot(3_050_000, height))
    assert excess(top, bottom, leg, leg, diagonal, diagonal) == pytest.approx(-(100_000**2), rel=0.01)


# -- cords and children -----------------------------------------------------------------------


def cord(place: str, control: Control, sold_as: str = "custom", **site: int) -> list[tuple[str, str]]:
    found = cord_findings(control, PLACES[place], sold_as=sold_as, site=Site(**site))
    return [(one.code, one.severity) for one in found if one.code not in REMARKS]


REMARKS = ("cord_kind", "cord_held", "cord_note")
"""What is said beside the figures."""


def free(length: str) -> Control:
    return Control("cord", "cord", cord="free", free_end=ticks(length))


def loop(length: str, device: bool = False) -> Control:
    return Control("chain", "chain", cord="loop", loop=ticks(length), device=device)


def test_united_states_stock_cords_of_eight_inches_pass_and_no_longer():
    """16 CFR 1120.3(e), in force 2022-12-28, read: 8 in or less in any state."""
    assert cord("us", free("8"), "stock") == []
    assert cord("us", free("8 1/64"), "stock") == [("cord_limit", "stop")]


def test_united_states_custom_cords_have_no_federal_figure():
    """16 CFR part 1260 was vacated 2023-09-12 (D.C. Cir. No. 22-1300), read: the 8 in must not be applied."""
    assert cord("us", free("30")) == []
    notes = [one.text for one in cord_findings(free("30"), PLACES["us"]) if one.code == "cord_note"]
    assert len(notes) == 1
    assert "vacated" in notes[0]
    assert "D.C. Cir. No. 22-1300, 2023-09-12" in notes[0]


def test_united_states_custom_cords_are_held_against_the_voluntary_standard_and_warned_of_only():
    """ANSI/WCMA A100.1-2022, effective 2024-06-01 (second-hand; details from memory): no free cords, loops held."""
    said = {
        kind: [(one.code, one.severity) for one in cord_findings(control, PLACES["us"]) if one.code != "cord_note"]
        for kind, control in {"free": free("1"), "loose": loop("1"), "held": loop("60", device=True)}.items()
    }

    questioned = [("cord_kind", "check")]
    assert said == {"free": questioned, "loose": questioned, "held": [("cord_held", "note")]}


def test_canada_ends_of_22_cm_and_loops_of_44_cm_pass_and_no_longer():
    """SOR/2019-97, lengths from Health Canada's guidance, read; custom and stock alike."""
    for sold_as in ("custom", "stock"):
        assert cord("ca", free("22 cm"), sold_as) == []
        assert cord("ca", free("220.1 mm"), sold_as) == [("cord_limit", "stop")]
        assert cord("ca", loop("44 cm"), sold_as) == []
        assert cord("ca", loop("440.1 mm", device=True), sold_as) == [("cord_limit", "stop")]


def test_australia_loops_of_220_mm_may_not_form_below_1600_mm():
    """Safety Standard 2014 s. 6, in force 2015-01-01, read: 220 mm counts, exactly 1600 mm is allowed."""
    high, low = ticks("1600 mm"), ticks("1599.9 mm")

    assert cord("au", loop("220 mm"), cord_bottom_ticks=high) == []
    assert cord("au", loop("220 mm"), cord_bottom_ticks=low) == [("cord_limit", "stop")]
    assert cord("au", loop("219.9 mm"), cord_bottom_ticks=low) == []


def test_australia_a_guide_holds_a_low_loop_when_it_bears_70_newtons():
    """Same section, read: a guide may sit lower while it stays fixed under 70 N for 10 s."""
    found = list(cord_findings(loop("900 mm", device=True), PLACES["au"], site=Site(cord_bottom_ticks=ticks("1 m"))))

    assert [one.code for one in found if one.code != "cord_note"] == ["device_force"]
    assert all("70 N for 10 s" in one.text for one in found)


def test_australia_cleats_sit_at_1600_mm_or_higher():
    """Same section, read."""
    assert cord("au", free("1 m"), cleat_ticks=ticks("1600 mm")) == []
    assert cord("au", free("1 m"), cleat_ticks=ticks("1599.9 mm")) == [("cord_limit", "stop")]


def test_european_figures_are_second_hand_and_only_warn():
    """1500 mm and the 200 mm loop: a charity's sheet and a notice (EN 13120 was not read)."""
    high, low = ticks("1500 mm"), ticks("1499.9 mm")

    assert cord("eu", loop("1 m"), cord_bottom_ticks=high) == []
    assert cord("eu", loop("1 m"), cord_bottom_ticks=low) == [("cord_limit_warn", "check")]
    assert cord("eu", loop("200 mm"), cord_bottom_ticks=low) == []
    assert cord("eu", loop("200.1 mm"), cord_bottom_ticks=low) == [("cord_limit_warn", "check")]


def test_one_cord_gets_its_own_answer_in_each_place():
    """One product record, each jurisdiction: the same chain of 60 cm whose bottom hangs at 1550 mm."""
    site = {"cord_bottom_ticks": ticks("1550 mm")}

    answers = {place: cord(place, loop("60 cm"), "stock", **site) for place in PLACES}

    assert answers == {
        "us": [("cord_limit", "stop")],  # longer than 8 in
        "ca": [("cord_limit", "stop")],  # longer than 44 cm
        "au": [("cord_limit", "stop")],  # hangs below 1600 mm
        "eu": [],  # hangs above 1500 mm
        "gb": [],
        "ie": [("cord_limit_warn", "check")],  # hangs below 1600 mm, second-hand
    }
    sources = {
        one.text
        for place in ("us", "ca", "au")
        for one in cord_findings(loop("60 cm"), PLACES[place], sold_as="stock", site=Site(**site))
        if one.code == "cord_limit"
    }
    assert len(sources) == 3


@pytest.mark.parametrize("place", sorted(PLACES))
def test_only_what_was_read_at_its_source_can_stop(place):
    long_and_low = Site(cord_bottom_ticks=1, cleat_ticks=1)
    for control in (free("3 m"), loop("3 m")):
        for sold_as in ("stock", "custom"):
            for one in cord_findings(control, PLACES[place], sold_as=sold_as, site=long_and_low):
                if one.code in REMARKS:
                    assert one.severity != "stop"
                    continue
                read = [row for row in PLACES[place].limits if row.source in one.text and row.status == "read"]
                assert one.severity == ("stop" if read else "check")


def test_children_under_lead_paint_rules_start_before_1978():
    """40 CFR 745 (target housing is housing built before 1978), read."""
    warned = [[one.code for one in safety_findings(None, [], Site(built=year), None)] for year in (1977, 1978)]

    assert ["lead" in codes for codes in warned] == [True, False]
