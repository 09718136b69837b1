"""
A crew's day: its stops with drive, wait, start and leave, and both edges of their promises.

`DaySchedule` is the one truth about it. It is built here and nowhere else, from plain values of
the database's rows; pages hang their rows on it, prices, chances, offers and plans derive from it.
Nothing here writes.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from operator import attrgetter
from typing import Final, NamedTuple

import numpy as np
from django.db.models import Q, QuerySet
from django.utils import timezone

from jobs.models import Appointment, CalendarRules, Crew
from jobs.rules.timeline import LONG, Pause, Planned, Timed, Timeline, drive_day, drive_on, leg
from jobs.rules.variation import CAREFUL, Variation
from jobs.schedule.availability import WorkDay, crew_days
from jobs.schedule.travel import Point, Spot, Travel, Via, place_of, travel_between, whole_minutes
from shared.models import Branch

State = Appointment.State
UNDER_WAY: Final = (State.ON_THE_WAY, State.ARRIVED)
BEGUN: Final = (*UNDER_WAY, State.DONE)
Key = tuple[int, dt.date]
"""A crew's key and a day."""
Stop = Timed
"""One stop of a crew's day: for who reads it; nobody else makes one."""


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
    on_the_way_at: dt.datetime | None
    arrived_at: dt.datetime | None
    done_at: dt.datetime | None
    longitude: float | None
    latitude: float | None
    hours_from: dt.time | None
    hours_until: dt.time | None
    van_crew: int | None
    van_day: dt.date | None
    van_longitude: float | None
    van_latitude: float | None
    van_min: int | None

    @property
    def ends_at(self) -> dt.datetime:
        return self.starts_at + dt.timedelta(minutes=self.minutes)

    @property
    def is_begun(self) -> bool:
        return self.state in BEGUN

    @property
    def point(self) -> Spot | None:
        """Its site; by way of the van of a crew that is out, for another crew that takes it over on that day."""
        if self.longitude is None or self.latitude is None:
            return None
        if self.van_crew is None or self.crew == self.van_crew or self.day != self.van_day:
            return self.longitude, self.latitude
        assert self.van_longitude is not None
        assert self.van_latitude is not None
        by = self.van_longitude, self.van_latitude
        return Via(self.longitude, self.latitude, by, (self.van_min or 0) * 60)


FIELDS: Final = (
    "pk", "job_id", "crew_id", "day", "starts_at", "duration_min", "duration_safe_min", "promised_from",
    "promised_until", "state", "is_locked", "on_the_way_at", "arrived_at", "done_at",
    "job__site__longitude", "job__site__latitude", "job__site__hours_from", "job__site__hours_until",
    "handover__crew_id", "handover__day", "handover__longitude", "handover__latitude", "handover__minutes",
)  # fmt: skip
_OF_VAN: Final = 5
_read = attrgetter(*(name.replace("__", ".") for name in FIELDS[:-_OF_VAN]))
_read_van = attrgetter(*(name.removeprefix("handover__") for name in FIELDS[-_OF_VAN:]))


def standing_of(row: Appointment) -> Standing:
    """The plain values of a row; its job and site, and its handover, had better be fetched with it."""
    return Standing(*_read(row), *((None,) * _OF_VAN if row.handover is None else _read_van(row.handover)))


def site_point(appointment: Appointment) -> Point | None:
    return appointment.job.site.point


def taken_over(row: Appointment, days: Sequence[dt.date]) -> Spot | None:
    """Where a visit is for another crew than its own on these days; `site_point` where nothing is to be fetched."""
    van_day = row.handover.day if row.handover is not None else None
    if van_day is None or van_day not in days:
        return site_point(row)
    return standing_of(row)._replace(crew=0, day=van_day).point


def crew_point(crew: Crew, branch: Branch) -> Point | None:
    """The crew's own base, else the branch."""
    if crew.latitude is not None and crew.longitude is not None:
        return crew.longitude, crew.latitude
    if branch.latitude is not None and branch.longitude is not None:
        return branch.longitude, branch.latitude
    return None


