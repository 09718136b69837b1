"""
The branch's calendar as a problem for the planner (`jobs.rules.routing`), and its answers as rows.

A crew is a crew of the planner once for each day, since its people, hours and lunch differ
by the day. Times are seconds from local midnight before the first day.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from jobs.models import Appointment, Crew, ImpossibleTime, PossibleWindow, Purpose, Wish
from jobs.rules.bounds import cost_bound, larger_bound
from jobs.rules.routing import Crew as Driver
from jobs.rules.routing import Lunch, Plan, Problem, Stop, orders_of, plan_of
from jobs.rules.routing.model import Id, fits_crew, open_spans, waiting_cost
from jobs.rules.slots import Gap, cost_of_bounds
from jobs.rules.timeline import LONG
from jobs.schedule.availability import Span, WorkDay, local
from jobs.schedule.dates import earliest_installs
from jobs.schedule.day import (
    BEGUN,
    DaySchedule,
    Key,
    Schedule,
    Standing,
    read_schedule,
    seconds,
    site_point,
    standing_of,
    taken_over,
)
from jobs.schedule.effects import COST_UNIT, Change, prices_of, standing_key
from jobs.schedule.offers import open_day
from jobs.schedule.waiting import Waits, waits_of
from jobs.schedule.wishes import wished_spans, wishes_text
from shared.models import Branch

Where = tuple[str, int]
"""The planner's crew and shift."""
PLACED_FIRST: Final = 9_000
"""By what a priority counts more than a day of waiting where not all visits have room."""
MOST_DAYS_OLD: Final = 60
"""Waiting longer than so many days does not come sooner where not all have room."""


@dataclass(slots=True)
class PlanProblem:
    """A problem with what its ids mean."""

    branch: Branch
    epoch: dt.datetime
    schedule: Schedule
    problem: Problem = field(init=False)
    rows: dict[int, Appointment]
    """All that is planned, by key: what stands on these days, and what may come in."""
    facts: _Facts

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


