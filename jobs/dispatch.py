"""
Crews' days read from the books: blocks with the drive between, what a change would cost and break.

Nothing here writes; services ask here before they do, and pages show it before anybody
lets go.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from django.db.models import Q, QuerySet
from django.utils import timezone

from jobs.models import INSTALLING, Appointment, CalendarRules, Crew, Purpose
from jobs.ports import Blocker, ports
from jobs.rules.timeline import Planned, Timed, Timeline, drive_day
from jobs.schedule.availability import WorkDay, add_working_days, crew_days
from jobs.schedule.travel import Point, Travel, travel_between
from shared.models import Branch

BEGUN = (Appointment.State.ON_THE_WAY, Appointment.State.ARRIVED, Appointment.State.DONE)


@dataclass(frozen=True, slots=True)
class Clash:
    """
    What is wrong with an appointment at a place in the calendar.

    A ``stop`` can't be had; a ``check`` can, when the dispatcher says so.
    """

    code: str
    text: str
    severity: str = "stop"


@dataclass(eq=False)
class CrewDayBook:
    """One crew's day: its hours, its appointments in order, and how the day goes."""

    crew: Crew
    day: dt.date
    work: WorkDay
    book: Book
    appointments: list[Appointment] = field(default_factory=list)

    @property
    def key(self) -> tuple[int, dt.date]:
        return self.crew.pk, self.day

    @cached_property
    def timeline(self) -> Timeline:
        """How the day goes as it stands."""
        return self.book.drive(self)


@dataclass(eq=False)
class Book:
    """Some crews' days with the travel table between all their places."""

    branch: Branch
    days: dict[tuple[int, dt.date], CrewDayBook] = field(default_factory=dict)
    places: dict[Point, int] = field(default_factory=dict)
    travel: Travel = field(default_factory=lambda: Travel(np.zeros((0, 0), dtype=np.int64)))

    @property
    def rows(self) -> list[list[int]]:
        return self.travel.rows

    def place_of(self, appointment: Appointment) -> int:
        return self.places.get(site_point(appointment) or (999.0, 999.0), -1)

    def base_of(self, crew: Crew) -> int:
        return self.places.get(crew_point(crew, self.branch) or (999.0, 999.0), -1)

    def drive(self, one: CrewDayBook, appointments: Iterable[Appointment] | None = None) -> Timeline:
        """The day's timeline with these appointments instead of its own."""
        chosen = one.appointments if appointments is None else list(appointments)
        return drive_day([self.planned(row) for row in chosen], self.rows, self.base_of(one.crew))

    def planned(self, row: Appointment) -> Planned:
        """An appointment for the rules: seconds since the epoch."""
        assert row.starts_at is not None
        return Planned(
            row.pk,
            self.place_of(row),
            row.duration_min * 60,
            int(row.starts_at.timestamp()),
            int(row.promised_until.timestamp()) if row.promised_until else None,
            row.is_locked or row.state in BEGUN,
        )


def site_point(appointment: Appointment) -> Point | None:
    site = appointment.job.site
    return (site.longitude, site.latitude) if site.has_coordinates() else None  # type: ignore[return-value]


def crew_point(crew: Crew, branch: Branch) -> Point | None:
    """The crew's own base, else the branch."""
    if crew.latitude is not None and crew.longitude is not None:
        return crew.longitude, crew.latitude
    if branch.latitude is not None and branch.longitude is not None:
        return branch.longitude, branch.latitude
    return None


def taking_time() -> QuerySet[Appointment]:
    """Appointments that take a crew's time: placed, not cancelled, no hold that ran out."""
    lapsed = Q(state=Appointment.State.HELD, held_until__lt=timezone.now())
    return (
        Appointment.objects.filter(crew__isnull=False, day__isnull=False)
        .exclude(state__in=[Appointment.State.CANCELLED, Appointment.State.UNPLACED])
        .exclude(lapsed)
    )


def in_the_calendar() -> QuerySet[Appointment]:
    """The same with all that pages show of them."""
    return (
        taking_time()
        .select_related("job__site", "job__customer", "job__branch", "crew")
        .prefetch_related("skills")
    )