@dataclass(frozen=True, slots=True)
class Roads:
    """Places by number and the seconds between any two of them."""

    places: Mapping[Spot, int]
    travel: Travel

    def place(self, point: Spot | None) -> int:
        """Row of the travel table; -1 for what has no coordinates."""
        return -1 if point is None else self.places[point]

    def plus(self, point: Spot, into: Sequence[int], out_of: Sequence[int]) -> Roads:
        """One more place, with the seconds from every place to it and back; the same where it is known."""
        if point in self.places:
            return self
        rows = [[*row, drive] for row, drive in zip(self.travel.rows, into, strict=True)] + [[*out_of, 0]]
        return Roads({**self.places, point: len(self.places)}, Travel(np.array(rows), self.travel.word))

    def by_way(self, via: Via) -> Roads:
        """One more place that is driven to by way of another; both are known by themselves."""
        rows, by, at = self.travel.rows, self.places[via.by], self.places[place_of(via)]
        return self.plus(via, [row[by] + via.seconds + rows[by][at] for row in rows], rows[at])


def roads_between(branch: Branch, points: Iterable[Spot | None], rules: CalendarRules | None = None) -> Roads:
    """The roads between these places; those that are None are passed over."""
    spots = [point for point in points if point is not None]
    vias = {spot: None for spot in spots if isinstance(spot, Via)}
    known = dict.fromkeys((*map(place_of, spots), *(via.by for via in vias)))
    roads = Roads({place: number for number, place in enumerate(known)}, travel_between(branch, list(known), rules))
    for via in vias:
        roads = roads.by_way(via)
    return roads


class Meeting(NamedTuple):
    """A stop at the van of a crew that is out: its minutes are of the drive to the visit that it is for."""

    begins: dt.datetime
    leaves: dt.datetime


