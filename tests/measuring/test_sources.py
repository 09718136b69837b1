"""What this room tells the jobs room, and how long measuring takes."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from jobs.models import Job
from jobs.ports import ports as job_ports
from jobs.rules.stages import StageFacts, stage_of
from jobs.services.stages import blockers_of
from measuring.adapters import sources
from measuring.adapters.minutes import measure_minutes
from measuring.models import Opening, Reading, Unit
from measuring.services import openings, readings, releases, visits
from measuring.services import range as range_services
from shared.models import AuditEntry, User
from tests.measuring.makers import choose_all, make_appointment, make_approved, make_job, make_opening

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(dispatcher: User) -> Job:
    return make_job(dispatcher, openings_expected=3)


def test_stage_facts_count_openings_and_units(job: Job, dispatcher: User) -> None:
    make_opening(job, dispatcher)
    make_opening(job, dispatcher, room="Den", readings={})
    lost = make_opening(job, dispatcher, room="Attic", readings={})
    openings.mark_cannot(opening=lost, by=dispatcher, reason="no frame")

    facts = sources.stage_facts(job)

    assert (facts["openings_measured"], facts["openings_to_measure"]) == (1, 1)
    assert facts["units"] == {"sized": 1, "draft": 1, "cancelled": 1}


def test_a_remake_does_not_count_towards_the_stage(job: Job, dispatcher: User) -> None:
    unit = make_approved(job, dispatcher)
    releases.release_to_workroom(job=job, units=[unit], by=dispatcher)

    Unit.objects.create(opening=unit.opening, number=2, code="K7M2P9T", product=unit.product, replaces=unit)

    assert sources.stage_facts(job)["units"] == {"released": 1}


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("options", "1 lack options"),
        ("approval", "1 wait for the customer's approval"),
        ("release", "1 ready to be released"),
    ],
)
def test_what_holds_a_measured_job_up(job: Job, dispatcher: User, step: str, words: str) -> None:
    unit = make_opening(job, dispatcher).units.get()
    if step != "options":
        choose_all(unit, dispatcher)
    if step == "release":
        releases.approve_sizes(job=job, units=[unit], approved_by="Ida", by=dispatcher)

    assert [blocker.text for blocker in sources.blockers(job)] == [words]


def test_the_jobs_page_counts_what_is_ready_once(job: Job, dispatcher: User, client: Client) -> None:
    """It said "3 approved, to be released" above "2 ready to be released"."""
    unit, *_ = (make_approved(job, dispatcher, mark=mark) for mark in "ABC")
    Unit.objects.filter(pk=unit.pk).update(grade=Reading.Grade.ROUGH)
    client.force_login(dispatcher)

    texts = [blocker.text for blocker in sources.blockers(job)]
    panel = client.get(reverse("measuring:job_units", args=[job.pk])).content.decode()

    assert texts == ["1 approved, can't be released yet", "2 ready to be released"]
    assert "2 ready to be released" in panel


def test_an_opening_that_waits_is_said_whatever_the_stage(job: Job, dispatcher: User, measurer: User) -> None:
    """Released, made and closed it went, with an opening nobody had measured, and no page said so."""
    unit = make_approved(job, dispatcher)
    releases.release_to_workroom(job=job, units=[unit], by=dispatcher)
    make_opening(job, dispatcher, room="Den", readings={})
    here = Job.objects.filter(pk=job.pk)

    [needed] = job_ports.another_visit(here).values()
    appointment = make_appointment(job, dispatcher, measurer)
    booked = [blocker.text for blocker in sources.blockers(job)]
    facts = StageFacts(**sources.stage_facts(job) | {"units": {"installed": 1}})

    assert needed.text == "another visit is needed: 1 of 2 openings to measure"
    assert needed.url == f"{reverse('jobs:visit_new', args=[job.pk])}?purpose=measure"
    assert booked == ["1 opening not measured, a visit is booked"]
    assert job_ports.another_visit(here) == {}
    assert appointment.is_measuring()
    assert stage_of(facts) == "installed"


@pytest.mark.parametrize(
    ("in_part", "says"),
    [
        (False, "3 expected, 1 here; Den has none"),
        (True, "another visit is needed: 3 expected, 1 here; Den has none"),
    ],
)
def test_what_was_expected_and_nobody_saw_is_said_after_the_close_out(
    dispatcher: User, measurer: User, client: Client, in_part: bool, says: str
) -> None:
    job = make_job(dispatcher, openings_expected=3, rooms_expected="Kitchen, Den")
    visit = visits.open_visit(appointment=make_appointment(job, dispatcher, measurer), by=measurer)
    make_opening(job, measurer, visit=visit)
    client.force_login(measurer)

    pages = [client.get(reverse(f"measuring:{name}", args=[visit.appointment_id])) for name in ("visit", "close")]
    visits.close_visit(visit=visit, by=measurer, in_part=in_part)

    client.force_login(dispatcher)
    pages.append(client.get(reverse("measuring:sizes", args=[job.pk])))
    pages.append(client.get(reverse("measuring:job_openings", args=[job.pk])))
    for page in pages:
        assert "3 expected, 1 here; Den has none" in page.content.decode()
    assert "3 openings: Kitchen, Den" in pages[0].content.decode()
    assert says in [blocker.text for blocker in blockers_of(job, job.appointments.all())]
    assert AuditEntry.objects.filter(note="3 expected, 1 here; Den has none").count() == 1


def test_two_answers_and_a_remeasure_hold_it_up(job: Job, dispatcher: User) -> None:
    unit = make_approved(job, dispatcher)
    releases.release_to_workroom(job=job, units=[unit], by=dispatcher)
    readings.record_reading(opening=unit.opening, spot="widths.top", typed="35", by=dispatcher)
    readings.record_reading(opening=unit.opening, spot="depth", typed="1", by=dispatcher, seen=None)

    texts = [blocker.text for blocker in sources.blockers(job)]

    assert texts == [
        f"{unit.code} is on hold: measured again after release, to decide",
        "Kitchen A: two answers stand side by side",
    ]


def test_a_visit_takes_its_fixed_minutes_and_those_of_its_units(job: Job, dispatcher: User, measurer: User) -> None:
    appointment = make_appointment(job, dispatcher, measurer)

    expected = measure_minutes(appointment)
    make_opening(job, dispatcher, readings={}, family="slat")
    make_opening(job, dispatcher, readings={}, family="roman", is_door=True)
    known = measure_minutes(appointment)

    assert expected.mean == 15 + 3 * 5  # three openings, nobody knows which
    assert known.mean == 15 + 4 + 5 + 2 + 2 * 2  # a slat, a roman, a door, no photo of either yet
    assert known.safe > known.mean


def test_the_branch_has_minutes_of_its_own(job: Job, dispatcher: User, measurer: User) -> None:
    range_services.save_measure_times(branch=job.branch, by=dispatcher, minutes={"visit": 30})

    minutes = job_ports.minutes(make_appointment(job, dispatcher, measurer))

    assert minutes is not None
    assert minutes.mean == 30 + 3 * 5


def test_a_high_opening_asks_for_a_ladder(job: Job, dispatcher: User, measurer: User) -> None:
    appointment = make_appointment(job, dispatcher, measurer)
    visit = visits.open_visit(appointment=appointment, by=measurer)
    opening = make_opening(job, measurer, visit=visit, readings={}, reach_height="130 1/16")

    assert sources.bring([appointment])[appointment.pk] == ["steel tape", "ladder: an opening reaches 130 1/8 in"]
    assert Opening.objects.get(pk=opening.pk).reach_height is not None
