"""
Which stops of a route packet begin a page of their own.

Heights are worked out from how much there is to say, in millimetres, near enough to tell a page that is half full
from one that is not; the layout itself never overlaps, whatever they are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Final

PAGE_MM: Final = 245.0
"""What a sheet of letter paper holds between its head and its foot; A4 a little more."""
SHARES: Final = (0.86, 0.93, 1.0, 1.07)
"""Of what is worked out, what it may come to: a line more or fewer, and a block that just fits or just does not."""
FULL_ENOUGH: Final = 0.55
"""A page that is less full than this takes the next stop on: over half, so that little paper is wasted."""
NEARLY_FULL: Final = 0.88
"""Beyond it the next stop's head finds no room and begins a page by itself; or what is too much ends above it there."""
HEAD_MM, OPENING_MM, ROW_MM, SIGN_MM = 45.0, 51.0, 9.0, 30.0
"""Heights of a stop's head without cautions, of an opening's drawing, of a row of hardware, of the sign-off."""
CAUTION_CHARS, OPTION_CHARS, LARGE_CHARS, ITEM_CHARS, WHERE_CHARS = 105, 88, 58, 44, 26
"""Characters in a line of a caution, of options, of what is printed large, of an item and of an address."""


@dataclass(frozen=True, slots=True)
class UnitText:
    """What is printed of one unit: its options, what is printed large and small, whether its head is drawn."""

    options: int
    large: Sequence[int]
    small: Sequence[int]
    cautions: Sequence[int] = ()
    has_head: bool = True


def lines(chars: int, width: int) -> int:
    """Lines that so many characters take; none for nothing."""
    return ceil(chars / width)


def caution_mm(chars: Iterable[int]) -> float:
    """Height of cautions by their lengths."""
    return sum(3.4 + 4.3 * lines(one, CAUTION_CHARS) for one in chars)


def unit_mm(unit: UnitText) -> float:
    """Height of one unit beside its opening, which is drawn 49 mm high."""
    large = sum(lines(one, LARGE_CHARS) for one in unit.large)
    small = lines(unit.options, OPTION_CHARS) + sum(lines(one, OPTION_CHARS) for one in unit.small)
    return 19 + 5.4 * large + 4.6 * small + caution_mm(unit.cautions) + (16 if unit.has_head else 0)


def hardware_mm(items: Sequence[int]) -> float:
    """Height of hardware in two columns, by the lengths of what is said of each item."""
    return sum(2.6 + 4.5 * lines(one, ITEM_CHARS) for one in items) / 2 + (12 if items else 0)


def stop_blocks(
    cautions: Iterable[int], openings: Iterable[Sequence[UnitText]], items: Sequence[int], remotes: int
) -> list[float]:
    """Heights of what a stop is laid out in, none of it parted: head, openings, rows of hardware, foot."""
    drawn = [max(OPENING_MM, sum(unit_mm(one) for one in units)) + 1.5 for units in openings]
    head = HEAD_MM + caution_mm(cautions)
    rest = [ROW_MM] * round((hardware_mm(items) + (8 + 5.5 * remotes if remotes else 0)) / ROW_MM)
    return [head, *drawn, *rest, SIGN_MM]


def placed(at: float, blocks: Iterable[float]) -> float:
    """Where a page ends that was `at` full and then took these: what finds no room goes on to the next."""
    for height in blocks:
        at = (at if at + height <= PAGE_MM else 0) + height
    return at % PAGE_MM


def own_pages(cover_mm: float, stops: Iterable[Sequence[float]]) -> list[bool]:
    """
    For each stop, by its blocks, whether it begins a page.

    It does where the page before it is full enough, were all a little shorter or taller than worked out; else it
    follows on, which never leaves a page empty.

    >>> own_pages(180, [[120, 50], [120, 30], [150]])
    [True, True, False]
    """
    ends, found = [cover_mm * share % PAGE_MM for share in SHARES], []
    for blocks in stops:
        is_own = all(FULL_ENOUGH <= at / PAGE_MM <= NEARLY_FULL for at in ends)
        found.append(is_own)
        ends = [
            placed(0 if is_own else at, [height * share for height in blocks])
            for at, share in zip(ends, SHARES, strict=True)
        ]
    return found


def cover_mm(
    addresses: Iterable[int], cautions: Iterable[int], items: Sequence[int], tools: int, changes: int, has_map: bool
) -> float:
    """Height of the cover."""
    tables = sum(max(12.5, 3 + 5.4 * lines(one, WHERE_CHARS)) for one in addresses) + 6.0 * changes
    rest = (8 + 6.5 * ceil(tools / 4) if tools else 0) + (105 if has_map else 0) + (10 if changes else 0)
    return 52 + tables + caution_mm(cautions) + hardware_mm(items) + rest
