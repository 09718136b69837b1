"""Drawings: exact places, figures a listener hears, nothing a strict policy refuses."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
import segno
from segno.encoder import mask_scores

from shared.drawings import Svg, hatch_lines
from shared.lengths import Length
from shared.qr import modules, qr_svg

WIDTH = Length.parse("35 3/8")
SPACE = "{http://www.w3.org/2000/svg}"


def drawn(svg: Svg) -> ElementTree.Element:
    """The drawing as a parser reads it, which also says that it is well formed."""
    return ElementTree.fromstring(svg.render())


def test_a_drawing_has_a_title_and_says_what_it_shows() -> None:
    root = drawn(Svg(100, 50, title="Bar 1 <A>", desc="2 pieces & an offcut"))

    assert root.find(f"{SPACE}title").text == "Bar 1 <A>"
    assert root.get("aria-label") == "Bar 1 <A>. 2 pieces & an offcut"
    assert root.get("role") == "img"
    assert root.get("viewBox") == "0 0 100 50"


def test_words_are_escaped() -> None:
    svg = Svg(10, 10, title="t")
    svg.text(0, 0, '<script>"&')

    assert "<script>" not in svg.render()
    assert "".join(drawn(svg).find(f"{SPACE}text").itertext()) == '<script>"&'


def test_no_drawing_carries_a_style() -> None:
    svg = Svg(300, 300, title="t")
    svg.dimension(10, 10, 200, 10, WIDTH, offset=20)
    svg.hatch(0, 0, 30, 20)
    svg.tick(5, 5, 45)

    assert "style=" not in svg.render()


def test_a_minus_before_a_fraction_is_a_word_of_its_length_and_no_hyphen() -> None:
    svg = Svg(300, 300, title="t")
    svg.length(100, 100, -Length.parse("3/8"))

    assert [text.text for text in drawn(svg).iter(f"{SPACE}text")] == ["\u22123/8"]


def test_a_length_reads_as_it_is_written() -> None:
    svg = Svg(300, 300, title="t")
    svg.length(100, 100, WIDTH)

    assert [text.text for text in drawn(svg).iter(f"{SPACE}text")] == ["35", "3", "8"]


@pytest.mark.parametrize(
    ("ends", "turn"),
    [
        ((0, 0, 200, 0), 0),  # to the right
        ((200, 0, 0, 0), 0),  # to the left: figures still stand upright
        ((0, 200, 0, 0), -90),  # up: read from the right of the sheet
        ((0, 0, 0, 200), -90),  # down: the same
    ],
)
def test_figures_read_from_below_or_from_the_right(ends: tuple[int, ...], turn: int) -> None:
    svg = Svg(300, 300, title="t")
    svg.dimension(*ends, WIDTH)

    turns = re.findall(r"rotate\((-?\d+)", svg.render())
    assert turns == ([] if turn == 0 else [str(turn)])


def test_a_dimension_stands_off_to_the_left_of_its_direction() -> None:
    """From left to right, with y downwards, the left hand is above: smaller y."""
    svg = Svg(300, 300, title="t")
    svg.dimension(0, 100, 200, 100, "W", offset=20)

    text = drawn(svg).find(f"{SPACE}text")
    assert text is not None
    assert float(text.get("y", "")) == pytest.approx(80 + 11 * 0.36, abs=0.01)


def test_hatching_stays_inside_its_rectangle() -> None:
    for x1, y1, x2, y2 in hatch_lines(10, 20, 33, 17, 5):
        for x, y in ((x1, y1), (x2, y2)):
            assert 10 <= x <= 43
            assert 20 <= y <= 37


@pytest.mark.parametrize("text", ["http://localhost/c/234567S/", "https://blinds.example/jobs/1042?of=" + "long" * 20])
def test_a_qr_code_is_its_text_under_the_mask_that_costs_least(text: str) -> None:
    """Against the encoder's own account of the eight masks, which counts a few overlapping finders once only."""
    rows = modules(text)

    codes = [segno.make(text, error="m", micro=False, mask=mask).matrix for mask in range(8)]
    costs = [sum(mask_scores(code, len(code), len(code))) for code in codes]
    ours = [bytearray(map(int, row)) for row in rows]
    assert list(ours) in [list(code) for code in codes]
    assert sum(mask_scores(ours, len(ours), len(ours))) == min(costs)


def test_a_qr_code_says_its_text_and_escapes_it() -> None:
    svg = qr_svg('http://x/?a=1&b="2"')

    root = ElementTree.fromstring(svg)
    assert root.find(f"{SPACE}title").text == 'QR code: http://x/?a=1&b="2"'
    assert 'width="' not in svg[: svg.index(">")]
