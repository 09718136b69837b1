"""A crew drops out in the middle of its day: which visits that concerns, what is on the van, who could take them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from jobs.models import Appointment, Crew, Handover
from jobs.ports import ports
from jobs.schedule.availability import local
from jobs.schedule.day import BEGUN, DaySchedule, State, crew_point, moment, read_day, standing_of
from jobs.schedule.offers import Offer, takers
from jobs.schedule.travel import Via


@dataclass(frozen=True, slots=True)
class Stranded:
    """
    A visit that its crew can't do any more: what of it is on the van, and who could take it.

    `takers` are looked at one by one, each visit for itself; `is_kept` is whether they keep its promise.
    """

    row: Appointment
    aboard: Sequence[str]
    takers: Sequence[Offer]
    is_kept: bool

    @property
    def is_under_way(self) -> bool:
        """Whether the crew has set out for it, or is there: nobody else is sent by the plan."""
        return self.row.state in BEGUN


@dataclass(frozen=True, slots=True)
class Outage:
    """
    A crew that is out from an instant on; `van_at` is the last place it tapped at, None for its base.

    `handover` is how another crew gets what is on the van, not kept yet; None where nothing is, or nobody
    knows where it stands.
    """

    stranded: Sequence[Stranded]
    van_at: Appointment | None
    handover: Handover | None

    @property
    def on_van(self) -> int:
        """How many things have to be fetched from the van."""
        return sum(len(one.aboard) for one in self.stranded)

    @property
    def fetched(self) -> list[Appointment]:
        """The visits for which something has to be."""
        return [one.row for one in self.stranded if one.row.handover is self.handover and not one.is_under_way]


BASE: Final = "base"
"""Whoever takes a visit over goes back for its goods; otherwise they meet at the van."""
MINUTES: Final = 15
"""So long it takes to load them over, unless somebody says otherwise."""


def outage(
    crew: Crew, day: dt.date, since: dt.datetime, now: dt.datetime, *, fetch: str = "", minutes: int | None = None
) -> Outage:
    """
    What becomes of a crew's day when it is out from `since`; nothing is written.

    Nobody is proposed to begin before `now`, or before the crew is out; who needs what is on the van spends
    `minutes` on the way where `fetch` says.
    """
    one = read_day(crew, day)
    rows = _concerned(one, since, now)
    aboard = ports.aboard(rows)
    begun = [row for row in one.appointments if row.state in BEGUN]
    van_at = max(begun, key=lambda row: row.done_at or row.arrived_at or now, default=None)
    handover = _handover(crew, day, None if fetch == BASE else van_at, minutes or MINUTES)
    for row in rows:
        if aboard[row.pk] and not isinstance(standing_of(row).point, Via):
            row.handover = handover
    stranded = [_stranded(row, aboard[row.pk], max(since, now), day) for row in rows]
    return Outage(stranded, van_at, handover if any(aboard[row.pk] for row in rows) else None)


def _handover(crew: Crew, day: dt.date, van_at: Appointment | None, minutes: int) -> Handover | None:
    """At the site where the van stands, or at its base."""
    site = van_at.job.site if van_at is not None else None
    point = site.point if site is not None else crew_point(crew, crew.branch)
    if point is None:
        return None
    return Handover(crew=crew, day=day, site=site, longitude=point[0], latitude=point[1], minutes=minutes)


def _concerned(one: DaySchedule, since: dt.datetime, now: dt.datetime) -> list[Appointment]:
    """The visits that are not over when the crew drops out, as the day runs by then."""
    leaves = {stop.key: moment(stop.leave) for stop in (*one.timeline.stops, *one.ahead(now).stops)}
    return [row for row in one.appointments if row.state != State.DONE and _is_hit(row, leaves[row.pk], since, now)]


def _is_hit(row: Appointment, leaves: dt.datetime, since: dt.datetime, now: dt.datetime) -> bool:
    if row.state == State.ARRIVED and row.arrived_at is not None:
        leaves = max(now, row.arrived_at + dt.timedelta(minutes=row.duration_min))
    return leaves > since


def _stranded(row: Appointment, aboard: Sequence[str], begin: dt.datetime, day: dt.date) -> Stranded:
    if row.state in BEGUN:
        return Stranded(row, aboard, (), is_kept=False)
    if row.promised_from is not None and row.promised_until is not None:
        found = takers(row, (max(row.promised_from, begin), row.promised_until))
        if found:
            return Stranded(row, aboard, found, is_kept=True)
    midnight = local(row.job.branch.tz, day + dt.timedelta(days=1), dt.time(0))
    return Stranded(row, aboard, takers(row, (begin, midnight - dt.timedelta(minutes=1))), not row.is_promised())
