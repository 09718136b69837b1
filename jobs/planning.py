"""
The branch's calendar as a problem for the planner (`jobs.rules.routing`), and its answers as rows.

A crew is a crew of the planner once for each day, since its people, hours and lunch differ
by the day. Times are seconds from local midnight before the first day.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Final

import numpy as np

from jobs.dispatch import BEGUN, Book, earliest_install, open_book, site_point
from jobs.models import Appointment, CalendarRules, Crew, ImpossibleTime, PossibleWindow, Purpose
from jobs.rules.routing import Crew as Driver
from jobs.rules.routing import Lunch, Objective, Plan, Problem, Stop
from jobs.rules.routing.model import Id, fits_crew, open_spans
from jobs.rules.routing.timing import build_route, route_cost
from jobs.schedule.availability import Span, WorkDay, local, without
from shared.models import Branch

Where = tuple[str, int]
"""The planner's crew and shift."""

COST_UNIT: Final = 360_000
"""Of the planner's cost, in one of money."""


@dataclass(slots=True)
class Calendar:
    """A problem with what its ids mean."""

    branch: Branch
    epoch: dt.datetime
    book: Book
    problem: Problem
    orders: dict[tuple[str, int], list[int]]
    """Keys of appointments in today's order, by the planner's crew and shift."""
    facts: _Facts = field(init=False)

    def seconds(self, when: dt.datetime) -> int:
        """An instant on the problem's axis."""
        return int((when - self.epoch).total_seconds())

    def when(self, seconds: int) -> dt.datetime:
        """And back."""
        return self.epoch + dt.timedelta(seconds=seconds)


def driver_id(crew_pk: int, day: dt.date) -> str:
    """The planner's name of a crew on a day."""
    return f"{crew_pk}/{day.isoformat()}"


def read_driver(key: str) -> tuple[int, dt.date]:
    """The crew's key and the day."""
    pk, _, day = str(key).partition("/")
    return int(pk), dt.date.fromisoformat(day)


def read_calendar(
    branch: Branch,
    crews: Sequence[Crew],
    days: Sequence[dt.date],
    *,
    also: Iterable[Appointment] = (),
    not_before: dt.datetime | None = None,
    still: bool = False,
) -> Calendar:
    """
    These crews' days, with what stands there and `also` what may come in, as a `Problem`.

    Parameters
    ----------
    also
        Unplaced appointments to plan too; those whose site has no coordinates are left out.
    not_before
        Nothing is planned before this instant; what stands earlier is fixed.
    still
        Parts of one visit that stand are not moved together either.
    """
    comers = [row for row in also if site_point(row) is not None]
    book = open_book(branch, crews, days, also=comers)
    epoch = local(branch.tz, min(days), dt.time(0))
    calendar = Calendar(branch, epoch, book, None, {})  # type: ignore[arg-type]
    calendar.facts = _Facts([row for one in book.days.values() for row in one.appointments] + comers)
    drivers = [
        driver_of(one.crew, one.work, base=max(0, book.base_of(one.crew)), seconds=calendar.seconds)
        for one in book.days.values()
    ]
    known: dict[Id, Driver] = {driver.id: driver for driver in drivers}
    standing, strays = _where_they_stand(calendar, known)
    previous = {row.pk: where for row, where in standing}
    comers += [row for row in strays if row.state not in BEGUN and site_point(row) is not None]
    stops = [_placed_stop(calendar, row, where, days, not_before) for row, where in standing]
    stops += [_new_stop(calendar, row, days) for row in comers if row.pk not in previous]
    rows = {row.pk: row for row in [*(row for one in book.days.values() for row in one.appointments), *comers]}
    stops = _tied(calendar, stops, rows, previous, known, still=still)
    calendar.problem = Problem(
        tuple(drivers),
        tuple(stops),
        book.travel.seconds if len(book.places) else np.zeros((1, 1), dtype=np.int64),
        objective(CalendarRules.of(branch)),
        {pk: key for pk, key in previous.items()},  # noqa: C416 - the planner's ids may be text too
    )
    if book.places:
        calendar.problem.__dict__["rows"] = book.travel.rows  # as they are, so they need not be made again
    return calendar


