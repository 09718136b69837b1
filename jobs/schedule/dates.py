"""The first day on which a visit may stand, and the one date of a job: by when everything hangs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from django.db.models import Count, Sum
from django.utils import timezone

from jobs.models import MEASURING, Appointment, CalendarRules, Crew, Job, JobDate, Purpose, Wish
from jobs.ports import Expected, Making, ports
from jobs.rules.dates import STEPS, Course, Days, Forecast, Waits, Way, deciding, forecast
from jobs.schedule.availability import Span, WorkingDays, crew_days, possible_spans
from jobs.schedule.day import taking_time
from jobs.schedule.wishes import spans_of
from shared.formats.dates import short_day
from shared.formats.money import extra_cost
from shared.models import Branch

BRINGS: frozenset[str] = frozenset({Purpose.INSTALL, Purpose.DELIVERY, Purpose.RETURN})
"""Purposes of visits that something has to be made for."""
First = tuple[dt.date | None, str]
BACK_DAYS: Final = 800
"""Calendar days before today that a job's steps are looked for in."""
AHEAD_DAYS: Final = 400
ROOM_DAYS: Final = 40
"""Days ahead on which the crews' room is counted; beyond, little stands."""
OPENING_MIN, VISIT_MIN, STOP_MIN = 25, 30, 20
"""Minutes an opening, a visit and a drive are taken to need of a crew; common practice, no published source."""
MISSING: Final = {"deposit": "deposit", "approval": "approval", "release": "release to the workroom"}


def earliest_install(appointment: Appointment) -> First:
    """
    The first day an appointment may stand on, and why; None when nothing bounds it.

    None with a why: its parts are not known yet, so that no day can be named.
    """
    return earliest_installs([appointment])[0]


def earliest_installs(appointments: Sequence[Appointment]) -> list[First]:
    """The same for several, in their order and in a few queries; their job and its branch had better be fetched."""
    reasons = iter(ports.parts_unknown([row for row in appointments if row.purpose == Purpose.RETURN]))
    unknown = [next(reasons) if row.purpose == Purpose.RETURN else "" for row in appointments]
    waiting = [row for row, why in zip(appointments, unknown, strict=True) if row.purpose in BRINGS and not why]
    made = ports.ready_on([row.job for row in waiting])
    packed = _packed({row.job.branch_id: row.job.branch for row in waiting}, waiting, made)
    return [_first(row, why, packed.get(row.job_id)) for row, why in zip(appointments, unknown, strict=True)]


def _packed(
    branches: Mapping[int, Branch], rows: Sequence[Appointment], made: Mapping[int, dt.date]
) -> dict[int, tuple[dt.date, str]]:
    """By job, the first day after all is made, checked, packed and loaded, and why."""
    found = {}
    for pk, branch in branches.items():
        ready = {row.job_id: made[row.job_id] for row in rows if row.job.branch_id == pk and row.job_id in made}
        if not ready:
            continue
        rules = CalendarRules.of(branch)
        days = WorkingDays(branch, min(ready.values()), max(ready.values()), rules)
        plural = "" if rules.pack_days == 1 else "s"
        for job, day in ready.items():
            first = days.after(day, rules.pack_days)
            found[job] = (
                first,
                f"made on {short_day(day)}, and {rules.pack_days} working day{plural} to check, pack and load: "
                f"{short_day(first)} at the earliest",
            )
    return found


def _first(row: Appointment, unknown: str, packed: tuple[dt.date, str] | None) -> First:
    if unknown:
        return row.earliest_on, unknown
    days = [packed] if packed is not None and row.purpose in BRINGS else []
    if row.earliest_on:
        days.append((row.earliest_on, f"not before {short_day(row.earliest_on)}, as booked"))
    return max(days) if days else (None, "")


# -- the one date of a job --------------------------------------------------------------------


