"""
Derivations in the unit of the branch: to a sixteenth of an inch, or whole millimetres.

The rules write every length in a text exactly, as `str(Length)` does (``35 3/8 in``). Here such
lengths, and only those, are put into the unit and to the grid that people read; what was not on
that grid is marked "about". Names of items (``wood screw #8 × 1 1/2``) are left as they are.
"""

from __future__ import annotations

import dataclasses
import re
from fractions import Fraction
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, Final, TypeVar

from shared.lengths import MM, SIXTEENTH, TICKS_PER_INCH, Length, LengthUnit
from shared.records import Record

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

TEXTS: Final = frozenset({"why", "text", "load_why", "weight_why"})
"""Fields that hold a text with lengths in it."""

_EXACT: Final = re.compile(r"(?<![\d./])(?:(\d+) )?(\d+)(?:/(\d+))? in\b")

Some = TypeVar("Some", bound="DataclassInstance")


def in_unit(value: Some, unit: LengthUnit) -> Some:
    """
    The same object with every length in its texts as people of that unit read it.

    Examples
    --------
    >>> from installs.rules.findings import Finding
    >>> in_unit(Finding("x", "74 in is over the 48 in span"), LengthUnit.MM).text
    'about 1880 mm is over the about 1219 mm span'
    """
    changed = {}
    for name in _names(type(value)):
        before = getattr(value, name)
        after = _shown(before, unit, name in TEXTS)
        if after is not before:
            changed[name] = after
    return dataclasses.replace(value, **changed) if changed else value


@cache
def _names(kind: type[DataclassInstance]) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(kind))


@lru_cache(maxsize=8192)  # the units of a job say the same things
def readable(text: str, unit: LengthUnit) -> str:
    """
    Every exact length of a text, as it is read.

    Examples
    --------
    >>> readable("2 6837/8128 in wide, 1.50 in of thread, a 1/2 in block", LengthUnit.INCH)
    'about 2 13/16 in wide, 1.50 in of thread, a 1/2 in block'
    >>> readable("10 in", LengthUnit.MM)
    '254 mm'
    """
    return _EXACT.sub(lambda match: _one(match, unit), text)


def _one(match: re.Match[str], unit: LengthUnit) -> str:
    whole, top, bottom = match.groups()
    if whole is not None and bottom is None:  # two numbers beside each other are no mixed number
        return f"{whole} {_length(int(top), 1, unit)}"
    below = int(bottom or 1)
    return _length(int(top) + int(whole or 0) * below, below, unit)


def _length(top: int, bottom: int, unit: LengthUnit) -> str:
    ticks, rest = divmod(top * TICKS_PER_INCH, bottom)
    length = Length(round(Fraction(top * TICKS_PER_INCH, bottom)) if rest else ticks)
    grid, finest = (SIXTEENTH, TICKS_PER_INCH // 64) if unit == LengthUnit.INCH else (MM, MM.ticks)
    if length.ticks % finest == 0:
        return length.text(unit, symbol=True)
    return f"about {length.nearest(grid).text(unit, symbol=True)}"


def _shown(value: object, unit: LengthUnit, is_text: bool) -> Any:
    """The very same object where nothing in it changes."""
    if isinstance(value, str):
        if not is_text or " in" not in value:
            return value
        text = readable(value, unit)
        return value if text == value else text
    if isinstance(value, tuple):
        entries = tuple(_shown(entry, unit, is_text) for entry in value)
        return entries if any(new is not old for new, old in zip(entries, value, strict=True)) else value
    if isinstance(value, Record) and dataclasses.is_dataclass(value):
        return in_unit(value, unit)
    return value
