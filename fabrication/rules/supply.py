"""When a supplier's goods come: working days from the order, its last hour and its shutdowns counted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
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