@dataclass(frozen=True)
class DateOutlook:
    """When a job is measured, and the day by which it is installed with the branch's least chance."""

    course: Course
    waits: Waits
    floor: int
    missing: tuple[str, ...]
    forecast: Forecast

    @property
    def by(self) -> dt.date:
        return self.forecast.by(self.floor / 100)

    @property
    def is_confirmed(self) -> bool:
        """Whether deposit, approval, release and the suppliers' ship dates are all in."""
        return not self.missing

    @property
    def missing_text(self) -> str:
        """``deposit, approval``."""
        return ", ".join(MISSING.get(one, one) for one in self.missing)

    @cached_property
    def decides(self) -> str:
        """The step, of `STEPS`, that decides about the day."""
        return deciding(self.course, self.waits, self.forecast.days, self.floor / 100)

    @property
    def decides_text(self) -> str:
        """The same in words; of materials which, where one is named."""
        names = [one.name for one in self.course.goods if one.lead is not None]
        return ", ".join(dict.fromkeys(names)) if self.decides == "goods" and names else STEPS.get(self.decides, "")

    @property
    def text(self) -> str:
        """As it is said on the phone."""
        measured = short_day(self.course.measure_on)
        return f"measured {measured}; installed by {short_day(self.by)}"

    @property
    def steps(self) -> list[tuple[str, dt.date]]:
        """Each step's likely end."""
        return [(text, self.forecast.marks[name]) for name, text in STEPS.items()]

    def chance(self, day: dt.date) -> int:
        """Of that day, of 100; a forecast is never certain."""
        return min(99, max(1, round(100 * self.forecast.chance(day))))

    def having(self, making: Making) -> DateOutlook:
        """The same job if that were what its units wait for."""
        course = replace(self.course, goods=making.goods, places=making.places)
        return replace(self, course=course, forecast=forecast(course, self.waits, self.forecast.days))

    def with_visit(self, day: dt.date) -> DateOutlook:
        """The same with an install visit on that day."""
        course = replace(self.course, install_on=day)
        return replace(self, course=course, forecast=forecast(course, self.waits, self.forecast.days))


class BranchDates:
    """What the dates of a branch's jobs have in common, read once."""

    def __init__(self, branch: Branch, rules: CalendarRules | None = None) -> None:
        self.branch = branch
        self.rules = rules or CalendarRules.of(branch)
        self.today = timezone.now().astimezone(branch.tz).date()
        self.days = days_of(branch, self.today, self.rules)
        self.waits = self.rules.waits
        self.room = _room(branch, self.today, self.days, self.rules)

    def of_call(
        self, visit: Expected, days: Sequence[dt.date], wishes: Sequence[Wish] = (), impossible: Sequence[Span] = ()
    ) -> dict[dt.date, DateOutlook]:
        """Of a job that is not stored, by the day of its measure: its openings by family, when the customer can."""
        making = ports.expected_making(visit)
        shut = self._shut(making, wishes, impossible)
        return {day: self._outlook(making, day, shut, None, ()) for day in days}

    def of_jobs(self, jobs: Sequence[Job]) -> dict[int, DateOutlook]:
        """Of these jobs of the branch, by their keys; without those that are over, or have no day to begin from."""
        found = {}
        known = ports.making(jobs)
        for job in jobs:
            visits = [one for one in job.appointments.all() if one.state != Appointment.State.CANCELLED]
            making = known.get(job.pk) or ports.expected_making(Expected.of(job, Purpose.INSTALL))
            measured = _measured(visits, self.today, making.approved_on or making.released_on)
            if measured is None or job.stage in OVER:
                continue
            spans = [(one.starts_at, one.ends_at) for one in job.impossible_times.all()]
            shut = self._shut(making, list(job.wishes.all()), spans)
            missing = ("deposit",) if job.hold == Job.Hold.DEPOSIT else ()
            found[job.pk] = self._outlook(making, measured, shut, _install_day(visits), missing)
        return found

    def _outlook(
        self,
        making: Making,
        measure_on: dt.date,
        shut: frozenset[dt.date],
        install_on: dt.date | None,
        missing: tuple[str, ...],
    ) -> DateOutlook:
        course = Course(
            self.today,
            measure_on,
            max(making.families, key=lambda name: making.families[name], default=""),
            making.approved_on,
            making.released_on,
            making.made_on,
            making.goods,
            making.places,
            self.rules.pack_days,
            install_on,
            shut,
        )
        found = forecast(course, self.waits, self.days)
        floor = max(1, self.rules.chance_floor)
        return DateOutlook(course, self.waits, floor, (*missing, *making.missing), found)

    def _shut(self, making: Making, wishes: Sequence[Wish], impossible: Sequence[Span]) -> frozenset[dt.date]:
        """Days without room on any crew for so many openings, or on which the customer can't be there."""
        minutes = install_minutes(sum(making.families.values()))
        full = {day for day, room in self.room.items() if room < minutes}
        return frozenset(full | self._away(wishes, impossible, minutes))

    def _away(self, wishes: Sequence[Wish], impossible: Sequence[Span], minutes: int) -> set[dt.date]:
        if not wishes and not impossible:
            return set()
        days, tz = [self.today + dt.timedelta(days=ahead) for ahead in range(ROOM_DAYS)], self.branch.tz
        only = spans_of(wishes, Wish.Kind.ONLY, tz, days)
        never = [*impossible, *spans_of(wishes, Wish.Kind.NOT, tz, days)]
        hours = (dt.time(7), dt.time(20))
        can = possible_spans(tz, hours, min(minutes, 60), only, days, never)
        return set(days) - {begin.astimezone(tz).date() for begin, _ in can}


