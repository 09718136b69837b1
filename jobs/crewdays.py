"""
Crew-days ready to price one more visit, kept as long as they stand as they are.

A crew-day is worked out from plain values read in a few queries. The values are the key it
is kept under, so nothing has to be told that a day changed: a changed day has another key.
"""

from __future__ import annotations

import datetime as dt
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Any, Final, NamedTuple

from django.conf import settings

from jobs.dispatch import BEGUN, crew_point, taking_time
from jobs.models import CalendarRules, Crew, ImpossibleTime, PossibleWindow
from jobs.planning import driver_of, objective, possible_spans
from jobs.rules.routing import Inserter, Objective, Problem, Route, Stop
from jobs.rules.routing.timing import assemble, build_route
from jobs.schedule.availability import Span, WorkDay, crew_days, local
from jobs.schedule.travel import Point, road_model, travel_between
from shared.models import Branch

Seconds = Callable[[dt.datetime], int]
MOST_KEPT: Final = 3_000
"""Crew-days kept at once in a process, about 10 kB each."""


class Standing(NamedTuple):
    """One visit on a crew's day, as the database has it."""

    pk: int
    job: int
    crew: int
    day: dt.date
    starts_at: dt.datetime
    minutes: int
    safe_min: int | None
    promised_from: dt.datetime | None
    promised_until: dt.datetime | None
    state: str
    is_locked: bool
    latitude: float | None
    longitude: float | None
    hours_from: dt.time | None
    hours_until: dt.time | None


class Bounded(NamedTuple):
    """A visit with what bounds it: fixed where it stands, or the customer's own windows."""

    row: Standing
    is_fixed: bool
    possible: tuple[Span, ...]
    impossible: tuple[Span, ...]


FIELDS: Final = (
    "pk", "job", "crew", "day", "starts_at", "duration_min", "duration_safe_min", "promised_from", "promised_until",
    "state", "is_locked", "job__site__latitude", "job__site__longitude", "job__site__hours_from",
    "job__site__hours_until",
)  # fmt: skip
PK, JOB, CREW, DAY, STARTS_AT = range(5)
PROMISED_FROM, STATE, LOCKED = FIELDS.index("promised_from"), FIELDS.index("state"), FIELDS.index("is_locked")
Row = tuple[Any, ...]
"""A `Standing` as it comes: a plain tuple of plain values costs the collector of garbage nothing."""


@dataclass(frozen=True, slots=True)
class Day:
    """
    One crew's day: its problem for the planner, its routes, and what prices a visit on it.

    `points` are the places of its travel table, the base first. `rows` are its visits by
    key, `broken` the shifts that can't be driven as they stand; nothing is offered in those.
    """

    crew: int
    day: dt.date
    epoch: dt.datetime
    points: tuple[Point, ...]
    rows: dict[int, Standing]
    problem: Problem
    orders: dict[int, list[int]]
    routes: dict[int, Route]
    broken: frozenset[int]
    inserter: Inserter
    word: str = ""

    def seconds(self, when: dt.datetime) -> int:
        """An instant on this day's axis."""
        return int((when - self.epoch).total_seconds())

    def when(self, seconds: int) -> dt.datetime:
        """And back."""
        return self.epoch + dt.timedelta(seconds=seconds)


class _Kept:
    """The days worked out last."""

    def __init__(self, most: int) -> None:
        self.most, self.days, self.lock = most, OrderedDict[Hashable, Day](), Lock()

    def get(self, key: Hashable) -> Day | None:
        with self.lock:
            if key in self.days:
                self.days.move_to_end(key)
            return self.days.get(key)

    def put(self, key: Hashable, day: Day) -> Day:
        with self.lock:
            self.days[key] = day
            while len(self.days) > self.most:
                self.days.popitem(last=False)
        return day


_kept = _Kept(MOST_KEPT)


def read_days(
    branch: Branch, crews: Sequence[Crew], days: Sequence[dt.date], *, now: dt.datetime, without: int | None = None
) -> list[Day]:
    """
    The crew-days on which somebody works, in about ten queries however many there are.

    Crews that have no base, as long as their branch has no coordinates, are left out.

    Parameters
    ----------
    now
        Visits that were to begin before stay where they are.
    without
        Key of a visit to leave out, because it is the one to be placed.
    """
    for crew in crews:
        crew.branch = branch
    work = crew_days(crews, days)
    rows = _standing(crews, days, without)
    possible, impossible = _bounds(row for here in rows.values() for row in here)
    prices, model = objective(CalendarRules.of(branch)), road_model(branch)
    found = []
    for crew in crews:
        base = crew_point(crew, branch)
        if base is None:
            continue
        of_crew = (base, crew.overtime_min, frozenset(skill.key for skill in crew.skills.all()),
                   tuple(crew.purposes))  # fmt: skip
        for day in days:
            one = work[crew.pk, day]
            if not one.works:
                continue
            here = rows.get((crew.pk, day), ())
            visits = tuple(
                (
                    row,
                    row[LOCKED] or row[STATE] in BEGUN or row[STARTS_AT] < now,
                    tuple(possible.get(row[PK], ())),
                    tuple(impossible.get(row[JOB], ())),
                )
                for row in here
            )
            key = (settings.TRAVEL_URL, model, prices, of_crew, one, visits)
            kept = _kept.get(key)
            if kept is None:
                kept = _work_out(branch, crew, base, one, prices, [Bounded(Standing(*v[0]), *v[1:]) for v in visits])
                if not kept.word:  # times that stand in for a silent server are not kept
                    _kept.put(key, kept)
            found.append(kept)
    return found


