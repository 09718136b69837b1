"""The words of a PDF with the size they are printed at, for what a sheet promises."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from math import hypot
from typing import Any

from pypdf import PdfReader


@dataclass(frozen=True, slots=True)
class Words:
    """Words set in one go: how large in points, in bold or not, and whether inside a drawing."""

    text: str
    points: float
    is_bold: bool
    is_drawn: bool
    page: int
    height: float
    """Of their foot over the foot of the page, in points; of words outside drawings."""

    @property
    def is_size(self) -> bool:
        """A size or a code stands in bold on the workroom's sheets."""
        return self.is_bold and any(letter.isdigit() for letter in self.text) and not self.text.isdigit()


def words_of(pdf: bytes) -> list[Words]:
    """Every word of every page but the running ones of 1 pt; a drawing is tagged as a figure."""
    found: list[Words] = []
    for number, page in enumerate(PdfReader(BytesIO(pdf)).pages):
        reader = _Page(number, found)
        page.extract_text(
            visitor_text=reader.see, visitor_operand_before=reader.enter, visitor_operand_after=reader.leave
        )
    return found


class _Page:
    """What pypdf tells of one page."""

    def __init__(self, number: int, found: list[Words]) -> None:
        self.number, self.found, self.scales = number, found, [1.0]
        self.tags: list[str] = []

    def enter(self, operator: bytes, operands: Any, outer: list[float], inner: list[float]) -> None:
        if operator == b"Do":
            self.scales.append(self.scales[-1] * hypot(outer[0], outer[1]))
        elif operator in {b"BDC", b"BMC"}:
            self.tags.append(str(operands[0]))

    def leave(self, operator: bytes, _: Any, outer: list[float], inner: list[float]) -> None:
        if operator == b"Do":
            self.scales.pop()
        elif operator == b"EMC":
            self.tags.pop()

    def see(self, text: str, outer: list[float], inner: list[float], font: Any, size: float) -> None:
        points = size * hypot(inner[0], inner[1]) * hypot(outer[0], outer[1]) * self.scales[-1]
        if text.strip() and points > 1.01:
            name = str(font.get("/BaseFont", "")) if font else ""
            self.found.append(
                Words(text, points, "Bold" in name, "/Figure" in self.tags, self.number, inner[5] * outer[3] + outer[5])
            )