@dataclass(frozen=True, slots=True)
class DateNow:
    """A job's outlook beside the day its customer was told: the chance of that, and what would save it if it slips."""

    outlook: DateOutlook
    told_on: dt.date | None
    ways: tuple[Way, ...]

    @property
    def slips(self) -> bool:
        return self.told_on is not None and self.outlook.by > self.told_on

    @property
    def chance(self) -> int | None:
        return None if self.told_on is None else self.outlook.chance(self.told_on)


def date_now(job: Job) -> DateNow | None:
    """When a job is measured and installed as things stand; None when that is over or nothing is known."""
    outlook = BranchDates(job.branch).of_jobs([job]).get(job.pk)
    if outlook is None:
        return None
    date = JobDate.objects.filter(job=job).first()
    if date is None or date.told_on is None:
        return DateNow(outlook, None, ())
    now = DateNow(outlook, date.told_on, ())
    return replace(now, ways=tuple(date.ways)) if now.slips else now


def way_text(way: Way, currency: str) -> str:
    """``rush batch: Fri, Dec 18, 91%, no extra cost``."""
    price = "no extra cost" if way.price == 0 else "price not known"
    price = extra_cost(way.price, currency) if way.price else price
    return f"{way.text}: {short_day(way.by)}, {way.chance}%, {price}"


def ways_of(job: Job, outlook: DateOutlook, told: dt.date) -> list[Way]:
    """What would make the day the customer was told likelier, the likeliest first; what helps nothing is left out."""
    making = ports.making([job]).get(job.pk) or Making()
    now, found = outlook.chance(told), []
    for rescue in ports.rescues(job, making):
        then = outlook.having(rescue.making)
        found.append(Way(rescue.text, then.by, then.chance(told), rescue.price, rescue.url))
    return sorted((one for one in found if one.chance > now), key=lambda one: -one.chance)


OVER: Final = (Job.Stage.INSTALLED, Job.Stage.CLOSED, Job.Stage.CANCELLED)
LONGEST_MIN: Final = 300
"""More minutes of a visit than this are not looked for on one day: it is split."""


def install_minutes(openings: int) -> int:
    """Minutes on site that so many openings are taken to need of one day."""
    return min(LONGEST_MIN, VISIT_MIN + OPENING_MIN * openings)


def days_of(branch: Branch, today: dt.date, rules: CalendarRules) -> Days:
    """The branch's days about today, and which are worked."""
    first, last = today - dt.timedelta(days=BACK_DAYS), today + dt.timedelta(days=AHEAD_DAYS)
    working = WorkingDays(branch, first, last, rules)
    days = [first + dt.timedelta(days=ahead) for ahead in range((last - first).days + 1)]
    return Days(first, np.array([working.has(day) for day in days]))


def _room(branch: Branch, today: dt.date, working: Days, rules: CalendarRules) -> dict[dt.date, float]:
    """Of the next working days, the most minutes that some install crew has left."""
    crews = [crew for crew in Crew.objects.filter(branch=branch, is_active=True) if crew.drives_for(Purpose.INSTALL)]
    for crew in crews:
        crew.branch = branch
    ahead = (today + dt.timedelta(days=number) for number in range(ROOM_DAYS))
    days = [day for day in ahead if working.worked[working.spot(day)]]
    if not crews or not days:
        return {}
    taken: dict[tuple[int, dt.date | None], int] = {
        (row["crew"], row["day"]): row["minutes"] + STOP_MIN * row["visits"]
        for row in taking_time()
        .filter(crew__in=crews, day__range=(days[0], days[-1]))
        .order_by()
        .values("crew", "day")
        .annotate(minutes=Sum("duration_min"), visits=Count("pk"))
    }
    hours = crew_days(crews, days, rules)
    found: dict[dt.date, float] = dict.fromkeys(days, 0.0)
    for (pk, day), work in hours.items():
        open_min = sum((end - begin).total_seconds() / 60 for begin, end in work.shifts)
        lunch = work.lunch.minutes if work.lunch is not None and work.works else 0
        found[day] = max(found[day], open_min - lunch - taken.get((pk, day), 0))
    return found


def _measured(visits: Sequence[Appointment], today: dt.date, known_by: dt.date | None) -> dt.date | None:
    """The last day a job is, or was, measured; without such a visit the day it was known by, if it was."""
    mine = {one.day: one.state for one in visits if one.purpose in MEASURING and one.day is not None}
    if not mine:
        return known_by
    is_over = all(state == Appointment.State.DONE for state in mine.values())
    return max(mine) if is_over else max(today, *mine)


def _install_day(visits: Sequence[Appointment]) -> dt.date | None:
    days = [one.day for one in visits if one.purpose == Purpose.INSTALL and one.is_promised() and one.day is not None]
    return max(days, default=None)