@dataclass(frozen=True, eq=False)
class DaySchedule:
    """
    One crew's day: its hours, what stands on it, and how it goes.

    `standing` is in the order of planned starts; `rows` are the same visits as pages need them, where
    somebody asked for them; `variation` is how its times vary.
    """

    crew: Crew
    work: WorkDay
    roads: Roads
    standing: tuple[Standing, ...] = ()
    rows: Mapping[int, Appointment] = field(default_factory=dict)
    variation: Variation = CAREFUL

    @property
    def day(self) -> dt.date:
        return self.work.day

    @property
    def key(self) -> Key:
        return self.work.crew_id, self.work.day

    @property
    def appointments(self) -> list[Appointment]:
        """The rows in driving order."""
        return [self.rows[one.pk] for one in self.standing]

    @cached_property
    def base(self) -> int:
        """The crew's base in the travel table."""
        return self.roads.place(crew_point(self.crew, self.crew.branch))

    @cached_property
    def timeline(self) -> Timeline:
        """How the day goes as it stands; seconds since the epoch."""
        return drive_day(map(self._planned, self.standing), self.roads.travel.rows, self.base, self.pause)

    @cached_property
    def pause(self) -> Pause | None:
        """The crew's lunch on the same axis."""
        lunch = self.work.lunch
        return None if lunch is None else Pause(seconds(lunch.earliest), seconds(lunch.latest), lunch.minutes * 60)

    @cached_property
    def by_pk(self) -> dict[int, Standing]:
        return {one.pk: one for one in self.standing}

    @cached_property
    def stops(self) -> dict[int, Timed]:
        """How each visit goes, by its key, in driving order."""
        return {stop.key: stop for stop in self.timeline.stops}

    def meeting(self, pk: int) -> Meeting | None:
        """When and how long the crew is at another's van before that visit; None where it fetches nothing."""
        via, stop = self.by_pk[pk].point, self.stops[pk]
        if not isinstance(via, Via):
            return None
        leaves = stop.arrive - leg(self.roads.travel.rows, self.roads.place(via.by), self.roads.place(place_of(via)))
        return Meeting(moment(leaves - via.seconds), moment(leaves))

    def _planned(self, one: Standing) -> Planned:
        promised = None
        if one.promised_from is not None and one.promised_until is not None:
            promised = seconds(one.promised_from), seconds(one.promised_until)
        spot, start = one.point, seconds(one.starts_at)
        at_van = spot.seconds if isinstance(spot, Via) else 0
        is_fixed = one.is_locked or one.is_begun
        return Planned(one.pk, self.roads.place(spot), one.minutes * 60, start, promised, is_fixed, at_van)

    @property
    def trouble(self) -> Timed | None:
        """The first visit that misses its promise, or its fixed start, by a minute or more as the day stands."""
        stops = self.timeline.stops
        return next((stop for stop in stops if stop.late >= 60 or (stop.pushed >= 60 and stop.is_fixed)), None)

    # -- as if ------------------------------------------------------------------

    def of(self, standing: Iterable[Standing]) -> DaySchedule:
        """The same crew and hours with these visits instead."""
        return replace(self, standing=tuple(sorted(standing, key=lambda one: one.starts_at)))

    def without(self, pk: int) -> DaySchedule:
        """The day without that visit; itself when it is not there."""
        return self.of(one for one in self.standing if one.pk != pk) if pk in self.by_pk else self

    def plus(self, one: Standing) -> DaySchedule:
        """The day with one more visit, or the same visit as it is given here."""
        return self.of([*(other for other in self.standing if other.pk != one.pk), one])

    # -- from now on --------------------------------------------------------------

    def is_manned(self, pk: int) -> bool:
        """Whether the crew works when the visit is to begin; else nobody comes to it."""
        one = self.by_pk[pk]
        return one.is_begun or self.work.shift_at(one.starts_at) is not None

    def ahead(self, now: dt.datetime) -> Ahead:
        """
        How the visits still to come will go; those that nobody comes to are left out.

        Where the crew is and when it is free follows from its last tap: on the way, it is there
        after the drive; arrived, it needs what is left of the visit's minutes. Nobody sets out
        before now.
        """
        begun = [one for one in self.standing if one.is_begun]
        rest = [self._planned(one) for one in self.standing if not one.is_begun and self.is_manned(one.pk)]
        rows = self.roads.travel.rows
        if not begun:
            planned = drive_on(rest, rows, at=self.base, free=None, pause=self.pause)
            depart = planned[0].start - planned[0].drive if planned else 0
            if seconds(now) <= depart:
                return Ahead(depart, planned, is_running=False, since=depart, is_at_base=True)
            free = _full(now)
            stops = drive_on(rest, rows, at=self.base, free=free, pause=self.pause)
            return Ahead(free, stops, is_running=True, since=depart, is_at_base=True)
        last = max(begun, key=lambda one: one.done_at or one.arrived_at or one.on_the_way_at or now)
        if last.state == State.ON_THE_WAY:
            return self._on_the_way(last, begun, rest, now)
        free = _full(max(now, self._free_at(last, now)))
        stops = drive_on(rest, rows, at=self.roads.place(last.point), free=free, pause=self.pause)
        is_there, since = last.state == State.ARRIVED, seconds(last.done_at or last.arrived_at or now)
        return Ahead(free, stops, is_running=True, since=since, under_way=last if is_there else None)

    def _on_the_way(
        self, last: Standing, begun: Sequence[Standing], rest: Sequence[Planned], now: dt.datetime
    ) -> Ahead:
        rows = self.roads.travel.rows
        before = [one for one in begun if one.pk != last.pk]
        start = self.roads.place(before[-1].point) if before else self.base
        drive = dt.timedelta(seconds=leg(rows, start, self.roads.place(last.point)))
        free = _full(max(now - drive, last.on_the_way_at or now))
        (first,) = drive_on([self._planned(last)], rows, at=start, free=free, pause=self.pause)
        stops = (first, *drive_on(rest, rows, at=first.place, free=first.leave, pause=self.pause))
        return Ahead(free, stops, is_running=True, since=seconds(last.on_the_way_at or now), is_driving=True)

    def _free_at(self, last: Standing, now: dt.datetime) -> dt.datetime:
        """When the crew is done where it is."""
        if last.done_at is not None:
            return last.done_at
        there, lasts = last.arrived_at or now, last.minutes * 60
        lunch = 0 if self.pause is None else self.pause.within(seconds(there), lasts)
        return there + dt.timedelta(seconds=lasts + lunch)

    def expected(self, now: dt.datetime) -> dict[int, dt.datetime]:
        """When the visits still to come will begin, once the day runs otherwise than planned; {} before and after."""
        if now.astimezone(self.crew.branch.tz).date() != self.day:
            return {}
        ahead = self.ahead(now)
        return {stop.key: moment(stop.start) for stop in ahead.stops} if ahead.is_running else {}