def _where_they_stand(
    calendar: Calendar, drivers: Mapping[Id, Driver]
) -> tuple[list[tuple[Appointment, Where]], list[Appointment]]:
    """
    What stands in the calendar and where, its orders noted; and what stands where no crew works.

    The latter is to be planned anew, its promise kept.
    """
    standing: list[tuple[Appointment, Where]] = []
    strays: list[Appointment] = []
    for one in calendar.book.days.values():
        key = driver_id(*one.key)
        for row in one.appointments:
            shift = _shift_of(row, one.work)
            if shift is None or not drivers[key].shifts:
                strays.append(row)
                continue
            calendar.orders.setdefault((key, shift), []).append(row.pk)
            standing.append((row, (key, shift)))
    return standing, strays


class _Facts:
    """Skills, possible windows and impossible times of many appointments, in three queries."""

    def __init__(self, rows: Sequence[Appointment]) -> None:
        pks, jobs = [row.pk for row in rows if row.pk], {row.job_id for row in rows if row.job_id}
        self.skills: dict[int, list[str]] = {}
        through = Appointment.skills.through.objects.filter(appointment__in=pks)
        for pk, key in through.values_list("appointment", "skill__key"):
            self.skills.setdefault(pk, []).append(key)
        asked = {row.with_crew_of_id for row in rows if row.with_crew_of_id}
        leaders = Appointment.objects.live().filter(pk__in=asked, crew__isnull=False, day__isnull=False)
        self.leaders: dict[int, tuple[int, dt.date]] = {
            pk: (crew, day)  # type: ignore[misc]
            for pk, crew, day in leaders.values_list("pk", "crew", "day")
        }
        self.windows: dict[int, list[Span]] = {}
        found = PossibleWindow.objects.filter(appointment__in=pks)
        for pk, begin, end in found.values_list("appointment", "starts_at", "ends_at"):
            self.windows.setdefault(pk, []).append((begin, end))
        self.impossible: dict[int, list[Span]] = {}
        for job, begin, end in ImpossibleTime.objects.filter(job__in=jobs).values_list("job", "starts_at", "ends_at"):
            self.impossible.setdefault(job, []).append((begin, end))

    def needs(self, row: Appointment) -> frozenset[str]:
        """Skills of an appointment, its purpose among them."""
        return frozenset([*self.skills.get(row.pk, ()), f"for {row.purpose}"])


def objective(rules: CalendarRules) -> Objective:
    """The branch's prices for the planner; a cost divided by 360,000 is money."""
    return Objective.per_hour(
        drive=float(rules.drive_price),
        paid=float(rules.paid_price),
        overtime=float(rules.overtime_price),
        moved=float(rules.moved_price),
    )


def driver_of(crew: Crew, work: WorkDay, *, base: int, seconds: Callable[[dt.datetime], int]) -> Driver:
    """A crew on one day as the planner has it; `base` is its row of the travel table."""
    own = {skill.key for skill in crew.skills.all()} | {f"for {one}" for one in crew.purposes or Purpose.values}
    return Driver(
        id=driver_id(crew.pk, work.day),
        start=base,
        end=base,
        shifts=tuple((seconds(a), seconds(b)) for a, b in work.shifts),
        skills=frozenset(own | {crew_skill(crew.pk)}),
        lunch=_lunch(work, seconds),
        overtime=work.overtime_min * 60,
        people=max(1, work.people),
        team=crew.pk,
    )


def crew_skill(crew_pk: int) -> str:
    """A skill only that crew has, so that work of two days keeps its crew."""
    return f"crew {crew_pk}"


def _lunch(work: WorkDay, seconds: Callable[[dt.datetime], int]) -> Lunch | None:
    lunch = work.lunch
    return Lunch(seconds(lunch.earliest), seconds(lunch.latest), lunch.minutes * 60) if lunch is not None else None


def _shift_of(row: Appointment, work: WorkDay) -> int | None:
    return work.shift_at(row.starts_at) if row.starts_at is not None else None


def _placed_stop(
    calendar: Calendar,
    row: Appointment,
    where: tuple[str, int],
    days: Sequence[dt.date],
    not_before: dt.datetime | None,
) -> Stop:
    assert row.starts_at is not None
    start = calendar.seconds(row.starts_at)
    fixed = row.is_locked or row.state in BEGUN or (not_before is not None and row.starts_at < not_before)
    promised = None
    if row.promised_from is not None and row.promised_until is not None:
        promised = (calendar.seconds(row.promised_from), calendar.seconds(row.promised_until))
        if not promised[0] <= start <= promised[1]:
            promised = None if fixed else promised
    held = row.state == Appointment.State.HELD
    return Stop(
        id=row.pk,
        at=max(0, calendar.book.place_of(row)),
        service=row.duration_min * 60,
        windows=((start, start),) if fixed else _spans(calendar, row, days) if promised is None else (),
        skills=frozenset() if fixed else calendar.facts.needs(row),
        priority=row.priority,
        required=row.is_promised(),
        locked=where if fixed or held else None,
        promised=None if fixed else promised,
        earliest=_earliest(calendar, row) if not fixed else 0,
        people=1 if fixed else row.people,
    )


