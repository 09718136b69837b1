"""
The table of measuring rules, one row per family and mount.

All figures live in ``measuring/static/measuring/rules-table.json``: integers in ticks,
read here once and by the page's script, so that the phone in a basement and the server
decide alike. They are common practice of the trade with no published source; a product's
own figures, where a firm keeps them, come first.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from shared.contracts import length_text
from shared.lengths import Length

TABLE_PATH: Final = Path(__file__).resolve().parent.parent / "static" / "measuring" / "rules-table.json"
TABLE: Final[Mapping[str, Any]] = json.loads(TABLE_PATH.read_text(encoding="utf-8"))


class Family(StrEnum):
    """A kind of covering; the rules of measuring differ by it."""

    ROLLER = "roller"
    SOLAR = "solar"
    SHEER = "sheer"
    VERTICAL = "vertical"
    SLAT = "slat"
    CELLULAR = "cellular"
    PLEATED = "pleated"
    ROMAN = "roman"


class Mount(StrEnum):
    """Inside the opening's frame, or on the wall around it."""

    INSIDE = "inside"
    OUTSIDE = "outside"


FAMILIES: Final = tuple(family.value for family in Family)
MOUNTS: Final = tuple(mount.value for mount in Mount)
WIDTHS: Final = tuple(f"widths.{spot}" for spot in TABLE["spots"]["widths"])
HEIGHTS: Final = tuple(f"heights.{spot}" for spot in TABLE["spots"]["heights"])
DIAGONALS: Final = tuple(f"diagonals.{spot}" for spot in TABLE["spots"]["diagonals"])
SHAPES: Final[Mapping[str, Mapping[str, Any]]] = TABLE["shapes"]
"""By code: what a shape of opening is called, and the spots it is read at."""

SHAPE_SPOTS: Final = tuple(TABLE["shape_spots"])
"""Spots of openings that are no rectangles."""

SPOTS: Final = (*WIDTHS, *HEIGHTS, "depth", *DIAGONALS, *SHAPE_SPOTS)
"""Where a tape is held, in the order it is held there: first width, then height."""

WALL: Final = TABLE["bays"]["wall"]
"""The spot at which a wall of a bay or corner is read."""

SIDES: Final = tuple(TABLE["cover"]["sides"])
LARGEST_READING: Final = Length(TABLE["largest_reading"])
LARGEST_CASE: Final = Length(TABLE["largest_case"])
GRID: Final[Mapping[str, int]] = TABLE["grid"]
"""Ticks of the mark a reading goes down to, by unit of the document."""


@dataclass(frozen=True, slots=True)
class Rule:
    """
    What one family asks of an opening at one mount.

    `needs` are the spots that must be read, `checks` those read beside them, `twice` those
    asked a second time when nothing else checks them. `width` says which width is the order
    width (``top``, ``narrowest`` or ``widest``), `height` likewise (``shortest`` or ``longest``),
    `cloth` which height cloth is cut for where that differs. `limits` holds the family's
    limits in ticks by name (``taper``, ``heights``, ``lean`` and so on).
    """

    family: str
    mount: str
    needs: tuple[str, ...]
    checks: tuple[str, ...]
    twice: tuple[str, ...]
    width: str
    height: str
    cloth: str | None
    limits: Mapping[str, Any]


def _rules() -> dict[tuple[str, str], Rule]:
    rules = {}
    for family in FAMILIES:
        row = TABLE["families"][family]
        for mount in MOUNTS:
            asked = row[mount]
            rules[family, mount] = Rule(
                family=family,
                mount=mount,
                needs=tuple(asked["needs"]),
                checks=tuple(asked["checks"]),
                twice=tuple(asked["twice"]),
                width=asked["width"],
                height=asked["height"],
                cloth=asked["cloth"],
                limits=row,
            )
    return rules


_RULES: Final = _rules()


def _shaped(rule: Rule, reads: Sequence[str]) -> Rule:
    """The rule of an opening that is no rectangle: its shape says what is read, and the least counts inside."""
    needs = tuple(spot for spot in reads if spot not in TABLE["size_needs_not"])
    checks = tuple(spot for spot in reads if spot not in needs)
    return replace(rule, needs=needs, checks=checks, twice=(), width="narrowest", height="shortest", cloth=None)


_SHAPED: Final = {
    (family, shape): _shaped(_RULES[family, Mount.INSIDE], row["reads"])
    for family in FAMILIES
    for shape, row in SHAPES.items()
    if row["reads"]
}


def rule_for(family: str, mount: str, shape: str = "rectangle") -> Rule:
    """
    The row of the table for a family and mount; inside, an opening that is no rectangle is read by its shape.

    Examples
    --------
    >>> rule_for("roller", "inside").width, rule_for("cellular", "inside").width
    ('top', 'narrowest')
    >>> rule_for("slat", "outside").needs
    ()
    """
    if mount == Mount.INSIDE and (family, shape) in _SHAPED:
        return _SHAPED[family, shape]
    return _RULES[family, mount]


@lru_cache(maxsize=65536)
def shown(ticks: int, unit: str) -> str:
    """A length as a document shows it: ``35 3/8``, ``904``."""
    return length_text(Length(ticks), unit)


@lru_cache(maxsize=65536)
def named(ticks: int, unit: str) -> str:
    """A length with its unit, for sentences: ``35 3/8 in``."""
    text = length_text(Length(ticks), unit)
    return text if unit == "1" else f"{text} {unit}"


def about(ticks: int, unit: str) -> str:
    """A computed length with its unit, to the nearest 1/16 in or millimetre (midway goes up)."""
    grid = TABLE["about_grid"][unit]
    return named((2 * ticks + grid) // (2 * grid) * grid, unit)
