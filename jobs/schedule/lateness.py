"""How bad it is that a crew runs late, by minutes and by what the customer knows; and which crew is quiet."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

from jobs.models import Appointment
from jobs.schedule.chances import Outlook
from jobs.schedule.day import DaySchedule, moment, seconds
from jobs.schedule.words import clock
from shared.formats.durations import minutes_text

CALL_MIN: Final = 15
"""Later than this a customer is called; like those below common practice, no published source."""
QUIET: Final = dt.timedelta(minutes=15)
"""So long after a tap should have been the crew is asked."""
ANSWER: Final = dt.timedelta(minutes=10)
"""So long after that the office is told."""


@dataclass(frozen=True, slots=True)
class Grade:
    """How a visit that runs late stands: a ``stop`` needs somebody now, a ``check`` an eye, a ``note`` nothing."""

    severity: str
    text: str


def grade(row: Appointment, outlook: Outlook, now: dt.datetime) -> Grade | None:
    """
    How bad it is for this visit; None when it is not late.

    A customer who was told a time knows, as long as it holds within `CALL_MIN`.
    """
    if not outlook.is_late and not outlook.late_min:
        return None
    tz = row.job.branch.tz
    is_over = row.promised_until is not None and row.promised_until < now
    by = minutes_text(outlook.late_min)
    late = f"expected {by} after its appointment window" if outlook.late_min else outlook.text
    if outlook.is_off_today:
        late = "not today any more: the crew stops before"
    if is_over and row.promised_until is not None:
        late = f"{late}, missed: no tap by {clock(row.promised_until, tz)}"
    if row.told_time is not None and row.told_at is not None:
        told = f"the customer was told at {clock(row.told_at, tz)}"
        if outlook.is_off_today:
            return Grade("note", f"{late}; {told}")
        told = f"the customer was told {clock(row.told_time, tz)} at {clock(row.told_at, tz)}"
        slipped = 0 if outlook.expected is None else (outlook.expected - row.told_time).total_seconds() / 60
        if slipped > CALL_MIN:
            return Grade("stop", f"{late}; {told}, and it is {minutes_text(round(slipped))} later. Call again")
        return Grade("note", f"{late}; {told}")
    if is_over or outlook.late_min > CALL_MIN:
        return Grade("stop", f"{late}; the customer was not told. Call now")
    return Grade("check", f"{late}. Watch")


def arrived_late(row: Appointment) -> Grade | None:
    """How bad it is that the crew came after its window; None when it came in time."""
    if row.state != Appointment.State.ARRIVED or row.arrived_at is None or row.promised_until is None:
        return None
    late_min = int((row.arrived_at - row.promised_until).total_seconds() // 60)
    if late_min < 1:
        return None
    late, tz = f"arrived {minutes_text(late_min)} after its appointment window", row.job.branch.tz
    if row.told_at is not None and row.told_at <= row.arrived_at:
        return Grade("note", f"{late}; the customer was told at {clock(row.told_at, tz)}")
    return Grade("check", f"{late}; nobody had told the customer. Call and apologize")


@dataclass(frozen=True, slots=True)
class Quiet:
    """A crew of which nothing was heard: the stop where a tap should have been, and when."""

    appointment: int
    due: dt.datetime
    tap: str
    """Which one: ``leaving``, ``arrived`` or ``done``."""


def quiet(day: DaySchedule, now: dt.datetime) -> Quiet | None:
    """
    The stop at which a tap should have been `QUIET` ago; None when the crew was heard of, or has time yet.

    It follows from the last tap: on the way, it should be there after the drive; there, it should be done when 85
    of 100 such visits are; done, or before the first, it should be at the next stop at its planned start, or
    after the drive, and lunch about noon, where that is later.
    """
    found = _due(day, now)
    return found if found is not None and found.due + QUIET <= now else None


def _due(day: DaySchedule, now: dt.datetime) -> Quiet | None:
    ahead = day.ahead(now)
    if ahead.under_way is not None:
        there = ahead.under_way
        arrived, lasts = there.arrived_at or now, 60 * (there.safe_min or round(there.minutes * 1.3))
        lasts += 0 if day.pause is None else day.pause.within(seconds(arrived), lasts)
        return Quiet(there.pk, arrived + dt.timedelta(seconds=lasts), "done")
    if not ahead.stops:
        return None
    stop = ahead.stops[0]
    begin = day.by_pk[stop.key].starts_at
    there_by, lunch = moment(ahead.since + stop.drive), day.work.lunch
    if lunch is not None and lunch.earliest <= moment(ahead.since) <= lunch.latest:
        there_by += dt.timedelta(minutes=lunch.minutes)
    return Quiet(stop.key, there_by if ahead.is_driving else max(begin, there_by), "arrived")