def _new_stop(calendar: Calendar, row: Appointment, days: Sequence[dt.date]) -> Stop:
    promised = None
    if row.promised_from is not None and row.promised_until is not None:
        promised = (max(0, calendar.seconds(row.promised_from)), max(0, calendar.seconds(row.promised_until)))
    return Stop(
        id=row.pk,
        at=max(0, calendar.book.place_of(row)),
        service=row.duration_min * 60,
        windows=_spans(calendar, row, days) if promised is None else (),
        promised=promised,
        required=promised is not None,
        skills=calendar.facts.needs(row),
        priority=row.priority,
        earliest=_earliest(calendar, row),
        people=row.people,
    )


def _tied(
    calendar: Calendar,
    stops: Sequence[Stop],
    rows: Mapping[int, Appointment],
    previous: Mapping[int, Where],
    drivers: Mapping[Id, Driver],
    *,
    still: bool,
) -> list[Stop]:
    """
    The stops, the parts of one visit on one crew and in their order.

    Two parts that may both go anywhere are planned together; those that stand on two days stay
    on the two sides of the night before the second. Where one is promised, locked
    or alone in the calendar, the first stays on its crew's day and the second comes to that
    crew on a later one. Parts that were put on two crews, or the wrong way round, are left so.
    """
    found = {int(stop.id): stop for stop in stops}
    for pk, row in sorted(rows.items()):
        first_pk = row.with_crew_of_id
        if first_pk is None or pk not in found:
            continue
        first, leader = found.get(first_pk), calendar.facts.leaders.get(first_pk)
        if not still and first is not None and _are_free(rows[first_pk], first, row, found[pk], previous):
            found[pk] = replace(found[pk], follows=first_pk)
            if row.day is not None and row.day != rows[first_pk].day:
                night = calendar.seconds(local(calendar.branch.tz, row.day, dt.time(0)))
                found[first_pk], found[pk] = _parted(first, found[pk], night)
        elif leader is not None and (pk not in previous or _is_after(leader, previous[pk])):
            found[pk] = _kept_after(calendar, found[pk], leader, previous.get(pk))
            if first is not None and first.locked is None and _can_stay(first, previous.get(first_pk), drivers):
                found[first_pk] = replace(first, locked=previous[first_pk])
    return list(found.values())


def _are_free(one: Appointment, first: Stop, other: Appointment, second: Stop, previous: Mapping[int, Where]) -> bool:
    """Whether both parts may be moved, and stand in their order on one crew or not at all."""
    if any(stop.promised is not None or stop.locked is not None for stop in (first, second)):
        return False
    if one.pk not in previous and other.pk not in previous:
        return True
    if one.pk not in previous or other.pk not in previous:
        return False
    ends, starts = one.ends_at, other.starts_at
    return one.crew_id == other.crew_id and ends is not None and starts is not None and ends <= starts


def _parted(first: Stop, second: Stop, night: int) -> tuple[Stop, Stop]:
    """The first part before that instant as far as its windows have time then, and the second after it."""
    spans = tuple((a, min(b, night - 1)) for a, b in first.windows or ((0, night - 1),) if a < night)
    return replace(first, windows=spans or first.windows), replace(second, earliest=max(second.earliest, night))


def _is_after(leader: tuple[int, dt.date], where: Where) -> bool:
    crew, day = read_driver(where[0])
    return crew == leader[0] and day >= leader[1]


def _kept_after(calendar: Calendar, second: Stop, leader: tuple[int, dt.date], where: Where | None) -> Stop:
    """The second part on the first one's crew; on a later day, unless its promise, lock or place says another."""
    if second.locked is not None:
        return second
    crew, day = leader
    kept = replace(second, skills=second.skills | {crew_skill(crew)})
    if second.promised is not None or (where is not None and read_driver(where[0])[1] == day):
        return kept
    next_day = calendar.seconds(local(calendar.branch.tz, day + dt.timedelta(days=1), dt.time(0)))
    return replace(kept, earliest=max(kept.earliest, next_day))


