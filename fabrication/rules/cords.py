"""How far a loop or a pull may hang by a place's cord rules, and what of them could not be checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from measuring.rules.safety import CordKind, CordLimit, CordNote, Jurisdiction
from shared.lengths import ZERO, Length, LengthUnit

READ: Final = "read"
"""The status of a figure that was read at its source; any other may warn, never bind."""


@dataclass(frozen=True, slots=True)
class LoopRule:
    """The longest drop of a loop or pull below the head (None: no figure binds), by what, and what to warn of."""

    limit: Length | None = None
    rule: str = ""
    warning: str = ""


def loop_rule(
    place: Jurisdiction,
    *,
    has_device: bool,
    head_height: Length | None = None,
    sold_as: str = "custom",
    unit: LengthUnit = LengthUnit.INCH,
) -> LoopRule:
    """
    The strictest figure of a place that binds a loop, as a drop below the head.

    A loop of length L right round drops L / 2. A figure for the height of the loop's bottom over
    the floor needs `head_height`; a device that settles it takes it away. A figure that was not
    read at its source only warns.

    Parameters
    ----------
    place
        The cord rules; figures for other goods than `sold_as` are passed over.
    has_device
        Whether a tension device holds the loop taut.
    head_height
        Floor to the head; None where nobody measured it.

    Examples
    --------
    >>> from measuring.rules.safety import CordLimit, DeviceRule
    >>> loop = CordLimit("loop", Length.mm(440).ticks, "all", "read", "the regulation", "2021-05-01")
    >>> place = Jurisdiction("xx", "Somewhere", "2026-01-01", DeviceRule(False, "read", "it", ""), (loop,))
    >>> loop_rule(place, has_device=True).limit.as_mm()
    220.0
    """
    best, warnings = LoopRule(), []
    for row in place.limits:
        if row.applies not in ("all", sold_as) or (row.device_settles and has_device):
            continue
        if row.of == "low_loop" and head_height is None:
            warnings.append(
                f"{_source(row, place)}: the loop's bottom must stay {Length(row.ticks).text(unit, symbol=True)} "
                "over the floor; measure floor to head"
            )
            continue
        drop = _drop(row, head_height)
        if drop is None:
            continue
        if row.status != READ:
            warnings.append(
                f"{_source(row, place)}, not read at its source: a loop of at most "
                f"{drop.text(unit, symbol=True)} below the head"
            )
        elif best.limit is None or drop < best.limit:
            best = LoopRule(drop, _source(row, place))
    return LoopRule(best.limit, best.rule, "; ".join(warnings))


def pull_rule(place: Jurisdiction, *, sold_as: str = "custom", unit: LengthUnit = LengthUnit.INCH) -> LoopRule:
    """
    The strictest figure of a place that binds a pull, which hangs free; see `loop_rule`.

    Examples
    --------
    >>> from measuring.rules.safety import CordLimit, DeviceRule
    >>> pull = CordLimit("free_end", Length.mm(220).ticks, "all", "read", "the regulation", "2021-05-01")
    >>> place = Jurisdiction("xx", "Somewhere", "2026-01-01", DeviceRule(False, "read", "it", ""), (pull,))
    >>> pull_rule(place).limit.as_mm()
    220.0
    """
    free = [row for row in place.limits if row.of in ("free_end", "cord") and row.applies in ("all", sold_as)]
    read = [row for row in free if row.status == READ]
    warnings = [
        f"{_source(row, place)}, not read at its source: a pull of at most {Length(row.ticks).text(unit, symbol=True)}"
        for row in free
        if row.status != READ
    ]
    kinds = [kind for kind in place.kinds if kind.cord == "free" and kind.applies in ("all", sold_as)]
    notes = [note for note in place.notes if note.applies in ("all", sold_as) and note.cord in ("", "free")]
    said: list[CordKind | CordNote] = [*kinds, *notes]
    warnings += [f"{place.name}: {row.text} ({row.source}, {row.date})" for row in said]
    strictest = min(read, key=lambda row: row.ticks, default=None)
    if strictest is None:
        return LoopRule(warning="; ".join(warnings))
    return LoopRule(Length(strictest.ticks), _source(strictest, place), "; ".join(warnings))


def _drop(row: CordLimit, head_height: Length | None) -> Length | None:
    if row.of in ("loop", "cord"):
        return Length(row.ticks // 2)
    if row.of == "low_loop" and head_height is not None:
        reach = head_height - Length(row.ticks)
        floor = Length(row.size // 2)  # a loop smaller than this may hang anywhere
        return max(reach, floor, ZERO)
    return None


def _source(row: CordLimit, place: Jurisdiction) -> str:
    return f"the cord rule of {place.name} ({row.source}, {row.date})"
