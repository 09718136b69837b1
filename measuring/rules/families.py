"""
The table of measuring rules, one row per family and mount.

All figures live in ``measuring/static/measuring/rules-table.json``: integers in ticks,
read here once and by the page's script, so that the phone in a basement and the server
decide alike. They are common practice of the trade with no published source; a product's
own figures, where a firm keeps them, come first.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
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
SPOTS: Final = (*WIDTHS, *HEIGHTS, "depth", *DIAGONALS)
"""Where a tape is held, in the order it is held there: first width, then height."""

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


def rule_for(family: str, mount: str) -> Rule:
    """
    The row of the table for a family and mount.

    Examples
    --------
    >>> rule_for("roller", "inside").width, rule_for("cellular", "inside").width
    ('top', 'narrowest')
    >>> rule_for("slat", "outside").needs
    ()
    """
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
