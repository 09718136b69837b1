"""
Calendar files and clocks against the standards and the zone data.

RFC 5545 (B. Desruisseaux, 2009), sections 3.1, 3.6.1, 3.6.5, 3.8.7.4; RFC 5546 3.2.5 for
METHOD:CANCEL: the rules are from memory of the texts, the parser that reads our files back
is the icalendar package. Zone facts: IANA tzdata 2026f, computed.
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import icalendar
import pytest

from jobs.ics import feed_file, visit_file
from jobs.models import Appointment
from jobs.schedule.availability import local
from jobs.services import appointments
from jobs.services import feeds as feed_services
from tests.factories import a_monday, at, make_appointment, make_branch, make_crew, make_job

pytestmark = pytest.mark.django_db
MONDAY = a_monday()


def visit(day=MONDAY, branch=None, **fields):
    branch = branch or make_branch()
    return make_appointment(
        make_job(branch), crew=make_crew(branch), day=day, time="9:00", state=Appointment.State.PROMISED,
        promised_from=at(branch, day, "8:00"), promised_until=at(branch, day, "10:00"), **fields,
    )  # fmt: skip


def event_of(data: bytes):
    return icalendar.Calendar.from_ical(data).walk("VEVENT")[0]


def test_lines_end_with_crlf_and_are_folded_at_75_octets_between_characters():
    """RFC 5545 3.1."""
    row = visit()
    row.job.site.street = "Größenwahngasse 17, im zweiten Hinterhof, dritte Türe links, Klingel Übermüller"
    row.job.site.save()

    data = visit_file(row)

    assert data.count(b"\n") == data.count(b"\r\n")
    assert max(map(len, data.split(b"\r\n"))) <= 75
    for line in data.split(b"\r\n"):
        line.decode()  # a fold inside a character would not decode


def test_commas_semicolons_and_breaks_are_escaped():
    """RFC 5545 3.3.11."""
    row = visit()
    row.job.site.street = "7 Kiln Lane; rear, left"

    data = visit_file(row).replace(b"\r\n ", b"")

    assert rb"7 Kiln Lane\; rear\, left" in data


def test_an_event_has_uid_stamp_in_utc_and_a_zone_of_its_own():
    """RFC 5545 3.6.1 (UID and DTSTAMP required) and 3.6.5 (a TZID needs its VTIMEZONE)."""
    row = visit()
    calendar = icalendar.Calendar.from_ical(visit_file(row))
    event = calendar.walk("VEVENT")[0]

    assert event["uid"] == f"{row.uid}@jambwise"
    assert event["dtstamp"].dt.utcoffset() == dt.timedelta(0)
    assert event["dtstart"].params["TZID"] == "America/Chicago"
    assert [zone["tzid"] for zone in calendar.walk("VTIMEZONE")] == ["America/Chicago"]


def test_the_zone_in_the_file_says_when_the_clocks_change():
    """US change of 2027-03-14 at 02:00 local; IANA tzdata 2026f."""
    data = visit_file(visit(day=dt.date(2027, 3, 15)))
    zone = icalendar.Calendar.from_ical(data).walk("VTIMEZONE")[0].to_tz(lookup_tzid=False)

    before = dt.datetime(2027, 3, 13, 9, tzinfo=zone).utcoffset()
    after = dt.datetime(2027, 3, 15, 9, tzinfo=zone).utcoffset()

    assert before == dt.timedelta(hours=-6)
    assert after == dt.timedelta(hours=-5)


def test_a_change_keeps_the_uid_and_raises_the_sequence(dispatcher, branch):
    """RFC 5545 3.8.7.4."""
    row = visit(branch=branch)
    before = event_of(visit_file(row))
    appointments.move(appointment=row, crew=row.crew, starts_at=at(branch, MONDAY, "9:30"), by=dispatcher)
    after = event_of(visit_file(row))

    assert before["uid"] == after["uid"]
    assert int(after["sequence"]) > int(before["sequence"])


def test_a_visit_called_off_is_cancelled_and_sent_so(dispatcher, branch):
    """RFC 5546 3.2.5: METHOD:CANCEL, STATUS:CANCELLED, a higher SEQUENCE."""
    row = visit(branch=branch)
    appointments.cancel_appointment(appointment=row, by=dispatcher, reason="moved away")
    calendar = icalendar.Calendar.from_ical(visit_file(row))

    assert calendar["method"] == "CANCEL"
    assert calendar.walk("VEVENT")[0]["status"] == "CANCELLED"


def test_a_feed_holds_the_crews_visits_with_the_cancelled_ones(dispatcher, branch, installer):
    """RFC 5545 3.8.1.11: TENTATIVE for what may still change, CANCELLED for what was called off."""
    crew = make_crew(branch, installer)
    kept = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    gone = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="13:00")
    make_appointment(make_job(branch), crew=make_crew(branch), day=MONDAY, time="9:00")
    appointments.cancel_appointment(appointment=gone, by=dispatcher, reason="x")
    feeds = [
        feed_services.open_feed(branch=branch, crew=crew, by=dispatcher),
        feed_services.open_feed(branch=branch, user=installer, by=dispatcher),
    ]

    for feed in feeds:
        events = icalendar.Calendar.from_ical(feed_file(feed)).walk("VEVENT")
        assert {str(e["uid"]): str(e["status"]) for e in events} == {
            f"{kept.uid}@jambwise": "TENTATIVE",
            f"{gone.uid}@jambwise": "CANCELLED",
        }


# -- clocks -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "day", "utc_hour"),
    [
        # US changes of 2026-03-08 and 2026-11-01, 02:00 local; tzdata 2026f
        ("America/New_York", dt.date(2026, 3, 7), 14),
        ("America/New_York", dt.date(2026, 3, 8), 13),
        ("America/Chicago", dt.date(2026, 10, 31), 14),
        ("America/Chicago", dt.date(2026, 11, 1), 15),
        ("America/Los_Angeles", dt.date(2026, 11, 2), 17),
        # no changes at all
        ("America/Phoenix", dt.date(2026, 7, 1), 16),
        ("Pacific/Honolulu", dt.date(2026, 7, 1), 19),
        # Vancouver stays at UTC-7 from 2026-03-08 on: an old zone file gives 17
        ("America/Vancouver", dt.date(2026, 12, 1), 16),
        # London 2026-10-25
        ("Europe/London", dt.date(2026, 10, 24), 8),
        ("Europe/London", dt.date(2026, 10, 26), 9),
        # Sydney 2026-10-04; nine in the morning there is the day before in UTC
        ("Australia/Sydney", dt.date(2026, 10, 5), 22),
    ],
)
def test_nine_in_the_morning_is_this_hour_in_utc(zone, day, utc_hour):
    assert local(ZoneInfo(zone), day, dt.time(9)).hour == utc_hour


def test_a_day_of_the_change_has_23_or_25_hours():
    """US changes of 2026: 8 March and 1 November."""
    tz = ZoneInfo("America/Chicago")

    def hours(day):
        span = local(tz, day + dt.timedelta(days=1), dt.time(0)) - local(tz, day, dt.time(0))
        return span / dt.timedelta(hours=1)

    assert (hours(dt.date(2026, 3, 8)), hours(dt.date(2026, 11, 1))) == (23, 25)
