"""
The branch's calendar as a problem for the planner (`jobs.rules.routing`), and its answers as rows.

A crew is a crew of the planner once for each day, since its people, hours and lunch differ
by the day. Times are seconds from local midnight before the first day.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

import numpy as np

from jobs.availability import Span, WorkDay, local, without
from jobs.dispatch import BEGUN, Book, earliest_install, open_book, site_point
from jobs.models import Appointment, CalendarRules, Crew, ImpossibleTime, PossibleWindow, Purpose
from jobs.rules.routing import Crew as Driver
from jobs.rules.routing import Lunch, Objective, Plan, Problem, Stop
from jobs.rules.routing.timing import build_route, route_cost
from jobs.words import clock
from shared.models import Branch

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
) -> Calendar:
    """
    These crews' days, with what stands there and `also` what may come in, as a `Problem`.

    Parameters
    ----------
    also
        Unplaced appointments to plan too; those whose site has no coordinates are left out.
    not_before
        Nothing is planned before this instant; what stands earlier is fixed.
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
    known = {driver.id: driver for driver in drivers}
    previous: dict[int, tuple[str, int]] = {}
    stops: list[Stop] = []
    strays: list[Appointment] = []
    for one in book.days.values():
        key = driver_id(*one.key)
        for row in one.appointments:
            shift = _shift_of(row, one.work)
            if shift is None or not known[key].shifts:
                strays.append(row)  # its crew does not work then: to be planned anew, its promise kept
                continue
            calendar.orders.setdefault((key, shift), []).append(row.pk)
            previous[row.pk] = (key, shift)
            stops.append(_placed_stop(calendar, row, (key, shift), days, not_before))
    comers += [row for row in strays if row.state not in BEGUN and site_point(row) is not None]
    stops += [_new_stop(calendar, row, days) for row in comers if row.pk not in previous]
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


class _Facts:
    """Skills, possible windows and impossible times of many appointments, in three queries."""

    def __init__(self, rows: Sequence[Appointment]) -> None:
        pks, jobs = [row.pk for row in rows if row.pk], {row.job_id for row in rows if row.job_id}
        self.skills: dict[int, list[str]] = {}
        through = Appointment.skills.through.objects.filter(appointment__in=pks)
        for pk, key in through.values_list("appointment", "skill__key"):
            self.skills.setdefault(pk, []).append(key)
        asked = {row.with_crew_of_id for row in rows if row.with_crew_of_id}
        leaders = Appointment.objects.filter(pk__in=asked, crew__isnull=False)
        self.leaders: dict[int, int] = dict(leaders.values_list("pk", "crew"))  # type: ignore[arg-type]
        self.windows: dict[int, list[Span]] = {}
        found = PossibleWindow.objects.filter(appointment__in=pks)
        for pk, begin, end in found.values_list("appointment", "starts_at", "ends_at"):
            self.windows.setdefault(pk, []).append((begin, end))
        self.impossible: dict[int, list[Span]] = {}
        for job, begin, end in ImpossibleTime.objects.filter(job__in=jobs).values_list("job", "starts_at", "ends_at"):
            self.impossible.setdefault(job, []).append((begin, end))

    def needs(self, row: Appointment) -> frozenset[str]:
        """Skills of an appointment, its purpose among them."""
        found = [*self.skills.get(row.pk, ()), f"for {row.purpose}"]
        if row.with_crew_of_id in self.leaders:
            found.append(crew_skill(self.leaders[row.with_crew_of_id]))
        return frozenset(found)


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


# -- the planner's reasons, as people say them --------------------------------------------

_DRIVER = re.compile(r"crew (\d+)/(\d{4}-\d\d-\d\d)(?:,? (?:in )?shift \d+)?")
_SPAN = re.compile(r"window (\d+)-(\d+)")
_STOP = re.compile(r"stop (\d+)")
_READY = re.compile(r"ready at (\d+)")
_SKILLS = re.compile(r"(lacks the skill|has the skills?) ([\w\s,-]+?)(?=[;,] (?:nearest|to which)|$)")


def plain_why(calendar: Calendar, why: str, numbers: Mapping[int, str]) -> str:
    """
    Why a visit is left out, in the dispatcher's words.

    The planner speaks of crews by key and day, of stops by key, of seconds from its first
    midnight. `numbers` are job numbers by appointment key.
    """
    crews = {one.crew.pk: one.crew.name for one in calendar.book.days.values()}
    tz = calendar.branch.tz

    def when(seconds: str) -> dt.datetime:
        return calendar.when(int(seconds)).astimezone(tz)

    def driver(found: re.Match[str]) -> str:
        day = dt.date.fromisoformat(found[2])
        return f"{crews.get(int(found[1]), 'a crew')} on {day:%a} {day.day} {day:%b}"

    def span(found: re.Match[str]) -> str:
        begin, end = when(found[1]), when(found[2])
        return f"window {begin:%a} {begin.day} {begin:%b} {clock(begin, tz)} to {clock(end, tz)}"

    def skills(found: re.Match[str]) -> str:
        said = [_skill(one.strip(), crews) for one in found[2].split(",")]
        verb = "cannot" if found[1].startswith("lacks") else "can"
        return f"{verb} {' and '.join(said)}"

    def ready(found: re.Match[str]) -> str:
        day = when(found[1])
        return f"ready on {day:%a} {day.day} {day:%b}"

    for pattern, words in (
        (_DRIVER, driver), (_SPAN, span), (_STOP, lambda found: numbers.get(int(found[1]), "another visit")),
        (_READY, ready), (_SKILLS, skills),
    ):  # fmt: skip
        why = pattern.sub(words, why)
    return why


def _skill(key: str, crews: Mapping[int, str]) -> str:
    kind, _, rest = key.partition(" ")
    if kind == "for" and rest in Purpose.values:
        return f"drive for {Purpose(rest).label}"
    if kind == "crew" and rest.isdigit():
        return f"be {crews.get(int(rest), 'the crew of the first part')}"
    return f"do {key}"
