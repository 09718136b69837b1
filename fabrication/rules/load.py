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
from collections.abc import Callable, Mapping, Sequence
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


@dataclass(frozen=True, slots=True)
class Work:
    """Something a place has to do: `as_if_due`, where it is worked before or after its own turn."""

    key: str
    due: dt.date
    minutes: int
    as_if_due: dt.date | None = None

    @property
    def turn(self) -> tuple[dt.date, str]:
        return self.as_if_due or self.due, self.key


@dataclass(frozen=True, slots=True)
class WorkedDay:
    """One working day of a place: minutes there are, and minutes worked of what waits."""

    day: dt.date
    there_min: int
    worked_min: int


@dataclass(frozen=True, slots=True)
class Worked:
    """What a place does on which day, and when each work is finished; None: not within `LOOK_AHEAD_DAYS`."""

    days: tuple[WorkedDay, ...]
    finished: Mapping[str, dt.date | None]

    def late(self, work: Sequence[Work]) -> list[Work]:
        """Of this work what is finished after its day, what is due first on top."""
        ends = self.finished
        found = [one for one in work if (end := ends[one.key]) is None or end > one.due]
        return sorted(found, key=lambda one: (one.due, one.key))


def worked_in_order(
    work: Sequence[Work], *, today: dt.date, day_min: int, is_worked: Callable[[dt.date], bool]
) -> Worked:
    """
    The days of a place that works one thing after the other, in order of due date.

    Parameters
    ----------
    work
        Each with a key of its own and minutes >= 0.
    day_min
        Minutes the place works on a working day, >= 0.

    Examples
    --------
    >>> monday = dt.date(2026, 11, 23)
    >>> work = [Work("a", monday, 300), Work("b", monday, 300), Work("c", monday + dt.timedelta(days=2), 100)]
    >>> done = worked_in_order(work, today=monday, day_min=480, is_worked=lambda day: True)
    >>> [day.worked_min for day in done.days], [one.key for one in done.late(work)]
    ([480, 220], ['b'])
    """
    if day_min < 0:
        raise ValueError(f"day_min is {day_min}; at least 0")
    days: list[WorkedDay] = []
    finished: dict[str, dt.date | None] = {}
    waiting = sorted(work, key=lambda one: one.turn)
    left = [one.minutes for one in waiting]
    at = 0
    for offset in range(LOOK_AHEAD_DAYS + 1):
        day = today + dt.timedelta(days=offset)
        if at == len(waiting):
            break
        if not is_worked(day):
            continue
        room = day_min
        while at < len(waiting) and (room or not left[at]):
            taken = min(room, left[at])
            room, left[at] = room - taken, left[at] - taken
            if not left[at]:
                finished[waiting[at].key] = day
                at += 1
        days.append(WorkedDay(day, day_min, day_min - room))
    return Worked(tuple(days), finished | {one.key: None for one in waiting[at:]})
