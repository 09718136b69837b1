"""How full a day is: driving and visits against the hours its crews work."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from jobs.models import CalendarRules, Crew
from jobs.schedule.availability import crew_days
from jobs.schedule.day import DaySchedule, Key, Standing, crew_point, roads_between, standing_of, taking_time
from shared.formats.durations import minutes_text
from shared.models import Branch


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
    taken = timeline.drive + timeline.at_van + sum(stop.leave - stop.start - stop.lunch for stop in timeline.stops)
    worked = sum((end - begin).total_seconds() for begin, end in day.work.shifts)
    lunch = day.work.lunch.minutes if day.work.lunch is not None and day.work.works else 0
    return Fill(round(taken / 60), max(0, round(worked / 60) - lunch))


def fills(branch: Branch, crews: Sequence[Crew], days: Sequence[dt.date]) -> dict[dt.date, tuple[Fill, int]]:
    """
    How full each day is with how many visits, in about six queries however many days there are.

    Each day has roads of its own, since those between two days' visits are driven by nobody.
    """
    for crew in crews:
        crew.branch = branch
    rules = CalendarRules.of(branch)
    hours = crew_days(crews, days, rules)
    standing: dict[Key, list[Standing]] = defaultdict(list)
    for row in (
        taking_time().filter(crew__in=[crew.pk for crew in crews], day__in=days).select_related("job__site", "handover")
    ):
        standing[row.place()].append(standing_of(row))
    bases = [crew_point(crew, branch) for crew in crews]
    found = {}
    for day in days:
        visits = [one for crew in crews for one in standing[crew.pk, day]]
        roads = roads_between(branch, [*bases, *(one.point for one in visits)], rules)
        ones = [DaySchedule(crew, hours[crew.pk, day], roads, tuple(standing[crew.pk, day])) for crew in crews]
        found[day] = fill_of(ones), len(visits)
    return found
