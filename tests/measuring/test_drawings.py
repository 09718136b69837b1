"""Drawings of openings and tapes: to scale, with every reading in words too."""

from __future__ import annotations

import re

import pytest

from measuring.drawings import Picture, Thing, opening_drawing, tape_drawing
from shared.lengths import Length, LengthUnit
from tests.measuring.makers import inch

WIDTHS = {"top": inch("36"), "middle": inch("35 3/4"), "bottom": inch("35 1/2")}
HEIGHTS = {"left": inch("60"), "center": inch("60"), "right": inch("60")}


def points(svg: str) -> list[tuple[float, float]]:
    """Corners of the frame's inner line."""
    found = re.search(r'<polygon class="ink"[^>]*points="([^"]+)"', svg)
    assert found is not None
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in found[1].split())]


def test_width_and_height_have_one_scale() -> None:
    corners = points(opening_drawing(Picture("A", LengthUnit.INCH, widths=WIDTHS, heights=HEIGHTS)).render())

    width = max(x for x, _ in corners) - min(x for x, _ in corners)
    height = max(y for _, y in corners) - min(y for _, y in corners)
    assert width / height == pytest.approx(36 / 60, abs=0.002)


def test_taper_is_drawn_as_it_is_and_ten_times_when_asked() -> None:
    picture = Picture("A", LengthUnit.INCH, widths=WIDTHS, heights=HEIGHTS)

    def taper(svg: str) -> float:
        corners = points(svg)
        top, bottom = corners[0][0], corners[2][0]
        return abs(bottom - top)

    true, larger = opening_drawing(picture).render(), opening_drawing(picture, exaggerate=True).render()

    assert taper(larger) == pytest.approx(10 * taper(true), abs=0.2)
    assert "taper drawn 10 times larger" in larger


def test_every_reading_is_said_in_words() -> None:
    picture = Picture(
        "Kitchen A",
        LengthUnit.INCH,
        widths=WIDTHS,
        depth=inch("3 1/2"),
        diagonals={"rising": inch("70")},
        things=[Thing("crank", inch("1 1/2"), "right")],
        covering=(inch("35 1/2"), inch("60")),
    )

    svg = opening_drawing(picture).render()

    assert "width middle 35 and 3 quarters inches" in svg
    assert "depth 3 and a half inches" in svg
    assert "crank standing out 1 and a half inches" in svg
    assert "covering 35 and a half inches wide, 60 inches high" in svg


def test_names_are_escaped() -> None:
    svg = opening_drawing(Picture("<b>", LengthUnit.INCH, things=[Thing("<i>", inch("1"))])).render()

    assert "<b>" not in svg
    assert "<i>" not in svg


def test_nothing_read_says_it_is_not_to_scale() -> None:
    assert "not to scale" in opening_drawing(Picture("A", LengthUnit.MM)).render()


def test_there_are_no_style_attributes_for_the_policy_to_refuse() -> None:
    assert "style=" not in opening_drawing(Picture("A", LengthUnit.INCH, widths=WIDTHS)).render()


@pytest.mark.parametrize(
    ("value", "unit", "numbers"),
    [
        (inch("35 3/8"), LengthUnit.INCH, {"34", "35", "36", "37"}),
        (inch("1/8"), LengthUnit.INCH, {"0", "1", "2"}),  # no marks before the tape begins
        (Length.mm(904), LengthUnit.MM, {"860", "870", "880", "890", "900", "910", "920", "930", "940"}),
    ],
)
def test_a_tape_shows_the_marks_round_the_entry(value: Length, unit: LengthUnit, numbers: set[str]) -> None:
    svg = tape_drawing(value, unit).render()
    tape = svg[: svg.index("polygon")]

    assert set(re.findall(r">(\d+)</text>", tape)) == numbers
    assert value.spoken(unit) in svg
