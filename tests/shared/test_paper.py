"""Drawings set by ourselves look as WeasyPrint draws them, and what is not plain stays WeasyPrint's."""

from io import BytesIO
from typing import Any

import pydyf
import pypdfium2
import pytest
from PIL import Image, ImageChops
from pypdf import PdfReader

from shared import documents, paper
from shared.drawings import Svg
from shared.lengths import Length
from shared.qr import qr_svg


def with_every_mark() -> Svg:
    svg = Svg(200, 140, title="Every mark")
    svg.rect(2, 2, 60, 30, "fill-sheet")
    svg.circle(90, 17, 14, "chalk")
    svg.line(110, 5, 140, 30, "dashed")
    svg.polygon([(150, 5), (190, 5), (170, 30)], "stop")
    svg.polyline([(5, 45), (20, 60), (35, 45)], "ink")
    svg.path("M50 60v-20m-4 4l4 -4l4 4H70V60z", "thin")
    svg.hatch(80, 40, 50, 20)
    svg.dimension(10, 75, 120, 75, Length.parse("35 3/8"), offset=6)
    svg.dimension(150, 130, 150, 60, Length.parse("60 1/4"), size=12)
    svg.text(5, 100, "1024", anchor="start")  # figures: letters stand apart differently set one by one
    svg.text(120, 115, "88", anchor="end", look="chalk-word", size=14)
    svg.group("part")
    moved = Svg(10, 10, title="moved")
    moved.text(0, 0, "5")
    svg.raw(moved, 160, 50)
    svg.end_group()
    return svg


def fonts() -> Any:
    from weasyprint.text.fonts import FontConfiguration

    return FontConfiguration()


def sheet_of(drawing: object) -> bytes:
    html = f'<html lang="en"><title>x</title><style>svg, img {{ width: 120mm }}</style><p>{drawing}</p></html>'
    return documents._set(html, "letter")[0]


def pixels_of(pdf: bytes) -> Image.Image:
    return pypdfium2.PdfDocument(pdf)[0].render(scale=2).to_pil().convert("L")


@pytest.mark.parametrize("drawing", [with_every_mark(), qr_svg("http://localhost/c/234567S/")], ids=["marks", "qr"])
def test_a_drawing_looks_as_weasyprint_draws_it(drawing: object, monkeypatch: pytest.MonkeyPatch) -> None:
    assert paper.Drawn(str(drawing).encode(), fonts())
    ours = pixels_of(sheet_of(drawing))
    monkeypatch.setattr(documents, "_plain_drawings", lambda *_: {})
    theirs = pixels_of(sheet_of(drawing))

    off = ImageChops.difference(ours, theirs).histogram()
    assert sum(theirs.histogram()[:128]) > 2_000, "nothing was drawn"
    assert sum(off[160:]) < 10, f"not edges of letters only: {off}"


def test_words_of_a_drawing_are_set_in_one_go() -> None:
    """Each letter was laid out by itself, each word a form of its own."""
    svg = with_every_mark()
    svg.text(5, 120, "starts here & <there>", anchor="start")

    (page,) = PdfReader(BytesIO(sheet_of(svg))).pages

    assert "starts here & <there>" in page.extract_text()
    assert not page["/Resources"]["/XObject"]


@pytest.mark.parametrize(
    "mark",
    [
        '<path d="M0 0A5 5 0 0 1 9 9" fill="none" stroke="#000"/>',
        '<rect x="0" y="0" width="50%" height="9"/>',
        '<rect x="0" y="0" width="9" height="9" rx="2"/>',
        '<line x1="0" y1="0" x2="9" y2="9" stroke="red"/>',
        '<text x="1" y="9" font-size="9">two <tspan>parts</tspan></text>',
        '<text x="1" y="9" font-size="9" transform="rotate(90 5 5)">turned about another place</text>',
        '<g transform="scale(2)"/>',
        "<image/>",
    ],
)
def test_what_is_not_plain_is_left_to_weasyprint(mark: str) -> None:
    text = f'<svg class="d" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><title>d</title>{mark}</svg>'

    with pytest.raises(paper.NotPlain):
        paper.Drawn(text.encode(), fonts())
    assert documents._plain_drawings([text.encode()], fonts()) == {}


def test_each_pages_reference_is_as_pydyf_writes_it() -> None:
    pdf = pydyf.PDF()
    for _ in range(3):
        pdf.add_page(pydyf.Dictionary())
    kids = pdf.pages["Kids"]

    assert [paper.PageReferences(pdf)[page] for page in range(3)] == [f"{kid} 0 R".encode() for kid in kids[::3]]
