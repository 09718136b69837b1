"""When a supplier's goods come: working days from the order, its last hour and its shutdowns counted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

LONGEST: Final = 730
"""Calendar days that are looked ahead."""
BEGIN_H, END_H = 8, 17
"""The hours in which something is ordered; common practice, no published source."""
Span = tuple[dt.date, dt.date]


def arrival(day: dt.date, count: int, is_worked: Callable[[dt.date], bool], closed: Sequence[Span] = ()) -> dt.date:
    """
    The day `count` working days after `day`, those left out on which the supplier is closed.

    Parameters
    ----------
    closed
        First and last day of each of its shutdowns.

    Examples
    --------
    >>> friday = dt.date(2026, 12, 18)
    >>> def is_worked(day):
    ...     return day.weekday() < 5
    >>> weeks = [(dt.date(2026, 12, 21), dt.date(2027, 1, 1))]
    >>> str(arrival(friday, 2, is_worked)), str(arrival(friday, 2, is_worked, weeks))
    ('2026-12-22', '2027-01-05')
    """
    for _ in range(LONGEST):
        if count <= 0:
            break
        day += dt.timedelta(days=1)
        if is_worked(day) and not any(begin <= day <= end for begin, end in closed):
            count -= 1
    return day


def missed(last: dt.time | None) -> float:
    """
    The share of the hours in which something is ordered that is after the supplier's last one.

    >>> missed(None), missed(dt.time(12, 30)), missed(dt.time(18))
    (0.0, 0.5, 0.0)
    """
    if last is None:
        return 0.0
    return min(1.0, max(0.0, (END_H - last.hour - last.minute / 60) / (END_H - BEGIN_H)))


ONE_OF: Final = {"bar": "bar", "strip": "strip", "cloth": "roll", "cord": "reel", "piece": "piece", "set": "set"}
"""What one of each kind of material is called when it is bought."""


def ordered_as(quantity: int, pack: int, kind: str) -> str:
    """
    A quantity in the unit and the packs a supplier sells.

    Examples
    --------
    >>> ordered_as(24, 12, "piece"), ordered_as(1, 1, "cloth"), ordered_as(6, 1, "bar"), ordered_as(7, 6, "bar")
    ('2 packs of 12 pieces', '1 roll', '6 bars', '7 bars')
    """
    one = ONE_OF.get(kind, "piece")
    if pack > 1 and quantity % pack == 0:
        packs = quantity // pack
        return f"{packs} pack{'' if packs == 1 else 's'} of {pack} {one}s"
    return f"{quantity} {one}{'' if quantity == 1 else 's'}"


def off_pack(quantity: int, pack: int) -> str:
    """
    Why so many can't be bought in whole packs; empty where they can.

    >>> off_pack(30, 12), off_pack(5, 12), off_pack(24, 12)
    ('it is sold in packs of 12: order 24 or 36', 'it is sold in packs of 12: order 12', '')
    """
    if quantity % pack == 0:
        return ""
    low = quantity // pack * pack
    return f"it is sold in packs of {pack}: order {f'{low} or ' if low else ''}{low + pack}"


@dataclass(frozen=True, slots=True)
class Want:
    """So much (pieces, or ticks of length) that something needs by a day."""

    key: int
    due: dt.date | None
    amount: int


@dataclass(frozen=True, slots=True)
class Coming:
    """So much that is ordered, and the day it is expected."""

    key: int
    on: dt.date | None
    amount: int


def who_waits(wants: Sequence[Want], there: int, coming: Sequence[Coming]) -> Iterator[tuple[int, int | None]]:
    """
    Who waits for which delivery: what is there goes to whoever is due first, then what comes first.

    Parameters
    ----------
    there
        What is free now, in the unit of the amounts, >= 0.

    Yields
    ------
    tuple
        The key of a want that is not met by what is there, and of the last delivery it needs; None where all
        that is ordered is not enough.

    Examples
    --------
    >>> one, two = dt.date(2026, 12, 1), dt.date(2026, 12, 8)
    >>> wants = [Want(1, two, 5), Want(2, one, 4), Want(3, None, 9)]
    >>> list(who_waits(wants, 6, [Coming(7, one, 4)]))
    [(1, 7), (3, None)]
    """
    last = dt.date.max
    deliveries = sorted(coming, key=lambda one: (one.on or last, one.key))
    reached: list[tuple[int, int | None]] = [(there, 0)]
    for one in deliveries:
        reached.append((reached[-1][0] + one.amount, one.key))
    used = 0
    for want in sorted(wants, key=lambda one: (one.due or last, one.key)):
        used += want.amount
        step = next((number for number, (until, _) in enumerate(reached) if used <= until), None)
        if step != 0:
            yield want.key, None if step is None else reached[step][1]
