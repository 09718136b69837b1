"""Taking on, holding, cancelling."""

from __future__ import annotations

import datetime as dt

import pytest

from jobs.models import Appointment, Customer, Job, Purpose, ReadinessAnswer
from jobs.ports import ports
from jobs.services import appointments, booking, stages
from jobs.services.stages import blockers_of
from jobs.views.attention import decisions
from shared.errors import Refused
from shared.models import AuditEntry
from tests.factories import a_monday, at, make_appointment, make_crew, make_customer, make_job, make_site

pytestmark = pytest.mark.django_db

SITE = {"street": "7 Kiln Lane", "town": "Millrace", "latitude": 41.88, "longitude": -88.3}


def test_booking_makes_customer_site_job_and_an_unplaced_measure(branch, dispatcher):
    job = booking.book_job(
        branch=branch, by=dispatcher, customer={"name": "Ada Ashdown"}, site=SITE, job={"openings_expected": 4}
    )

    visit = job.appointments.get()
    assert (visit.purpose, visit.state) == (Purpose.MEASURE, Appointment.State.UNPLACED)
    assert (job.customer.name, job.site.street, job.stage) == ("Ada Ashdown", "7 Kiln Lane", "booking")
    assert AuditEntry.objects.get(action="booked the job").job_id == job.pk


def test_a_booking_that_is_refused_leaves_nothing(branch, dispatcher):
    with pytest.raises(Refused) as refusal:
        booking.book_job(
            branch=branch, by=dispatcher, customer={"name": "Ada Ashdown"}, site={**SITE, "latitude": 95.0}
        )

    assert refusal.value.field == "latitude"
    assert not Customer.objects.exists()


def test_numbers_count_on_within_a_branch(branch, dispatcher):
    numbers = [
        booking.book_job(branch=branch, by=dispatcher, customer={"name": "A"}, site=SITE).number for _ in range(2)
    ]

    assert numbers == ["J-1001", "J-1002"]


def test_a_site_of_somebody_else_is_refused(branch, dispatcher):
    site = make_site(make_customer(branch))

    with pytest.raises(Refused, match="another customer"):
        booking.book_job(branch=branch, by=dispatcher, customer=make_customer(branch), site=site)


def test_the_door_code_never_enters_the_trail(branch, dispatcher):
    site = make_site(make_customer(branch))

    booking.edit_site(site=site, by=dispatcher, access="code", access_secret="4471 at the street door")

    entry = AuditEntry.objects.get(action="changed the site")
    assert "4471" not in str(entry.changes)
    assert entry.changes["access_secret"] == ["", "changed"]


def test_a_held_job_is_paused_and_goes_on_where_its_parts_are(branch, dispatcher):
    crew = make_crew(branch)
    visit = make_appointment(make_job(branch), crew=crew, day=a_monday(), time="9:00")

    held = booking.hold(job=visit.job, reason="deposit", by=dispatcher)
    on = booking.unhold(job=visit.job, by=dispatcher)

    assert (held.stage, on.stage) == ("paused", "to_measure")


def test_a_hold_has_a_day_a_reason_and_somebody_who_settles_it(branch, dispatcher, owner, stranger, time_machine):
    """It had neither day nor person: it stood among what waits until somebody thought of it."""
    job, today = make_job(branch), a_monday()
    time_machine.move_to(at(branch, today, "9:00"), tick=False)

    held = booking.hold(job=job, reason="deposit", note="sends a check", by=dispatcher)
    assert (held.hold_due, held.hold_owner) == (today + dt.timedelta(days=7), dispatcher)
    booking.hold(job=job, reason="deposit", note="sends a check", by=dispatcher, due_on=today, owner=owner)
    (due,) = [one for one in decisions(dispatcher) if one.kind == "hold"]
    (blocker,) = [one for one in blockers_of(Job.objects.get(pk=job.pk), []) if "held" in one.text]
    for wrong in ({"due_on": today - dt.timedelta(days=1)}, {"owner": stranger}):
        with pytest.raises(Refused, match=r"day is over|does not work in the branch"):
            booking.hold(job=job, reason="deposit", by=dispatcher, **wrong)
    time_machine.move_to(at(branch, today + dt.timedelta(days=1), "9:00"), tick=False)
    (late,) = [one for one in decisions(dispatcher) if one.kind == "hold"]
    free = booking.unhold(job=job, by=dispatcher)

    assert f"on hold for deposit: sends a check; {owner} settles it by" in due.text
    assert (due.severity, late.severity) == ("check", "stop")
    assert (blocker.owner, "to settle by" in blocker.text) == (str(owner), True)
    assert (free.hold_due, free.hold_owner) == (None, None)
    assert [one for one in decisions(dispatcher) if one.kind == "hold"] == []


