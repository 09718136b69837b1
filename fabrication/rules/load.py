"""
Whether a work place keeps its due dates: work in order of due date against its hours.

One machine with all work at hand is late somewhere exactly when, worked in order of due date
(earliest first), the work due up to some day exceeds the hours up to that day.

References
----------
.. [1] J. R. Jackson (1955). Scheduling a production line to minimize maximum tardiness.
       Research Report 43, University of California, Los Angeles (from memory, not seen).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

LOOK_AHEAD_DAYS = 90


@dataclass(frozen=True, slots=True)
class DayLoad:
    """Work due on one day, all work due up to it, and the minutes there are up to it."""

    day: dt.date
    due_min: int
    so_far_min: int
    there_min: int

    @property
    def late_min(self) -> int:
        """Minutes that can't be done by this day; 0 where all can."""
        return max(0, self.so_far_min - self.there_min)


def day_loads(
    work: Sequence[tuple[dt.date, int]], *, today: dt.date, day_min: int, is_worked: Callable[[dt.date], bool]
) -> list[DayLoad]:
    """
    The load of one work place, a row for each day on which something is due.

    Parameters
    ----------
    work
        Pairs of the day something is due and its minutes; what was due before today counts today.
    day_min
        Minutes the place works on a working day, >= 0.
    is_worked
        Whether a day is a working day.

    Examples
    --------
    >>> monday = dt.date(2026, 11, 23)
    >>> work = [(monday, 300), (monday + dt.timedelta(days=1), 900)]
    >>> [row.late_min for row in day_loads(work, today=monday, day_min=480, is_worked=lambda day: True)]
    [0, 240]
    """
    if day_min < 0:
        raise ValueError(f"day_min is {day_min}; at least 0")
    by_day: dict[dt.date, int] = {}
    for day, minutes in work:
        at = max(day, today)
        by_day[at] = by_day.get(at, 0) + minutes
    rows, so_far, there, day = [], 0, 0, today
    for due in sorted(by_day):
        while day <= due and day <= today + dt.timedelta(days=LOOK_AHEAD_DAYS):
            there += day_min if is_worked(day) else 0
            day += dt.timedelta(days=1)
        so_far += by_day[due]
        rows.append(DayLoad(due, by_day[due], so_far, there))
    return rows
