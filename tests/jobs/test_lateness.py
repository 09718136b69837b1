"""How bad it is that a crew is late, and what becomes of a crew that taps nothing."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core import mail

from jobs.models import Appointment
from jobs.schedule.chances import outlooks
from jobs.schedule.day import read_day
from jobs.schedule.lateness import grade, quiet
from jobs.services import appointments
from jobs.services import quiet as quiet_services
from jobs.views.attention import decisions
from shared.errors import Refused
from tests.factories import a_monday, at, make_appointment, make_crew, make_job, make_user

pytestmark = pytest.mark.django_db
MONDAY = a_monday()
CLOCK = "%H:%M"


@pytest.fixture
def crew(branch):
    return make_crew(branch, make_user("measurer", branch=branch, email="ada@example.org"))


@pytest.fixture
def visit(branch, crew):
    """Promised from 9 to 10, planned at 9; the base is some minutes away."""
    return make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="9:00", state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "9:00"), promised_until=at(branch, MONDAY, "10:00"),
    )  # fmt: skip


def graded(branch, crew, visit, time_machine, time):
    now = at(branch, MONDAY, time)
    time_machine.move_to(now, tick=False)
    visit.refresh_from_db()
    found = grade(visit, outlooks(read_day(crew, MONDAY), now)[visit.pk], now)
    return found and (found.severity, found.text)


def test_minutes_and_what_the_customer_knows_make_the_grade(branch, crew, visit, dispatcher, time_machine):
    """2 minutes and 129 minutes late were both "stop"."""
    drive = read_day(crew, MONDAY).stops[visit.pk].drive // 60

    def leaving(late_min):
        """The crew leaves at this time: so much after the window's end it is there."""
        begin = at(branch, MONDAY, "10:00") + dt.timedelta(minutes=late_min - drive)
        return begin.astimezone(branch.tz).strftime(CLOCK)

    assert graded(branch, crew, visit, time_machine, "8:00") is None
    severity, text = graded(branch, crew, visit, time_machine, leaving(2))
    assert (severity, text) == ("check", "expected 2 min after its appointment window. Watch")
    severity, text = graded(branch, crew, visit, time_machine, "10:20")
    assert severity == "stop"
    assert text.startswith("expected ")
    assert " after its appointment window, missed: no tap by 10:00 am; the customer was not told. Call now" in text

    appointments.told_late(appointment=visit, by=dispatcher)

    severity, text = graded(branch, crew, visit, time_machine, "10:25")
    assert (severity, "the customer was told" in text) == ("note", True)
    severity, text = graded(branch, crew, visit, time_machine, "11:00")
    assert (severity, "Call again" in text) == ("stop", True)


def test_nobody_is_told_of_a_day_that_runs_as_planned(branch, crew, visit, dispatcher, time_machine):
    time_machine.move_to(at(branch, MONDAY, "7:00"), tick=False)

    with pytest.raises(Refused, match="as planned"):
        appointments.told_late(appointment=visit, by=dispatcher)


def test_another_time_is_news_the_customer_was_not_told(branch, crew, visit, dispatcher, time_machine):
    time_machine.move_to(at(branch, MONDAY, "10:20"), tick=False)
    appointments.told_late(appointment=visit, by=dispatcher)

    appointments.move(
        appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "14:00"), by=dispatcher, anyway=True
    )  # fmt: skip

    assert visit.told_at is None
    assert visit.told_time is None


def texts(user, kind):
    return [one.text for one in decisions(user) if one.kind == kind]


def test_a_quiet_crew_is_asked_once_a_stop_and_then_the_office(
    branch, crew, visit, dispatcher, time_machine, settings, django_capture_on_commit_callbacks
):
    """A visit without any tap stayed "promised" all day."""
    settings.EMAIL_URL = "smtp://mail.example.org"
    before = make_appointment(crew=crew, day=MONDAY - dt.timedelta(days=3), time="9:00")
    Appointment.objects.filter(pk=before.pk).update(
        state="done", arrived_at=at(branch, MONDAY - dt.timedelta(days=3), "9:00")
    )

    def ask(time):
        time_machine.move_to(at(branch, MONDAY, time), tick=False)
        with django_capture_on_commit_callbacks(execute=True):
            return quiet_services.ask_quiet_crews(branch=branch)

    assert ask("9:10") == []
    assert [row.pk for row in ask("9:16")] == [visit.pk]
    assert ask("9:17") == []
    assert [message.to for message in mail.outbox] == [["ada@example.org"]]
    assert visit.job.number in mail.outbox[0].subject
    assert texts(dispatcher, "quiet") == []
    time_machine.move_to(at(branch, MONDAY, "9:26"), tick=False)
    (text,) = texts(dispatcher, "quiet")
    assert text.startswith(f"{crew.name}: no tap at {visit.job.number}")
    assert text.endswith("arrived by 9:00 am as planned; asked at 9:16 am, no answer. Call the crew.")

    appointments.mark_arrived(appointment=visit, by=dispatcher)

    assert texts(dispatcher, "quiet") == []
    assert quiet(read_day(crew, MONDAY), at(branch, MONDAY, "9:30")) is None
    visit.refresh_from_db()
    assert not visit.is_asked()
    found = quiet(read_day(crew, MONDAY), at(branch, MONDAY, "13:00"))
    assert (found.appointment, found.tap) == (visit.pk, "done")


def test_a_branch_that_taps_nothing_is_not_asked(branch, crew, visit, time_machine):
    time_machine.move_to(at(branch, MONDAY, "12:00"), tick=False)

    assert quiet_services.ask_quiet_crews(branch=branch) == []


def test_the_crew_sees_that_it_is_asked(branch, crew, visit, as_user, time_machine):
    time_machine.move_to(at(branch, MONDAY, "9:20"), tick=False)
    page = as_user(crew.members.get().user)
    assert "No tap came" not in page.get("/today/").content.decode()

    Appointment.objects.filter(pk=visit.pk).update(asked_at=at(branch, MONDAY, "9:16"))

    assert "No tap came: are you there?" in page.get("/today/").content.decode()


@pytest.mark.parametrize(
    ("told", "severity", "text"), [(False, "check", "nobody had told"), (True, "note", "was told")]
)
def test_a_crew_that_came_late_is_graded_too(
    branch, crew, visit, dispatcher, time_machine, as_user, told, severity, text
):
    """Half an hour after its window the crew arrived, nobody was told, and every page was calm."""
    time_machine.move_to(at(branch, MONDAY, "10:20"), tick=False)
    if told:
        appointments.told_late(appointment=visit, by=dispatcher)
        visit.refresh_from_db()
    appointments.mark_arrived(appointment=visit, by=dispatcher, at=at(branch, MONDAY, "10:31"))

    (found,) = [one for one in decisions(dispatcher) if one.kind == "late"]

    assert (found.severity, "arrived 31 min after its appointment window" in found.text) == (severity, True)
    assert text in found.text
    assert "Arrived 31 min after" in as_user(dispatcher).get(visit.get_absolute_url()).content.decode()
