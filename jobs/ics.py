"""
Visits as calendar entries (RFC 5545): one file for the customer, a feed for a crew or a person.

The customer's entry spans the promised window, the crew's the planned work. UID never
changes, SEQUENCE grows with every change, a visit that was called off stays in the feed as
cancelled. Keys and codes are in neither.
"""

from __future__ import annotations

import datetime as dt
from typing import Final

from django.core import signing
from django.db.models import Q, QuerySet
from django.utils import timezone
from icalendar import Calendar, Event

from jobs.models import Appointment, CalendarFeed, CrewMember
from jobs.schedule.day import lunch_min
from jobs.schedule.words import WHAT, stay_text
from shared.models import Branch

PRODUCT: Final = "-//Jambwise//calendar//EN"
SALT: Final = "jobs.feed"
DAYS_BACK: Final = 14
DAYS_AHEAD: Final = 120


def visit_file(row: Appointment, *, now: dt.datetime | None = None) -> bytes:
    """The customer's calendar file: the promised window, cancelled when the visit is."""
    cancelled = row.state == Appointment.State.CANCELLED
    calendar = _calendar(row.job.branch, "CANCEL" if cancelled else "PUBLISH")
    begin, end = row.promised_from or row.starts_at, row.promised_until or row.ends_at
    assert begin is not None
    assert end is not None
    event = _event(row, begin, end, now)
    event.add("summary", f"{row.job.branch.name}: {WHAT[row.purpose].replace('your ', '')}")
    event.add("description", f"The crew begins within this time and stays about {stay_text(row)}.")
    calendar.add_component(event)
    return _write(calendar)


def feed_file(feed: CalendarFeed, *, now: dt.datetime | None = None) -> bytes:
    """The feed of a crew or a person, from two weeks back to some months ahead."""
    now = now or timezone.now()
    calendar = _calendar(feed.branch, "PUBLISH")
    calendar.add("x-wr-calname", str(feed.crew or feed.user))
    today = now.astimezone(feed.branch.tz).date()
    days = today - dt.timedelta(days=DAYS_BACK), today + dt.timedelta(days=DAYS_AHEAD)
    for row in _rows(feed).filter(day__range=days):
        if row.starts_at is None or row.ends_at is None:
            continue
        event = _event(row, row.starts_at, row.ends_at + dt.timedelta(minutes=lunch_min(row)), now)
        event.add("summary", f"{row.get_purpose_display()} {row.job.number} {row.job.customer.name}")
        event.add("description", row.note)
        calendar.add_component(event)
    return _write(calendar)


def _rows(feed: CalendarFeed) -> QuerySet[Appointment]:
    rows = Appointment.objects.filter(job__branch=feed.branch).exclude(
        Q(state=Appointment.State.UNPLACED) | Q(state=Appointment.State.RESERVED)
    )
    rows = rows.select_related("job__customer", "job__site", "job__branch", "crew").order_by("starts_at", "pk")
    if feed.crew_id is not None:
        return rows.filter(crew=feed.crew_id)
    members = CrewMember.objects.filter(user=feed.user_id)
    asked: Q = Q(pk__in=[])
    for member in members:
        span = Q(crew=member.crew_id, day__gte=member.from_on)
        if member.until_on is not None:
            span &= Q(day__lte=member.until_on)
        asked |= span
    return rows.filter(asked)


def _calendar(branch: Branch, method: str) -> Calendar:
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", method)
    calendar.add("x-wr-timezone", branch.zone)
    return calendar


def _event(row: Appointment, begin: dt.datetime, end: dt.datetime, now: dt.datetime | None) -> Event:
    """Times with the branch's zone, so that the entry stays at nine when the clocks change."""
    tz = row.job.branch.tz
    event = Event()
    event.add("uid", f"{row.uid}@jambwise")
    event.add("dtstamp", (now or timezone.now()).astimezone(dt.UTC).replace(microsecond=0))
    event.add("sequence", row.sequence)
    event.add("dtstart", begin.astimezone(tz).replace(microsecond=0))
    event.add("dtend", end.astimezone(tz).replace(microsecond=0))
    event.add("location", row.job.site.address)
    cancelled = row.state == Appointment.State.CANCELLED
    settled = row.is_promised() or row.state in {Appointment.State.ARRIVED, Appointment.State.DONE}
    event.add("status", "CANCELLED" if cancelled else "CONFIRMED" if settled else "TENTATIVE")
    return event


def _write(calendar: Calendar) -> bytes:
    """With a VTIMEZONE for every zone its entries name, as RFC 5545 3.6.5 asks."""
    years = [event.decoded("dtstart").year for event in calendar.walk("VEVENT")]
    if years:
        calendar.add_missing_timezones(first_date=dt.date(min(years), 1, 1), last_date=dt.date(max(years) + 1, 12, 31))
    return bytes(calendar.to_ical())


# -- addresses -------------------------------------------------------------------------


def feed_token(feed: CalendarFeed) -> str:
    """The signed part of a feed's address."""
    return signing.Signer(salt=SALT).sign(feed.key.hex).replace(":", ".")


def feed_of_token(token: str) -> CalendarFeed | None:
    """The feed of an address, when it was signed by us and not revoked."""
    try:
        key = signing.Signer(salt=SALT).unsign(token.replace(".", ":"))
    except signing.BadSignature:
        return None
    return CalendarFeed.objects.filter(key=key, revoked_at=None).select_related("branch", "crew", "user").first()
