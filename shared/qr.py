"""QR codes as SVG, for screens and documents."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from typing import Final

import segno
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

QUIET: Final = 2
"""Modules of light about a code; the sheet or page about it is light as well."""
_PAD: Final = 4
_DARK: Final = re.compile("1+")


def qr_svg(text: str, *, title: str = "") -> SafeString:
    """
    A QR code (error correction M or better) as inline SVG without size: CSS gives it.

    `title` is what a screen reader says; the text itself by default.
    """
    rows = modules(text)
    size = len(rows) + 2 * QUIET
    return format_html(
        '<svg class="qr" viewBox="0 0 {} {}" role="img" xmlns="http://www.w3.org/2000/svg">'
        '<title>QR code: {}</title><path fill="#fff" d="M0 0h{}v{}h-{}z"/><path stroke="#000" d="{}"/></svg>',
        size,
        size,
        title or text,
        size,
        size,
        size,
        mark_safe(_strokes(rows)),  # numbers of ours, no text in it
    )


def _strokes(rows: Sequence[str]) -> str:
    """A stroke a run of dark modules, each from where it begins."""
    return "".join(
        f"M{run.start() + QUIET} {at + QUIET}.5h{run.end() - run.start()}"
        for at, row in enumerate(rows)
        for run in _DARK.finditer(row)
    )


def modules(text: str) -> list[str]:
    """
    The rows of a code from the top, 1 for dark, under the mask whose penalty is least.

    The encoder tries the eight masks module by module, which took four fifths of a code's time; a sheet
    of labels has hundreds of codes. Here a code is one whole number and a mask what it changes of that.
    """
    code = segno.make(text, error="m", micro=False, mask=0)
    size = len(code.matrix)
    first = _whole(code.matrix)
    best = min((first ^ change for change in _changes(int(code.version), str(code.error))), key=_Penalty(size))
    wide = size + _PAD
    bits = f"{best >> (_PAD * wide):0{size * wide}b}"[::-1]
    return [bits[at * wide : at * wide + size] for at in range(size)]


@cache
def _changes(version: int, error: str) -> list[int]:
    """What each mask changes of a code under the first, its own number in the code included; the first nothing."""
    codes = [
        _whole(segno.make("1", version=version, error=error, boost_error=False, micro=False, mask=mask).matrix)
        for mask in range(8)
    ]
    return [codes[0] ^ code for code in codes]


def _whole(matrix: Sequence[Sequence[int]]) -> int:
    """A code as one number: bit after bit along its rows, with light about it that no row runs into the next."""
    gap = "0" * _PAD
    rows = "".join("".join("01"[module] for module in row) + gap for row in matrix)
    return int(rows[::-1], 2) << (_PAD * (len(matrix) + _PAD))


class _Penalty:
    """What ISO/IEC 18004, 7.8.3.1 counts against a code of so many modules a side."""

    def __init__(self, size: int) -> None:
        self.size, self.wide = size, size + _PAD
        self.all = (1 << (self.wide * (size + 2 * _PAD))) - 1
        self.inside = _whole([[1] * size] * size)

    def __call__(self, dark: int) -> int:
        light = self.inside ^ dark
        both = [(colour, step) for colour in (dark, light) for step in (1, self.wide)]
        return (
            sum(self._runs(colour, step) for colour, step in both)
            + 3 * (self._blocks(dark) + self._blocks(light))
            + 40 * sum(self._finders(dark, step) for step in (1, self.wide))
            + 10 * int(abs(dark.bit_count() * 100 / self.size**2 - 50) / 5)
        )

    def _runs(self, colour: int, step: int) -> int:
        """Runs of five and more along a row or column: 3 each, and 1 for each module beyond."""
        two = colour & colour >> step
        five = two & two >> 2 * step & colour >> 4 * step
        return five.bit_count() + 2 * (five & ~(five << step)).bit_count()

    def _blocks(self, colour: int) -> int:
        pairs = colour & colour >> 1
        return (pairs & pairs >> self.wide).bit_count()

    def _finders(self, dark: int, step: int) -> int:
        """What looks like a finder pattern beside four light modules."""
        light = self.all ^ dark
        found = dark & light >> step & dark >> 2 * step & dark >> 3 * step & dark >> 4 * step
        found &= light >> 5 * step & dark >> 6 * step
        two = light & light >> step
        four = two & two >> 2 * step
        return (found & (four << 4 * step | four >> 7 * step)).bit_count()