def open_book(
    branch: Branch,
    crews: Sequence[Crew],
    days: Sequence[dt.date],
    *,
    also: Iterable[Appointment] = (),
) -> Book:
    """
    These crews' days with everything on them, in about ten queries however many there are.

    `also` are appointments that may come in; their places get into the travel table.
    """
    for crew in crews:
        crew.branch = branch
    work = crew_days(crews, days)
    book = Book(branch)
    books = book.days = {
        (crew.pk, day): CrewDayBook(crew, day, work[crew.pk, day], book) for crew in crews for day in days
    }
    rows = in_the_calendar().filter(crew__in=[crew.pk for crew in crews], day__in=days).order_by("starts_at", "pk")
    places = book.places
    for crew in crews:
        if (point := crew_point(crew, branch)) is not None:
            places.setdefault(point, len(places))
    for row in rows:
        books[row.crew_id, row.day].appointments.append(row)  # type: ignore[index]
        if (point := site_point(row)) is not None:
            places.setdefault(point, len(places))
    for row in also:
        if (point := site_point(row)) is not None:
            places.setdefault(point, len(places))
    book.travel = travel_between(branch, list(places))
    return book


def day_price(rules: CalendarRules, timeline: Timeline, work: WorkDay) -> Decimal:
    """What a day costs: driving, paid hours from leaving to being back, overtime on top."""
    if not timeline.stops:
        return Decimal(0)
    over = max(0, timeline.back - int(work.shifts[-1][1].timestamp())) if work.shifts else 0
    hours = Decimal(3600)
    return (
        rules.drive_price * timeline.drive + rules.paid_price * timeline.paid + rules.overtime_price * over
    ) / hours


# -- before it happens -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Push:
    """An appointment that would begin later than planned."""

    appointment: Appointment
    was: dt.datetime
    becomes: dt.datetime
    late_min: int


@dataclass(frozen=True, slots=True)
class Effect:
    """
    What putting an appointment somewhere would do, worked out before it is done.

    `price` is the change in money over all crew-days touched; `drive_min` the change in
    driving; `pushed` who begins later; `broken` the promises that would not be kept.
    """

    price: Decimal
    drive_min: int
    clashes: tuple[Clash, ...]
    pushed: tuple[Push, ...]
    broken: tuple[str, ...]
    word: str = ""

    @property
    def stops(self) -> tuple[Clash, ...]:
        return tuple(clash for clash in self.clashes if clash.severity == "stop")

    @property
    def needs_a_yes(self) -> bool:
        """Whether it can be done only when the dispatcher says so."""
        return bool(self.broken or [clash for clash in self.clashes if clash.severity == "check"])


def effect_of(
    appointment: Appointment,
    *,
    crew: Crew,
    starts_at: dt.datetime,
    duration_min: int | None = None,
    book: Book | None = None,
) -> Effect:
    """
    What placing (or moving) the appointment to that crew and start would do.

    The stops after it keep their planned start unless the crew can't be there by then.
    """
    branch = appointment.job.branch
    day = starts_at.astimezone(branch.tz).date()
    crews = {crew.pk: crew}
    days = {day}
    if appointment.is_placed() and appointment.crew is not None and appointment.day is not None:
        crews.setdefault(appointment.crew_id, appointment.crew)  # type: ignore[arg-type]
        days.add(appointment.day)
    book = book or open_book(branch, list(crews.values()), sorted(days), also=[appointment])
    rules = CalendarRules.of(branch)
    there = book.days[crew.pk, day]
    moved = _as_if(appointment, crew, day, starts_at, duration_min)
    others = [row for row in there.appointments if row.pk != appointment.pk]
    timeline = book.drive(there, [*others, moved])
    clashes = [*_own_clashes(moved, crew, day, there.work, rules), *_day_clashes(moved, others, timeline, there)]
    pushed, broken = _pushes(moved, others, timeline, book)
    before, drive_before = _cost_around(book, rules, appointment, there)
    after = day_price(rules, timeline, there.work)
    drive_after = timeline.drive
    if appointment.is_placed() and (appointment.crew_id, appointment.day) != there.key:
        left = book.days.get((appointment.crew_id, appointment.day))  # type: ignore[arg-type]
        if left is not None:
            rest = book.drive(left, [row for row in left.appointments if row.pk != appointment.pk])
            after += day_price(rules, rest, left.work)
            drive_after += rest.drive
            if appointment.state == Appointment.State.PROMISED:
                after += rules.moved_price
    return Effect(
        (after - before).quantize(Decimal("0.01")),
        round((drive_after - drive_before) / 60),
        tuple(clashes),
        tuple(pushed),
        tuple(broken),
        book.travel.word,
    )


def _as_if(
    appointment: Appointment, crew: Crew, day: dt.date, starts_at: dt.datetime, duration_min: int | None
) -> Appointment:
    """A copy in memory, standing there."""
    copy = Appointment(
        **{
            name: getattr(appointment, name)
            for name in (
                "pk", "job", "purpose", "state", "duration_min", "duration_safe_min", "promised_from",
                "promised_until", "earliest_on", "people", "priority",
            )
        }
    )  # fmt: skip
    copy.crew, copy.day, copy.starts_at = crew, day, starts_at
    skills = list(appointment.skills.all()) if appointment.pk else []
    copy._prefetched_objects_cache = {"skills": skills}  # type: ignore[attr-defined]
    if duration_min:
        copy.duration_min = duration_min
    return copy