def read_problem(
    branch: Branch,
    crews: Sequence[Crew],
    days: Sequence[dt.date],
    *,
    also: Iterable[Appointment] = (),
    not_before: dt.datetime | None = None,
    still: bool = False,
    lost: dt.date | None = None,
) -> PlanProblem:
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
    lost
        A day on which nobody drives: what is promised on it may go on any later one.
    """
    candidates = [row for row in also if site_point(row) is not None]
    schedule = read_schedule(branch, crews, days, also=candidates)
    rows = schedule.rows | {row.pk: row for row in candidates}
    epoch = local(branch.tz, min(days), dt.time(0))
    found = PlanProblem(branch, epoch, schedule, rows, _Facts(list(rows.values())))
    drivers = [
        driver_of(one.crew, one.work, base=max(0, one.base), seconds=found.seconds) for one in schedule.days.values()
    ]
    known: dict[Id, Driver] = {driver.id: driver for driver in drivers}
    standing, unassigned = _where_they_stand(found, known, not_before if still else None)
    candidates += [row for row in unassigned if row.state not in BEGUN and site_point(row) is not None]
    stops = [_placed_stop(found, rows[pk], where, days, not_before) for pk, where in standing.items()]
    new = [_new_stop(found, row, days, lost) for row in candidates if row.pk not in standing]
    if not_before is not None:
        first, starts = found.seconds(not_before), _places_at(schedule, not_before)
        stops = [_not_before(stop, first) for stop in stops]
        new = [_not_before(stop, first + _least_drive(schedule, starts, stop.at)) for stop in new]
    stops += new
    stops = _waiting(found, _tied(found, stops, standing, known, still=still))
    travel, places = schedule.roads.travel, schedule.roads.places
    found.problem = Problem(
        tuple(drivers),
        tuple(stops),
        travel.seconds if places else np.zeros((1, 1), dtype=np.int64),
        prices_of(schedule.rules),
        {pk: key for pk, key in standing.items()},  # noqa: C416 - the planner's ids may be text too
    )
    if places:
        found.problem.__dict__["rows"] = travel.rows  # as they are, so they need not be made again
    return found


def _waiting(found: PlanProblem, stops: Sequence[Stop]) -> list[Stop]:
    """
    The stops with what each day costs that they wait, where no promise says their day.

    The longer a visit has waited the more a day counts, and where not all have room the oldest come first.
    """
    rules, first = found.schedule.rules, found.epoch.date()
    if not rules.wait_price and not rules.overdue_price:
        return list(stops)
    prices = [round(price * COST_UNIT) for price in (rules.wait_price, rules.overdue_price)]
    return [_waits(found, stop, first, prices) for stop in stops]


def _waits(found: PlanProblem, stop: Stop, first: dt.date, prices: Sequence[int]) -> Stop:
    waits = found.facts.waits[int(stop.id)]
    stop = replace(stop, priority=stop.priority * PLACED_FIRST + min(MOST_DAYS_OLD, waits.days(first)))
    if stop.promised is not None or stop.locked is not None:
        return stop
    wait, overdue = prices
    due = None if waits.due is None else max(0, found.seconds(local(found.branch.tz, waits.due, dt.time(0))))
    return replace(stop, wait=wait * waits.weight(first), due=due, overdue=0 if due is None else overdue)


def _where_they_stand(
    found: PlanProblem, drivers: Mapping[Id, Driver], now: dt.datetime | None
) -> tuple[dict[int, Where], list[Appointment]]:
    """
    What stands in the calendar and where; and what stands where no crew works.

    The latter is to be planned anew, its promise kept; with `now` so is what was to begin before, did not,
    and can't be done any more before its crew is out.
    """
    standing: dict[int, Where] = {}
    unassigned: list[Appointment] = []
    for day in found.schedule.days.values():
        key = driver_id(*day.key)
        for one in day.standing:
            shift = day.work.shift_at(one.starts_at)
            if (
                shift is None
                or not drivers[key].shifts
                or (now is not None and _is_overtaken(one, day.work, shift, now))
            ):
                unassigned.append(found.rows[one.pk])
            else:
                standing[one.pk] = (key, shift)
    return standing, unassigned


def _is_overtaken(one: Standing, work: WorkDay, shift: int, now: dt.datetime) -> bool:
    out = work.shifts[shift][1] + dt.timedelta(minutes=work.overtime_after(shift))
    return not one.is_begun and one.starts_at < now and now + dt.timedelta(minutes=one.minutes) > out


class _Facts:
    """Skills, possible windows, impossible times, wishes and first days of many appointments, in a few queries."""

    def __init__(self, rows: Sequence[Appointment]) -> None:
        pks, jobs = [row.pk for row in rows if row.pk], {row.job_id for row in rows if row.job_id}
        self.waits: dict[int, Waits] = waits_of(rows)
        self.earliest = {row.pk: first for row, (first, _) in zip(rows, earliest_installs(rows), strict=True)}
        self.skills: dict[int, list[str]] = {}
        through = Appointment.skills.through.objects.filter(appointment__in=pks)
        for pk, key in through.values_list("appointment", "skill__key"):
            self.skills.setdefault(pk, []).append(key)
        asked = {row.with_crew_of_id for row in rows if row.with_crew_of_id}
        leaders = Appointment.objects.live().filter(pk__in=asked, crew__isnull=False, day__isnull=False)
        self.leaders: dict[int, tuple[int, dt.date]] = {
            pk: (crew, day)
            for pk, crew, day in leaders.values_list("pk", "crew", "day")
            if crew is not None and day is not None
        }
        self.windows: dict[int, list[Span]] = {}
        found = PossibleWindow.objects.filter(appointment__in=pks)
        for pk, begin, end in found.values_list("appointment", "starts_at", "ends_at"):
            self.windows.setdefault(pk, []).append((begin, end))
        self.impossible: dict[int, list[Span]] = {}
        for job, begin, end in ImpossibleTime.objects.filter(job__in=jobs).values_list("job", "starts_at", "ends_at"):
            self.impossible.setdefault(job, []).append((begin, end))
        self.wishes: dict[int, list[Wish]] = {}
        for wish in Wish.objects.filter(job__in=jobs):
            self.wishes.setdefault(wish.job_id, []).append(wish)

    def needs(self, row: Appointment) -> frozenset[str]:
        """Skills of an appointment, its purpose among them."""
        return frozenset([*self.skills.get(row.pk, ()), f"for {row.purpose}"])


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
        no_overtime=frozenset(range(len(work.shifts) - 1)),
        people=max(1, work.people),
        team=crew.pk,
    )


def crew_skill(crew_pk: int) -> str:
    """A skill only that crew has, so that work of two days keeps its crew."""
    return f"crew {crew_pk}"


def _lunch(work: WorkDay, seconds: Callable[[dt.datetime], int]) -> Lunch | None:
    lunch = work.lunch
    return Lunch(seconds(lunch.earliest), seconds(lunch.latest), lunch.minutes * 60) if lunch is not None else None


def _placed_stop(
    found: PlanProblem,
    row: Appointment,
    where: tuple[str, int],
    days: Sequence[dt.date],
    not_before: dt.datetime | None,
) -> Stop:
    assert row.starts_at is not None
    start = found.seconds(row.starts_at)
    fixed = row.is_locked or row.state in BEGUN or (not_before is not None and row.starts_at < not_before)
    promised = None
    if row.promised_from is not None and row.promised_until is not None:
        promised = (found.seconds(row.promised_from), found.seconds(row.promised_until))
        if not promised[0] <= start <= promised[1]:
            promised = None if fixed else promised
    reserved = row.state == Appointment.State.RESERVED
    return Stop(
        id=row.pk,
        at=max(0, found.schedule.roads.place(standing_of(row).point)),
        service=row.duration_min * 60,
        windows=((start, start),) if fixed else _stays(_spans(found, row, days), start) if promised is None else (),
        skills=frozenset() if fixed else found.facts.needs(row),
        priority=row.priority,
        required=row.is_promised(),
        locked=where if fixed or reserved else None,
        promised=None if fixed else promised,
        earliest=_earliest(found, row) if not fixed else 0,
        people=1 if fixed else row.people,
        eats=row.duration_min * 60 >= LONG,
    )


def _stays(spans: tuple[tuple[int, int], ...], start: int) -> tuple[tuple[int, int], ...]:
    """What stands against a wish or a window, because somebody put it there, may stay as it is."""
    if not spans or any(a <= start <= b for a, b in spans):
        return spans
    return tuple(sorted([*spans, (start, start)]))


def _new_stop(found: PlanProblem, row: Appointment, days: Sequence[dt.date], lost: dt.date | None) -> Stop:
    promised = None
    if row.promised_from is not None and row.promised_until is not None and (lost is None or row.day != lost):
        promised = (max(0, found.seconds(row.promised_from)), max(0, found.seconds(row.promised_until)))
    return Stop(
        id=row.pk,
        at=max(0, found.schedule.roads.place(taken_over(row, days))),
        service=row.duration_min * 60,
        windows=_spans(found, row, days, lost) if promised is None else (),
        promised=promised,
        required=row.is_promised(),
        skills=found.facts.needs(row),
        priority=row.priority,
        earliest=_earliest(found, row),
        people=row.people,
        eats=row.duration_min * 60 >= LONG,
    )


def _places_at(schedule: Schedule, now: dt.datetime) -> list[int]:
    """Where the crews of that day are by then: at the last visit begun by its plan, or at their base."""
    found = []
    for one in schedule.days.values():
        if one.day == now.astimezone(schedule.branch.tz).date():
            before = [stop.place for stop in one.timeline.stops if stop.start < seconds(now)]
            found.append(before[-1] if before else one.base)
    return found


def _least_drive(schedule: Schedule, starts: Sequence[int], at: int) -> int:
    """How long the nearest crew drives to a stop that nobody has set out to yet; 0 where no crew drives that day."""
    rows = schedule.roads.travel.rows
    return min((rows[place][at] for place in starts if place >= 0), default=0)


def _not_before(stop: Stop, first: int) -> Stop:
    """The stop from that second on, unless it begins earlier whatever happens; a promise that is over binds nobody."""
    if stop.windows and stop.windows[-1][1] < first:
        return stop
    promised = None if stop.promised is not None and stop.promised[1] < first else stop.promised
    return replace(stop, earliest=max(stop.earliest, first), promised=promised)


def _tied(
    found: PlanProblem,
    stops: Sequence[Stop],
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
    tied = {int(stop.id): stop for stop in stops}
    for pk, row in sorted(found.rows.items()):
        first_pk = row.with_crew_of_id
        if first_pk is None or pk not in tied:
            continue
        first, leader = tied.get(first_pk), found.facts.leaders.get(first_pk)
        if not still and first is not None and _are_free(found.rows[first_pk], first, row, tied[pk], previous):
            tied[pk] = replace(tied[pk], follows=first_pk)
            if row.day is not None and row.day != found.rows[first_pk].day:
                night = found.seconds(local(found.branch.tz, row.day, dt.time(0)))
                tied[first_pk], tied[pk] = _parted(first, tied[pk], night)
        elif leader is not None and (pk not in previous or _is_after(leader, previous[pk])):
            tied[pk] = _kept_after(found, tied[pk], leader, previous.get(pk))
            if first is not None and first.locked is None and _can_stay(first, previous.get(first_pk), drivers):
                tied[first_pk] = replace(first, locked=previous[first_pk])
    return list(tied.values())


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


def _kept_after(found: PlanProblem, second: Stop, leader: tuple[int, dt.date], where: Where | None) -> Stop:
    """The second part on the first one's crew; on a later day, unless its promise, lock or place says another."""
    if second.locked is not None:
        return second
    crew, day = leader
    kept = replace(second, skills=second.skills | {crew_skill(crew)})
    if second.promised is not None or (where is not None and read_driver(where[0])[1] == day):
        return kept
    next_day = found.seconds(local(found.branch.tz, day + dt.timedelta(days=1), dt.time(0)))
    return replace(kept, earliest=max(kept.earliest, next_day))