def test_cancelling_a_job_calls_its_visits_off_and_wants_a_reason(branch, dispatcher):
    visit = make_appointment(make_job(branch), crew=make_crew(branch), day=a_monday(), time="9:00")

    with pytest.raises(Refused, match="say why"):
        booking.cancel_job(job=visit.job, by=dispatcher, reason=" ")
    job = booking.cancel_job(job=visit.job, by=dispatcher, reason="sold the house")

    visit.refresh_from_db()
    assert (job.stage, visit.state) == ("cancelled", Appointment.State.CANCELLED)
    with pytest.raises(Refused, match="is cancelled"):
        appointments.new_appointment(job=job, purpose="measure", by=dispatcher)


def test_the_stage_follows_from_what_higher_rooms_know(branch, dispatcher, monkeypatch):
    job = make_job(branch)
    monkeypatch.setattr(ports, "stage_sources", [lambda job: {"openings_measured": 2, "units": {"made": 2}}])

    stages.recompute_stage(job=job, by=dispatcher)

    job.refresh_from_db()
    assert job.stage == Job.Stage.MADE
    assert AuditEntry.objects.get(action="moved on").changes["stage"] == ["booking", "made"]


def test_minutes_of_a_visit_come_from_who_knows_its_purpose(branch, dispatcher, monkeypatch):
    from jobs.ports import Minutes

    monkeypatch.setitem(ports.minutes_sources, "install", lambda visit: Minutes(95, 130))

    visit = appointments.new_appointment(job=make_job(branch), purpose="install", by=dispatcher)

    assert (visit.duration_min, visit.duration_safe_min) == (95, 130)


@pytest.mark.parametrize(
    ("typed", "safe"),
    [
        (95, 130),  # as it was, by a form that sends every field
        (45, None),  # "45 min, 85 of 100 such visits within 2 h 10" was another visit's figure
        (150, None),  # and 85 of 100 were within less than the mean
    ],
)
def test_minutes_that_somebody_typed_have_no_figure_of_other_visits(branch, dispatcher, monkeypatch, typed, safe):
    from jobs.ports import Minutes

    monkeypatch.setitem(ports.minutes_sources, "install", lambda visit: Minutes(95, 130))
    visit = appointments.new_appointment(job=make_job(branch), purpose="install", by=dispatcher)

    appointments.edit_appointment(appointment=visit, by=dispatcher, duration_min=typed)
    other = appointments.new_appointment(job=visit.job, purpose="install", by=dispatcher, duration_min=typed)

    visit.refresh_from_db()
    assert (visit.duration_min, visit.duration_safe_min) == (typed, safe)
    assert (other.duration_min, other.duration_safe_min) == (typed, safe)


def test_a_possible_window_in_the_past_is_refused(branch, dispatcher):
    past = dt.datetime(2024, 1, 1, 9, tzinfo=dt.UTC)

    with pytest.raises(Refused, match="past"):
        appointments.new_appointment(
            job=make_job(branch), purpose="measure", by=dispatcher, possible=[(past, past + dt.timedelta(hours=2))]
        )


@pytest.mark.parametrize(
    ("answer", "state", "is_named"),
    [
        ("no", "planned", True),
        ("yes", "planned", False),
        ("no", "done", False),  # the visit is over: nothing waits for the floor any more
        ("no", "cancelled", False),
    ],
)
def test_only_what_is_not_ready_for_a_visit_to_come_holds_its_job_up(branch, dispatcher, answer, state, is_named):
    visit = make_appointment(
        make_job(branch), purpose="install", crew=make_crew(branch), day=a_monday(), time="9:00", state=state
    )
    question = ReadinessAnswer.Question.values[0]
    ReadinessAnswer.objects.create(appointment=visit, question=question, answer=answer, by=dispatcher)

    said = [blocker.text for blocker in blockers_of(visit.job, [visit])]

    assert any(text.startswith("not ready on site") for text in said) == is_named