def _cost_around(
    book: Book, rules: CalendarRules, appointment: Appointment, there: CrewDayBook
) -> tuple[Decimal, int]:
    """Money and seconds driven, as it stands, over the crew-days touched."""
    touched = {there.key: there}
    if appointment.is_placed():
        left = book.days.get((appointment.crew_id, appointment.day))  # type: ignore[arg-type]
        if left is not None:
            touched[left.key] = left
    price = sum((day_price(rules, one.timeline, one.work) for one in touched.values()), Decimal(0))
    return price, sum(one.timeline.drive for one in touched.values())


def earliest_install(appointment: Appointment) -> tuple[dt.date | None, str]:
    """The first day an appointment may stand on, and why; None when nothing bounds it."""
    days: list[tuple[dt.date, str]] = []
    if appointment.earliest_on:
        days.append((appointment.earliest_on, f"not before {_date(appointment.earliest_on)}, as booked"))
    if appointment.purpose in {Purpose.INSTALL, Purpose.DELIVERY, Purpose.RETURN}:
        ready = ports.ready_on(appointment.job)
        if ready is not None:
            rules = CalendarRules.of(appointment.job.branch)
            first = add_working_days(appointment.job.branch, ready, rules.pack_days)
            plural = "" if rules.pack_days == 1 else "s"
            days.append(
                (
                    first,
                    f"made on {_date(ready)}, and {rules.pack_days} working day{plural} to check, pack and load: "
                    f"{_date(first)} at the earliest",
                )
            )
    return max(days) if days else (None, "")


def in_the_way(row: Appointment) -> list[Blocker]:
    """What the rooms above say stops a visit that puts something up; nothing of it for a measuring."""
    if row.is_measuring() or row.state in {*BEGUN, Appointment.State.CANCELLED}:
        return []
    return [blocker for blocker in ports.blockers(row.job) if blocker.severity == "stop"]


