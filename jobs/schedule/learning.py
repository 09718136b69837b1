"""
What the crews' taps teach: how long visits and drives take against what was planned.

Nothing is changed by itself: the figures stand beside the rules, and a person decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from jobs.models import Appointment, Crew, Purpose
from jobs.rules.durations import learn_factor
from jobs.schedule.day import DaySchedule, read_schedule
from shared.models import Branch

MOST: Final = 300
LEAST_MIN, MOST_MIN = 2, 12 * 60
"""Shorter or longer between two taps is a slip of the finger, not a visit."""


@dataclass(frozen=True, slots=True)
class Taught:
    """A factor on planned minutes, drawn towards 1 while there are few, and how many stand behind it."""

    what: str
    factor: float
    count: int


def visit_factors(branch: Branch) -> list[Taught]:
    """For each purpose: minutes from arrived to done over the planned ones."""
    rows = (
        Appointment.objects.filter(job__branch=branch, arrived_at__isnull=False, done_at__isnull=False)
        .order_by("-done_at")
        .values_list("purpose", "duration_min", "arrived_at", "done_at")[:MOST]
    )
    planned: dict[str, list[float]] = {}
    taken: dict[str, list[float]] = {}
    for purpose, minutes, arrived, done in rows:
        if arrived is None or done is None:
            continue
        spent = (done - arrived).total_seconds() / 60
        if LEAST_MIN <= spent <= MOST_MIN and minutes:
            planned.setdefault(purpose, []).append(float(minutes))
            taken.setdefault(purpose, []).append(spent)
    found = []
    for purpose, expected in sorted(planned.items()):
        learned = learn_factor(expected, taken[purpose])
        found.append(Taught(str(Purpose(purpose).label), learned.factor, learned.visits))
    return found


def drive_factor(branch: Branch, days: int = 10) -> Taught | None:
    """Minutes from "leaving now" to "arrived" over the estimate, for the last days with taps."""
    rows = Appointment.objects.filter(
        job__branch=branch, on_the_way_at__isnull=False, arrived_at__isnull=False, crew__isnull=False
    )
    last = [day for day in rows.order_by("-day").values_list("day", flat=True).distinct()[:days] if day is not None]
    if not last:
        return None
    crews = list(Crew.objects.filter(branch=branch))
    planned: list[float] = []
    taken: list[float] = []
    for one in read_schedule(branch, crews, last).days.values():
        for estimate, spent in _drives(one):
            planned.append(estimate)
            taken.append(spent)
    if not planned:
        return None
    learned = learn_factor(planned, taken)
    return Taught("drives", learned.factor, learned.visits)


def _drives(one: DaySchedule) -> list[tuple[float, float]]:
    """(estimated, logged) minutes of a day's drives that were tapped at both ends."""
    found = []
    for stop in one.timeline.stops:
        row = one.by_pk[stop.key]
        if row.on_the_way_at is None or row.arrived_at is None or not stop.drive:
            continue
        spent = (row.arrived_at - row.on_the_way_at).total_seconds() / 60
        if LEAST_MIN <= spent <= MOST_MIN / 2:
            found.append((stop.drive / 60, spent))
    return found