def _can_stay(stop: Stop, where: Where | None, drivers: Mapping[Id, Driver]) -> bool:
    if where is None or not fits_crew(stop, drivers[where[0]]):
        return False
    begin, end = drivers[where[0]].shifts[where[1]]
    return any(a <= end and b >= begin for a, b in open_spans(stop))


def _earliest(found: PlanProblem, row: Appointment) -> int:
    first = found.facts.earliest[row.pk]
    if first is None:
        return 0
    return max(0, found.seconds(local(found.branch.tz, first, dt.time(0))))


def _spans(
    found: PlanProblem,
    row: Appointment,
    days: Sequence[dt.date],
    lost: dt.date | None = None,
    *,
    is_wished: bool = True,
) -> tuple[tuple[int, int], ...]:
    """
    When the work may start, on the problem's axis; () is any time, and never is a window before the axis's begin.

    Windows of a `lost` day bind nobody any more; without `is_wished` the wishes bind nobody either.
    """
    windows, impossible = found.facts.windows.get(row.pk, []), found.facts.impossible.get(row.job_id, [])
    wishes = found.facts.wishes.get(row.job_id, []) if is_wished else []
    if lost is not None:
        windows = [span for span in windows if span[0].astimezone(found.branch.tz).date() > lost]
    site = row.job.site
    if not windows and not impossible and not wishes and not site.hours_from and not site.hours_until:
        return ()
    hours = (site.hours_from, site.hours_until)
    spans = wished_spans(found.branch.tz, hours, row.duration_min, windows, days, impossible, wishes)
    return tuple((max(0, found.seconds(a)), found.seconds(b)) for a, b in spans if found.seconds(b) >= 0) or ((0, 0),)