def _standing(
    crews: Sequence[Crew], days: Sequence[dt.date], without: int | None
) -> dict[tuple[int, dt.date], list[Row]]:
    rows = taking_time().filter(crew__in=[crew.pk for crew in crews], day__range=(min(days), max(days)))
    found: dict[tuple[int, dt.date], list[Row]] = {}
    for row in rows.order_by("starts_at", "pk").values_list(*FIELDS):
        if row[PK] != without:
            found.setdefault((row[CREW], row[DAY]), []).append(row)
    return found


def _bounds(rows: Iterable[Row]) -> tuple[dict[int, list[Span]], dict[int, list[Span]]]:
    """Possible windows by visit and impossible times by job, of those whose promise does not bound them."""
    free = {row[PK]: row[JOB] for row in rows if row[PROMISED_FROM] is None}
    possible: dict[int, list[Span]] = {}
    impossible: dict[int, list[Span]] = {}
    if not free:
        return possible, impossible
    windows = PossibleWindow.objects.filter(appointment__in=free)
    for pk, begin, end in windows.values_list("appointment", "starts_at", "ends_at"):
        possible.setdefault(pk, []).append((begin, end))
    cant = ImpossibleTime.objects.filter(job__in=set(free.values()))
    for job, begin, end in cant.values_list("job", "starts_at", "ends_at"):
        impossible.setdefault(job, []).append((begin, end))
    return possible, impossible


def _work_out(
    branch: Branch, crew: Crew, base: Point, work: WorkDay, prices: Objective, visits: Sequence[Bounded]
) -> Day:
    epoch = local(branch.tz, work.day, dt.time(0))

    def seconds(when: dt.datetime) -> int:
        return int((when - epoch).total_seconds())

    places = {base: 0}
    orders: dict[int, list[int]] = {}
    stops: list[Stop] = []
    rows: dict[int, Standing] = {}
    for one in visits:
        shift = work.shift_at(one.row.starts_at)
        if shift is None:
            continue  # the crew does not work then; the board shows it
        at = places.setdefault(_point(one.row) or base, len(places))
        orders.setdefault(shift, []).append(len(stops))
        stops.append(_stop(one, at, _spans(branch, one, work.day, seconds), seconds))
        rows[one.row.pk] = one.row
    travel = travel_between(branch, list(places))
    driver = driver_of(crew, work, base=0, seconds=seconds)
    problem = Problem((driver,), tuple(stops), travel.seconds, prices)
    built = {shift: build_route(problem, problem.days[shift], order) for shift, order in orders.items()}
    routes = {shift: route for shift, route in built.items() if route is not None}
    inserter = Inserter(problem, assemble(problem, routes.values()))
    broken = frozenset(built) - frozenset(routes)
    return Day(
        crew.pk, work.day, epoch, tuple(places), rows, problem, orders, routes, broken, inserter, travel.word
    )  # fmt: skip


def _point(row: Standing) -> Point | None:
    return (row.longitude, row.latitude) if row.longitude is not None and row.latitude is not None else None


def _spans(branch: Branch, one: Bounded, day: dt.date, seconds: Seconds) -> tuple[tuple[int, int], ...]:
    """When the visit may begin; () is any time, and never is a window before the axis's begin."""
    row = one.row
    start = seconds(row.starts_at)
    if one.is_fixed:
        return ((start, start),)
    hours = (row.hours_from, row.hours_until)
    if row.promised_from is not None or not (one.possible or one.impossible or any(hours)):
        return ()
    spans = possible_spans(branch.tz, hours, row.minutes, one.possible, [day], one.impossible)
    return tuple((max(0, seconds(a)), seconds(b)) for a, b in spans if seconds(b) >= 0) or ((0, 0),)


def _stop(one: Bounded, at: int, spans: tuple[tuple[int, int], ...], seconds: Seconds) -> Stop:
    row, promised = one.row, None
    if not one.is_fixed and row.promised_from is not None and row.promised_until is not None:
        promised = (max(0, seconds(row.promised_from)), max(0, seconds(row.promised_until)))
    return Stop(id=row.pk, at=at, service=row.minutes * 60, windows=spans, promised=promised)