def _can_stay(stop: Stop, where: Where | None, drivers: Mapping[Id, Driver]) -> bool:
    if where is None or not fits_crew(stop, drivers[where[0]]):
        return False
    begin, end = drivers[where[0]].shifts[where[1]]
    return any(a <= end and b >= begin for a, b in open_spans(stop))


def _earliest(calendar: Calendar, row: Appointment) -> int:
    first, _ = earliest_install(row)
    if first is None:
        return 0
    return max(0, calendar.seconds(local(calendar.branch.tz, first, dt.time(0))))


def possible_spans(
    tz: dt.tzinfo,
    hours: tuple[dt.time | None, dt.time | None],
    minutes: int,
    windows: Sequence[Span],
    days: Sequence[dt.date],
    impossible: Sequence[Span],
) -> list[Span]:
    """
    When the work may start: the customer's windows, within the building's hours, not when they can't.

    Empty means never; when nothing bounds it the days' whole length comes back.
    """
    opens, shuts = hours
    whole: list[Span] = []
    for day in days:
        begin = local(tz, day, opens or dt.time(0))
        if shuts:
            end = local(tz, day, shuts) - dt.timedelta(minutes=minutes)
        else:
            end = local(tz, day + dt.timedelta(days=1), dt.time(0)) - dt.timedelta(seconds=1)
        if begin <= end:
            whole.append((begin, end))
    if windows:
        whole = [(max(a, c), min(b, d)) for a, b in whole for c, d in windows if max(a, c) <= min(b, d)]
    gone = [(begin - dt.timedelta(minutes=minutes), end) for begin, end in impossible]
    return sorted(piece for span in whole for piece in without(span, gone)) if gone else sorted(whole)


def _spans(calendar: Calendar, row: Appointment, days: Sequence[dt.date]) -> tuple[tuple[int, int], ...]:
    """The same on the problem's axis; () is any time, and never is a window before the axis's begin."""
    windows, impossible = calendar.facts.windows.get(row.pk, []), calendar.facts.impossible.get(row.job_id, [])
    site = row.job.site
    if not windows and not impossible and not site.hours_from and not site.hours_until:
        return ()
    hours = (site.hours_from, site.hours_until)
    spans = possible_spans(calendar.branch.tz, hours, row.duration_min, windows, days, impossible)
    return tuple((max(0, calendar.seconds(a)), calendar.seconds(b)) for a, b in spans if calendar.seconds(b) >= 0) or (
        (0, 0),
    )


def order_numbers(calendar: Calendar) -> dict[int, list[int]]:
    """Today's orders as the planner's numbers: stops by crew-day."""
    problem = calendar.problem
    return {problem.day_number[key]: [problem.stop_number[pk] for pk in pks] for key, pks in calendar.orders.items()}


def starts_of(calendar: Calendar, visits: Iterable[tuple[int, int]]) -> Mapping[int, dt.datetime]:
    """Appointment keys to planned starts, from (key, seconds) pairs."""
    return {pk: calendar.when(start) for pk, start in visits}


def move_prices(problem: Problem, before: Plan | None, after: Plan) -> dict[int, Decimal]:
    """
    What each stop costs more where `after` has it than where `before` has it, in money.

    The price of one move alone: its crew's new day with and without it, less the same of the
    old day. Stops that keep crew and shift have none; nor has any when nothing could be
    driven before, or a day can't be driven without the stop.
    """
    old = before.where() if before is not None else {}
    prices: dict[int, Decimal] = {}
    for stop, where in after.where().items():
        if old.get(stop) == where:
            continue
        gain = _share_of(problem, after, stop)
        loss = _share_of(problem, before, stop) if before is not None and stop in old else 0
        if gain is not None and loss is not None:
            prices[int(stop)] = (Decimal(gain - loss) / COST_UNIT).quantize(Decimal("0.01"))
    return prices


def _share_of(problem: Problem, plan: Plan, stop: int | str) -> int | None:
    """What the stop's route costs more with it than without."""
    route = next(route for route in plan.routes if any(visit.id == stop for visit in route.visits))
    day = problem.days[problem.day_number[route.crew, route.shift]]
    rest = [problem.stop_number[visit.id] for visit in route.visits if visit.id != stop]
    without = build_route(problem, day, rest)
    if without is None:
        return None
    return route_cost(problem, day, route) - route_cost(problem, day, without)