@dataclass(frozen=True, slots=True)
class WishCost:
    """What it costs more that a visit is planned as its customer wishes, in the planner's units."""

    row: Appointment
    wishes: str
    cost: int


def wish_costs(found: PlanProblem, plan: Plan) -> list[WishCost]:
    """
    Of the visits that a plan places by a wish, those that it makes dearer, dearest first.

    Each against the cheapest time of these days without its wishes, all others where the plan has them.
    """
    days, problem = days_under(found, plan), found.problem
    known = {driver.id: driver for driver in problem.crews}
    rows, prices = found.schedule.roads.travel.rows, prices_of(found.schedule.rules)
    costs = []
    for pk in plan.where():
        row, stop = found.rows[int(pk)], problem.stops[problem.stop_number[pk]]
        wishes = found.facts.wishes.get(row.job_id)
        if not wishes or stop.promised is not None or stop.locked is not None or row.state in BEGUN:
            continue
        fit = [one.without(row.pk) for one in days.values() if fits_crew(stop, known[driver_id(*one.key)])]
        opened = [open_day(one, [True] * len(one.standing), prices) for one in fit if one.work.works]
        into = [drives[stop.at] for drives in rows]
        gaps = [Gap(one.gaps, into, rows[stop.at]) for one in opened if one.is_drivable]
        free, bound = (_starts(found, row, stop, is_wished=is_wished) for is_wished in (False, True))
        cost = cost_of_bounds(gaps, stop.service, free, bound)
        if cost:
            costs.append(WishCost(row, wishes_text(wishes), cost))
    return sorted(costs, key=lambda one: (-one.cost, one.row.pk))