def _date(day: dt.date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _clock(when: dt.datetime, tz: dt.tzinfo) -> str:
    here = when.astimezone(tz)
    return f"{here.hour % 12 or 12}:{here.minute:02d} {'am' if here.hour < 12 else 'pm'}"


def _own_clashes(
    moved: Appointment, crew: Crew, day: dt.date, work: WorkDay, rules: CalendarRules
) -> Iterable[Clash]:
    """What is wrong whatever else is on that day."""
    tz = moved.job.branch.tz
    assert moved.starts_at is not None
    if not work.works:
        yield Clash("away", f"{work.why}.")
    else:
        yield from _hour_clashes(moved, work, tz)
    first, why = earliest_install(moved)
    if first is not None and day < first:
        yield Clash("ready", f"{_date(day)} is too early: {why}.")
    if crew.purposes and moved.purpose not in crew.purposes:
        yield Clash("purpose", f"{crew.name} does not drive for {moved.get_purpose_display()}.", "check")
    lacking = sorted({skill.name for skill in moved.skills.all()} - {skill.name for skill in crew.skills.all()})
    if lacking:
        yield Clash("skill", f"{crew.name} lacks: {', '.join(lacking)}.", "check")
    if work.works and moved.people > work.people:
        yield Clash("people", f"It needs {moved.people} people; {crew.name} has {work.people} that day.", "check")
    for span in moved.job.impossible_times.all():
        if span.starts_at < moved.ends_at and span.ends_at > moved.starts_at:  # type: ignore[operator]
            text = f"The customer can't from {_clock(span.starts_at, tz)} to {_clock(span.ends_at, tz)} that day."
            yield Clash("customer", text, "check")
    if not moved.job.site.has_coordinates():
        yield Clash("place", "The site has no coordinates, so no drive to it is counted.", "check")


def _hour_clashes(moved: Appointment, work: WorkDay, tz: dt.tzinfo) -> Iterable[Clash]:
    assert moved.starts_at is not None
    assert moved.ends_at is not None
    place = work.shift_at(moved.starts_at)
    if place is None:
        hours = " and ".join(f"{_clock(a, tz)} to {_clock(b, tz)}" for a, b in work.shifts)
        yield Clash("hours", f"Outside the crew's hours that day: {hours}.")
        return
    end = work.shifts[place][1]
    over = round((moved.ends_at - end).total_seconds() / 60)
    if over > work.overtime_min:
        what = f"{work.overtime_min} min of overtime" if work.overtime_min else "no overtime"
        yield Clash("hours", f"It would end {over} min after the crew's hours; there is {what}.")
    elif over > 0:
        yield Clash("overtime", f"It ends {over} min into overtime.", "check")


def _day_clashes(
    moved: Appointment, others: Sequence[Appointment], timeline: Timeline, there: CrewDayBook
) -> Iterable[Clash]:
    """Overlaps with what stands there, drive time counted."""
    tz = moved.job.branch.tz
    by_pk = {row.pk: row for row in others}
    timed = list(timeline.stops)
    own = next(stop for stop in timed if stop.key == moved.pk)
    if own.pushed:
        before = timed[timed.index(own) - 1]
        name = by_pk[before.key].job.number
        at = dt.datetime.fromtimestamp(own.arrive, dt.UTC)
        leaves = dt.datetime.fromtimestamp(before.leave, dt.UTC)
        text = (
            f"{there.crew.name} is at {name} until {_clock(leaves, tz)}; with {round(own.drive / 60)} min of driving "
            f"it is here at {_clock(at, tz)}."
        )
        yield Clash("overlap", text)
    for stop in timed:
        if stop.key != moved.pk and stop.pushed and stop.is_fixed and stop.start > own.start:
            row = by_pk[stop.key]
            yield Clash("locked", f"{row.job.number} is fixed at {_clock(row.starts_at, tz)} and would be "  # type: ignore[arg-type]
                        f"reached {round(stop.pushed / 60)} min late.")  # fmt: skip
    if there.work.shifts and timeline.stops:
        yield from _end_clashes(timeline, there)
        yield from _lunch_clash(timeline, there)


def _end_clashes(timeline: Timeline, there: CrewDayBook) -> Iterable[Clash]:
    end = int(there.work.shifts[-1][1].timestamp())
    over = round((timeline.back - end) / 60)
    if over > there.work.overtime_min:
        yield Clash("hours", f"{there.crew.name} would be back {over} min after its hours.", "check")


def _lunch_clash(timeline: Timeline, there: CrewDayBook) -> Iterable[Clash]:
    lunch = there.work.lunch
    if lunch is None or fits_lunch(timeline, lunch.earliest, lunch.latest, lunch.minutes):
        return
    yield Clash("lunch", f"No {lunch.minutes} min of lunch would be left.", "check")


def fits_lunch(timeline: Timeline, earliest: dt.datetime, latest: dt.datetime, minutes: int) -> bool:
    """Whether a pause fits between stops, the drive taken before or after it."""
    low, high, length = int(earliest.timestamp()), int(latest.timestamp()), minutes * 60
    stops = timeline.stops
    if not stops or stops[0].start - stops[0].drive >= low + length or stops[-1].leave <= high:
        return True
    for one, after in pairwise(stops):
        begin = max(one.leave, low)
        if begin <= high and begin + length + after.drive <= after.start:
            return True
    return False


def _pushes(
    moved: Appointment, others: Sequence[Appointment], timeline: Timeline, book: Book
) -> tuple[list[Push], list[str]]:
    pushed, broken = [], []
    by_pk = {row.pk: row for row in others}
    was_late = _late_now(book, moved, others)
    for stop in timeline.stops:
        row = by_pk.get(stop.key)
        if row is None:
            broken += _own_broken(moved, stop)
            continue
        late = round(stop.late / 60)
        if stop.pushed and not stop.is_fixed:
            becomes = dt.datetime.fromtimestamp(stop.start, dt.UTC)
            pushed.append(Push(row, row.starts_at, becomes, late))  # type: ignore[arg-type]
        if late > was_late.get(row.pk, 0):
            broken.append(f"{row.job.number} {row.job.customer.name}: {late} min after its promised window")
    return pushed, broken


def _late_now(book: Book, moved: Appointment, others: Sequence[Appointment]) -> dict[Any, int]:
    there = book.days[moved.crew_id, moved.day]  # type: ignore[index]
    return {stop.key: round(stop.late / 60) for stop in there.timeline.stops}


def _own_broken(moved: Appointment, stop: Timed) -> list[str]:
    if moved.promised_from is None or moved.promised_until is None:
        return []
    start = dt.datetime.fromtimestamp(stop.start, dt.UTC)
    if moved.promised_from <= start <= moved.promised_until:
        return []
    tz = moved.job.branch.tz
    day = _date(moved.promised_from.astimezone(tz).date())
    span = f"{_clock(moved.promised_from, tz)} to {_clock(moved.promised_until, tz)}"
    return [f"{moved.job.number} itself: promised {day} {span}"]


def install_purposes() -> tuple[str, ...]:
    return tuple(str(purpose) for purpose in INSTALLING)
