"""
What the crews' taps teach: how long visits and drives take against what was planned.

The chances of promises use how times vary (`learned_variation`). No planned minutes are changed by themselves:
their figures stand beside the rules, and a person decides.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from jobs.models import Appointment, Crew, Purpose
from jobs.rules.durations import learn_factor
from jobs.rules.timeline import Pause, Timed
from jobs.rules.variation import LoggedDrive, LoggedVisit, Variation, learned
from jobs.schedule.availability import LunchTime
from jobs.schedule.chances import sigma_of
from jobs.schedule.day import DaySchedule, Standing, read_schedule, seconds
from shared.models import Branch

MOST: Final = 300
LEAST_MIN, MOST_MIN = 2, 12 * 60
"""Shorter or longer between two taps is a slip of the finger, not a visit."""
LEARNED_DAYS: Final = 60
"""Days with visits that are looked back on."""


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
        if row.on_the_way_at is None or row.arrived_at is None or not stop.driving or stop.at_van:
            continue
        spent = (row.arrived_at - row.on_the_way_at).total_seconds() / 60
        if LEAST_MIN <= spent <= MOST_MIN / 2:
            found.append((stop.drive / 60, spent))
    return found


def learned_variation(branch: Branch, before: dt.date) -> Variation:
    """How times vary about the plan, from the taps of the last days with visits before that day."""
    rows = Appointment.objects.filter(job__branch=branch, crew__isnull=False, day__lt=before)
    rows = rows.exclude(state__in=[Appointment.State.CANCELLED, Appointment.State.UNPLACED])
    last = rows.order_by("-day").values_list("day", flat=True).distinct()[:LEARNED_DAYS]
    crews, logged = list(Crew.objects.filter(branch=branch)), _Logged()
    for day in last:
        if day is not None:
            for one in read_schedule(branch, crews, [day]).days.values():
                logged.add(one)
    return logged.variation()


@dataclass(slots=True)
class _Logged:
    """The logged times of many crew-days."""

    visits: list[LoggedVisit] = field(default_factory=list)
    drives: list[LoggedDrive] = field(default_factory=list)
    late: list[float] = field(default_factory=list)
    turns: list[float] = field(default_factory=list)
    taps: Counter[tuple[bool, bool, bool]] = field(default_factory=Counter)
    days: int = 0
    silent: int = 0

    def add(self, day: DaySchedule) -> None:
        """One crew's day that is over."""
        standing = [day.by_pk[stop.key] for stop in day.timeline.stops]
        taps = [
            (one.on_the_way_at is not None, one.arrived_at is not None, one.done_at is not None) for one in standing
        ]
        if not any(map(any, taps)):
            self.silent += bool(standing)
            return
        self.days += 1
        self.taps.update(taps)
        stops = day.timeline.stops
        self._add_departures(stops, standing, day.work.lunch)
        for one in standing:
            self._add_visit(one, day.pause)
        self.drives += [LoggedDrive(day.key, estimate * 60, spent * 60) for estimate, spent in _drives(day)]

    def _add_departures(self, stops: Sequence[Timed], standing: Sequence[Standing], lunch: LunchTime | None) -> None:
        """How late the crew left its base; how soon after a visit it was on the road, unless it was early or ate."""
        left = [None if one.on_the_way_at is None else seconds(one.on_the_way_at) for one in standing]
        if left[0] is not None:
            late = left[0] - (stops[0].start - stops[0].drive)
            if abs(late) <= MOST_MIN * 30:
                self.late.append(late)
        for before, when, stop in zip(standing, left[1:], stops[1:], strict=False):
            if when is None or before.done_at is None or when < stop.start - stop.drive:
                continue
            turn = when - seconds(before.done_at)
            may_have_eaten = lunch is not None and before.done_at >= lunch.earliest and turn >= lunch.minutes * 30
            if turn >= 0 and not may_have_eaten:
                self.turns.append(turn)

    def _add_visit(self, one: Standing, pause: Pause | None) -> None:
        if one.arrived_at is None or one.done_at is None or not one.minutes:
            return
        if not LEAST_MIN * 60 <= (one.done_at - one.arrived_at).total_seconds() <= MOST_MIN * 60:
            return
        there, done = seconds(one.arrived_at), seconds(one.done_at)
        done -= 0 if pause is None else pause.within(there, done - there)  # a long visit's lunch is not its work
        opens = None if one.promised_from is None else float(seconds(one.promised_from))
        self.visits.append(
            LoggedVisit(
                one.minutes * 60, sigma_of(one.minutes, one.safe_min), seconds(one.starts_at), opens,
                there, done,
            )
        )  # fmt: skip

    def variation(self) -> Variation:
        """What all of it teaches."""
        silent = self.silent / max(1, self.silent + self.days)
        return learned(self.visits, self.drives, self.late, self.turns, self.taps, silent)
