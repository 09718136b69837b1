"""
How far out a lawful tape may read, and what that means for a measured result.

The figures stand with their source in ``fabrication/data/tapes.json``, read once. The US table
is known second-hand only: it may make somebody look again, never refuse a unit by itself.
"""

from __future__ import annotations

import json
from functools import cache
from math import ceil
from pathlib import Path
from typing import Any, Final

from shared.lengths import TICKS_PER_MM, Length
from shared.records import read_length

_TABLE: Final = Path(__file__).resolve().parent.parent / "data" / "tapes.json"


@cache
def _tapes() -> dict[str, Any]:
    tapes: dict[str, Any] = json.loads(_TABLE.read_text(encoding="utf-8"))
    return tapes


def tape_kinds() -> tuple[str, ...]:
    """What `tape_error` knows: ``metal, US``, ``class I``, ``class II``, ``class III``."""
    return tuple(_tapes())


def tape_error(length: Length, kind: str, *, from_hook: bool = True) -> Length:
    """
    The largest error, plus or minus, that a lawful tape may have over a length.

    Parameters
    ----------
    length
        What is measured, from the tape's zero.
    kind
        See `tape_kinds`. A class has a + b × L millimetres with L the length up to the next whole
        metre, and c more where the measurement starts at the hook or the butt end.
    from_hook
        Whether it does.

    Raises
    ------
    ValueError
        For an unknown kind, or a length beyond the table.

    References
    ----------
    .. [1] Directive 2014/32/EU, Annex X (MI-008), chapter I.
    .. [2] NIST Handbook 44, section 5.52, table 2 (second-hand).

    Examples
    --------
    >>> str(tape_error(Length.inches(60), "metal, US"))
    '1/32 in'
    >>> tape_error(Length.mm(3200), "class II").as_mm()
    1.3
    """
    tape = _tapes().get(kind)
    if tape is None:
        raise ValueError(f"{kind!r} is not known; known are {', '.join(tape_kinds())}")
    if "bands" not in tape:
        metres = ceil(length.ticks / (1000 * TICKS_PER_MM))
        tenths = _tenths(tape["a"]) + _tenths(tape["b"]) * metres + (_tenths(tape["c"]) if from_hook else 0)
        return Length(tenths * TICKS_PER_MM // 10)
    for band in tape["bands"]:
        if length <= read_length(band["most"]):
            return read_length(band["error"])
    raise ValueError(f"{length} is beyond the table, which ends at {tape['bands'][-1]['most']} in")


def _tenths(millimetres: str) -> int:
    whole, _, tenth = millimetres.partition(".")
    return int(whole) * 10 + int(tenth or 0)
