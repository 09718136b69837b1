"""Rows of an earlier release, as they are after the migrations that change them."""

import datetime as dt
from importlib import import_module

import pytest
from django.apps import apps

from jobs.models import Appointment, AppointmentMove
from jobs.services import appointments as services
from tests.factories import a_monday, at, make_appointment, make_crew, make_job

pytestmark = pytest.mark.django_db
MONDAY = a_monday()


def test_a_visit_planned_to_the_second_starts_on_the_minute_it_was_shown(branch, dispatcher, as_user):
    """Pages said 9:17 where the API and the calendar file said 9:17:52; taking a move back needs the same start."""
    crew = make_crew(branch)
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:17")
    services.move(appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "13:00"), by=dispatcher, anyway=True)
    move = AppointmentMove.objects.get()
    shown = dt.datetime.fromisoformat(move.before["own"]["starts_at"])
    exact = shown + dt.timedelta(seconds=52)
    move.before = {
        "own": move.before["own"] | {"starts_at": exact.isoformat()},
        "pushed": {"7": [exact.isoformat()] * 2},
    }
    move.save()
    other = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:17")
    Appointment.objects.filter(pk=other.pk).update(starts_at=exact)

    import_module("jobs.migrations.0009_starts_on_full_minutes").to_full_minutes(apps, None)

    answer = as_user(dispatcher).get(f"/api/appointments/{other.pk}/").json()
    assert dt.datetime.fromisoformat(answer["starts_at"]) == shown
    move.refresh_from_db()
    assert move.before["own"]["starts_at"] == shown.isoformat()
    assert move.before["pushed"] == {"7": [shown.isoformat()] * 2}
