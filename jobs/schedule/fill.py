"""How full a day is: driving and visits against the hours its crews work."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from jobs.schedule.day import DaySchedule
from shared.formats.durations import minutes_text


@dataclass(frozen=True, slots=True)
class Fill:
    """
    Minutes that are taken, driving among them, of the minutes worked, lunch left out.

    >>> Fill(270, 480).text, Fill(600, 480).text, Fill(60, 0).text, Fill().text
    ('56% full', '125% full', '1 h, nobody works', 'nobody works')
    """

    taken_min: int = 0
    open_min: int = 0

    def __add__(self, other: Fill) -> Fill:
        return Fill(self.taken_min + other.taken_min, self.open_min + other.open_min)

    @property
    def share(self) -> float:
        """Of the minutes worked, more than 1 where they do not suffice; 0 where nobody works."""
        return self.taken_min / self.open_min if self.open_min else 0.0

    @property
    def text(self) -> str:
        if self.open_min:
            return f"{round(100 * self.share)}% full"
        return f"{minutes_text(self.taken_min)}, nobody works" if self.taken_min else "nobody works"


def fill_of(days: Iterable[DaySchedule]) -> Fill:
    """How full these crews' days are together."""
    return sum(map(_fill, days), Fill())


def _fill(day: DaySchedule) -> Fill:
    timeline = day.timeline
    taken = timeline.drive + sum(stop.leave - stop.start for stop in timeline.stops)
    worked = sum((end - begin).total_seconds() for begin, end in day.work.shifts)
    lunch = day.work.lunch.minutes if day.work.lunch is not None and day.work.works else 0
    return Fill(round(taken / 60), max(0, round(worked / 60) - lunch))