@dataclass(frozen=True, slots=True)
class Ahead:
    """
    The visits of a day that are still to come, in driving order.

    The crew leaves at `depart`, in seconds since the epoch, from where it is; `is_running` is whether
    that follows from its taps or the clock, not from the plan; `under_way` is the visit it is at, which
    is taken to last as planned, or until now. `since` is when it was last heard of, or was to leave its base;
    with `is_driving` it is on the way to the first stop, with `is_at_base` nothing was heard of it yet.
    """

    depart: int
    stops: tuple[Timed, ...]
    is_running: bool
    since: int
    under_way: Standing | None = None
    is_driving: bool = False
    is_at_base: bool = False


def _full(when: dt.datetime) -> int:
    """The first full minute from then on, in seconds."""
    at: int = whole_minutes(math.ceil(when.timestamp()))
    return at


def seconds(when: dt.datetime) -> int:
    """An instant on the axis of every timeline: seconds since the epoch."""
    return int(when.timestamp())


def moment(at: int) -> dt.datetime:
    """And back."""
    return dt.datetime.fromtimestamp(at, dt.UTC)


@dataclass(frozen=True, eq=False)
class Schedule:
    """Some crews' days with the roads between all their places."""

    branch: Branch
    days: Mapping[Key, DaySchedule]
    roads: Roads
    rules: CalendarRules

    @property
    def rows(self) -> dict[int, Appointment]:
        """Every row of these days."""
        return {pk: row for one in self.days.values() for pk, row in one.rows.items()}


def taking_time() -> QuerySet[Appointment]:
    """Appointments that take a crew's time: placed, not cancelled, no reservation that ran out."""
    lapsed = Q(state=State.RESERVED, reserved_until__lt=timezone.now())
    return (
        Appointment.objects.filter(crew__isnull=False, day__isnull=False)
        .exclude(state__in=[State.CANCELLED, State.UNPLACED])
        .exclude(lapsed)
        .order_by("starts_at", "pk")
    )


def in_the_calendar() -> QuerySet[Appointment]:
    """The same with all that pages show of them."""
    return taking_time().select_related("job__site", "job__customer", "job__branch", "crew", "handover")


def read_schedule(
    branch: Branch,
    crews: Sequence[Crew],
    days: Sequence[dt.date],
    *,
    also: Iterable[Appointment] = (),
    hours: Mapping[Key, WorkDay] | None = None,
) -> Schedule:
    """
    These crews' days with everything on them, in about six queries however many there are.

    Parameters
    ----------
    also
        Appointments that may come in; their places get into the travel table.
    hours
        `crew_days` of these crews and days, or of more, where the caller has them.
    """
    for crew in crews:
        crew.branch = branch
    rules = CalendarRules.of(branch)
    hours = crew_days(crews, days, rules) if hours is None else hours
    work = {(crew.pk, day): hours[crew.pk, day] for crew in crews for day in days}
    by_day: dict[Key, dict[int, Appointment]] = {key: {} for key in work}
    rows = list(in_the_calendar().filter(crew__in=[crew.pk for crew in crews], day__in=days))
    for row in rows:
        by_day[row.place()][row.pk] = row
    points, variation = [crew_point(crew, branch) for crew in crews], rules.variation
    also = list(also)
    spots = [spot for row in (*rows, *also) for spot in (site_point(row), taken_over(row, days))]
    roads = roads_between(branch, [*points, *spots], rules)
    return Schedule(
        branch,
        {
            (crew.pk, day): DaySchedule(
                crew, work[crew.pk, day], roads, tuple(map(standing_of, by_day[crew.pk, day].values())),
                by_day[crew.pk, day], variation,
            )
            for crew in crews
            for day in days
        },
        roads,
        rules,
    )  # fmt: skip


def lunch_min(row: Appointment) -> int:
    """Minutes of the crew's lunch within a visit as it stands; only a long one has any."""
    if row.duration_min * 60 < LONG or not row.is_placed() or row.crew is None or row.day is None:
        return 0
    stop = read_day(row.crew, row.day).stops.get(row.pk)
    return 0 if stop is None else stop.lunch // 60


def read_day(crew: Crew, day: dt.date) -> DaySchedule:
    """One crew's day; for several use `read_schedule`."""
    return read_schedule(crew.branch, [crew], [day]).days[crew.pk, day]