@dataclass(frozen=True, slots=True)
class Waited:
    """A visit whose day the plan was free to choose: since when it waits, its day, and what its waiting counts."""

    row: Appointment
    waits: Waits
    day: dt.date
    cost: int


def waited_under(found: PlanProblem, plan: Plan) -> list[Waited]:
    """The visits of a plan whose waiting has a price, what is after its due day and what has waited longest first."""
    problem, out = found.problem, []
    for pk, where in plan.where().items():
        stop = problem.stops[problem.stop_number[pk]]
        if stop.wait or stop.overdue:
            _, day = read_driver(str(where[0]))
            cost = waiting_cost(stop, problem.days[problem.day_number[where]])
            out.append(Waited(found.rows[int(pk)], found.facts.waits[int(pk)], day, cost))
    return sorted(out, key=lambda one: (-one.waits.late_days(one.day), -one.waits.days(one.day), one.row.pk))


def _starts(found: PlanProblem, row: Appointment, stop: Stop, *, is_wished: bool) -> list[tuple[int, int]]:
    """When a visit may begin on these days, in seconds since the epoch."""
    days = sorted({day for _, day in found.schedule.days})
    midnight = found.seconds(local(found.branch.tz, days[-1] + dt.timedelta(days=1), dt.time(0)))
    spans, zero = _spans(found, row, days, is_wished=is_wished) or ((0, midnight),), seconds(found.epoch)
    return [(zero + max(a, stop.earliest), zero + b) for a, b in spans if b >= stop.earliest]


def at_own_prices(found: PlanProblem, plan: Plan) -> Plan | None:
    """The same orders of stops as a plan that was searched at other prices, timed and priced at these; None if none."""
    return plan_of(found.problem, orders_of(found.problem, plan))


def least_cost(found: PlanProblem) -> int:
    """What no plan that places every stop can cost less than, in the planner's units; 0 where nothing is proven."""
    return cost_bound(found.problem)


def best_bound(found: PlanProblem, proven: int, assignment: int | None) -> int:
    """The larger of `least_cost` and the bound the planner found, or would find; 0 where nothing is proven."""
    return larger_bound(found.problem, proven, assignment)


def days_under(found: PlanProblem, plan: Plan) -> dict[Key, DaySchedule]:
    """The crew-days as they would be with every visit where the plan has it."""
    planned = found.problem.stop_number
    days: dict[Key, list[Standing]] = {
        key: [one for one in day.standing if one.pk not in planned] for key, day in found.schedule.days.items()
    }
    for route in plan.routes:
        crew, day = read_driver(str(route.crew))
        for visit in route.visits:
            one = standing_of(found.rows[int(visit.id)])
            days[crew, day].append(one._replace(crew=crew, day=day, starts_at=found.when(visit.start)))
    return {key: one.of(days[key]) for key, one in found.schedule.days.items()}


def change_under(found: PlanProblem, plan: Plan) -> Change:
    """All of these crew-days as they stand and as the plan has them."""
    after = days_under(found, plan)
    here = found.schedule.days
    moved = sum(_is_moved_promise(found, one.pk, key) for key, day in after.items() for one in day.standing)
    return Change(list(here.values()), list(after.values()), moved)


def move_changes(found: PlanProblem, plan: Plan) -> dict[int, Change]:
    """
    One change for each visit that the plan has on another crew or day than where it stands: of it alone.

    Its new day with and without it, and the same of the day on which it stands.
    """
    changes: dict[int, Change] = {}
    for key, there in days_under(found, plan).items():
        for one in there.standing:
            left = _day_of(found, one.pk)
            if left is None:
                changes[one.pk] = Change([there.without(one.pk)], [there])
            elif left.key != key:
                moved = int(_is_moved_promise(found, one.pk, key))
                changes[one.pk] = Change([there.without(one.pk), left], [there, left.without(one.pk)], moved)
    return changes


def _day_of(found: PlanProblem, pk: int) -> DaySchedule | None:
    """The day of the schedule on which a visit stands."""
    key = standing_key(found.rows[pk])
    return found.schedule.days.get(key) if key is not None else None


def _is_moved_promise(found: PlanProblem, pk: int, key: Key) -> bool:
    """Whether a promised visit leaves its crew or day by standing there."""
    row = found.rows[pk]
    return row.state == Appointment.State.PROMISED and standing_key(row) != key
