"""A visit from its first minute to its close-out."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from importlib import import_module
from typing import Any

import pytest
from django.db.migrations.loader import MigrationLoader
from django.urls import reverse

from jobs.models import Appointment, Job
from measuring.models import MeasureVisit, Opening
from measuring.rules.families import TABLE
from measuring.services import openings, readings, visits
from measuring.services import range as range_services
from measuring.services.visits import open_ends
from shared.errors import Refused
from shared.models import AuditEntry, User
from tests.measuring.makers import INSIDE, make_appointment, make_job, make_opening

pytestmark = pytest.mark.django_db


@pytest.fixture
def visit(measurer: User, dispatcher: User) -> MeasureVisit:
    appointment = make_appointment(make_job(dispatcher), dispatcher, measurer)
    return visits.open_visit(appointment=appointment, by=measurer)


def job_of(visit: MeasureVisit) -> Job:
    return visit.appointment.job


def opening(visit: MeasureVisit, by: User, **how: object) -> Opening:
    return make_opening(job_of(visit), by, visit=visit, **how)


def test_opening_a_visit_twice_gives_the_same_one(visit: MeasureVisit, measurer: User) -> None:
    again = visits.open_visit(appointment=visit.appointment, by=measurer)

    assert again == visit


def test_another_tape_is_noted_once_and_only_while_the_visit_is_open(visit: MeasureVisit, measurer: User) -> None:
    tape = range_services.save_tape(user=measurer, by=measurer, label="blue" * 11, case_length="3")

    for _ in range(2):
        visits.open_visit(appointment=visit.appointment, by=measurer, tape=tape)

    visit.refresh_from_db()
    assert visit.tape == tape
    assert tape.label == ("blue" * 11)[:40]
    assert AuditEntry.objects.filter(action="took another tape").count() == 1


def test_a_visit_is_for_the_openings_still_to_be_measured(dispatcher: User, measurer: User) -> None:
    job = make_job(dispatcher)
    waiting = make_opening(job, dispatcher, readings={}, room="Hall")
    make_opening(job, dispatcher, room="Den")  # measured at the desk

    visit = visits.open_visit(appointment=make_appointment(job, dispatcher, measurer), by=measurer)

    assert visits.openings_of(visit) == [waiting]


def test_an_install_appointment_is_not_for_measuring(dispatcher: User, measurer: User) -> None:
    appointment = make_appointment(make_job(dispatcher), dispatcher, measurer, purpose="install")

    with pytest.raises(Refused, match="not for measuring"):
        visits.open_visit(appointment=appointment, by=measurer)


def test_a_complete_opening_is_read_until_the_visit_is_closed(visit: MeasureVisit, measurer: User) -> None:
    done = opening(visit, measurer)
    assert done.state == Opening.State.READ

    closed = visits.close_visit(visit=visit, by=measurer)

    done.refresh_from_db()
    assert done.state == Opening.State.MEASURED
    assert closed.outcome == MeasureVisit.Outcome.WHOLE
    assert Appointment.objects.get(pk=visit.appointment_id).state == Appointment.State.DONE


def test_the_job_is_measured_when_its_visit_is_closed(visit: MeasureVisit, measurer: User) -> None:
    opening(visit, measurer)

    visits.close_visit(visit=visit, by=measurer)

    assert Job.objects.get(pk=job_of(visit).pk).stage == Job.Stage.MEASURED


def test_a_missing_reading_blocks_with_its_place(visit: MeasureVisit, measurer: User) -> None:
    lacking = opening(visit, measurer, readings={k: v for k, v in INSIDE.items() if k != "heights.center"})

    with pytest.raises(Refused, match="height, center: not read") as refusal:
        visits.close_visit(visit=visit, by=measurer)

    assert refusal.value.field == f"opening.{lacking.pk}.heights.center"
    assert not MeasureVisit.objects.get(pk=visit.pk).is_closed()


def test_an_opening_without_product_blocks(visit: MeasureVisit, measurer: User) -> None:
    room = openings.add_room(job=job_of(visit), name="Hall", by=measurer)
    openings.add_opening(room=room, by=measurer, visit=visit)

    with pytest.raises(Refused, match="no product chosen"):
        visits.close_visit(visit=visit, by=measurer)


def test_two_readings_side_by_side_block(visit: MeasureVisit, measurer: User) -> None:
    one = opening(visit, measurer)
    readings.record_reading(opening=one, spot="depth", typed="2", by=measurer, seen=None)

    with pytest.raises(Refused, match="side by side"):
        visits.close_visit(visit=visit, by=measurer)


def test_missing_options_do_not_block_the_visit(visit: MeasureVisit, measurer: User) -> None:
    opening(visit, measurer)

    assert [end for end in open_ends(visits.openings_of(visit)) if end.blocks] == []


def test_what_can_not_be_covered_does_not_block(visit: MeasureVisit, measurer: User) -> None:
    opening(visit, measurer)
    other = opening(visit, measurer, readings={}, room="Attic")
    openings.mark_cannot(opening=other, by=measurer, reason="glass to the ceiling, no frame")

    closed = visits.close_visit(visit=visit, by=measurer)

    assert closed.outcome == MeasureVisit.Outcome.WHOLE


def test_cannot_asks_for_a_reason(visit: MeasureVisit, measurer: User) -> None:
    one = opening(visit, measurer, readings={})

    with pytest.raises(Refused, match="say why") as refusal:
        openings.mark_cannot(opening=one, by=measurer, reason="  ")

    assert refusal.value.field == "reason"


def test_what_was_not_reached_closes_in_part(visit: MeasureVisit, measurer: User) -> None:
    opening(visit, measurer)
    high = opening(visit, measurer, readings={}, room="Stair")
    openings.mark_not_reached(opening=high, by=measurer, reason="no ladder that long")

    with pytest.raises(Refused, match="in part"):
        visits.close_visit(visit=visit, by=measurer)
    closed = visits.close_visit(visit=visit, by=measurer, in_part=True)

    assert closed.outcome == MeasureVisit.Outcome.PART
    high.refresh_from_db()
    assert high.state == Opening.State.NOT_REACHED


def test_an_empty_visit_is_not_closed_as_measured(visit: MeasureVisit, measurer: User) -> None:
    with pytest.raises(Refused, match="no openings yet"):
        visits.close_visit(visit=visit, by=measurer)


def test_a_visit_closes_once(visit: MeasureVisit, measurer: User) -> None:
    opening(visit, measurer)
    visits.close_visit(visit=visit, by=measurer)

    with pytest.raises(Refused, match="closed already"):
        visits.close_visit(visit=visit, by=measurer)


def test_the_next_visit_takes_up_what_lagged(visit: MeasureVisit, measurer: User, dispatcher: User) -> None:
    opening(visit, measurer)
    high = opening(visit, measurer, readings={}, room="Stair")
    openings.mark_not_reached(opening=high, by=measurer, reason="no ladder that long")
    visits.close_visit(visit=visit, by=measurer, in_part=True)

    second = visits.open_visit(
        appointment=make_appointment(job_of(visit), dispatcher, measurer, purpose="check_measure"), by=measurer
    )

    assert visits.openings_of(second) == [high]


# -- the appointment is over because its work is, never the other way round ---------------------------


def state_of(visit: MeasureVisit) -> str:
    return Appointment.objects.get(pk=visit.appointment_id).state


def test_done_on_the_crews_day_does_not_close_what_nobody_measured(
    visit: MeasureVisit, measurer: User, dispatcher: User, as_user: Callable[[User], Any], api_as: Callable[[User], Any]
) -> None:
    opening(visit, measurer)
    opening(visit, measurer, room="Hall", readings={})
    pk = visit.appointment_id

    crew = as_user(measurer).post(f"/visits/{pk}/done/", {"next": "/today/"}, follow=True).content.decode()
    office = as_user(dispatcher).post(f"/visits/{pk}/done/", follow=True).content.decode()
    api = [api_as(who).post(f"/api/appointments/{pk}/done/", {}, format="json") for who in (measurer, dispatcher)]

    assert state_of(visit) == Appointment.State.ARRIVED
    assert all("Close the visit on its page: 1 of 2 openings is not measured." in page for page in (crew, office))
    assert all(f"/visits/{pk}/done/" not in page for page in (crew, office))  # where it can't be, it isn't offered
    assert "under way" in as_user(dispatcher).get(f"/measure/{pk}/").content.decode()
    assert [answer.status_code for answer in api] == [409, 409]
    assert "1 of 2 openings is not measured" in str(api[0].json())


def test_how_far_a_visit_is_stands_in_the_same_words_everywhere(
    visit: MeasureVisit, measurer: User, dispatcher: User, as_user: Callable[[User], Any]
) -> None:
    """Closed, its page said "all measured", the day's list "closed out", and the phone's page both."""
    opening(visit, measurer)
    seen_by = {
        reverse("measuring:visit", args=[visit.appointment_id]): measurer,
        reverse("measuring:day"): measurer,
        reverse("measuring:job_openings", args=[visit.appointment.job_id]): dispatcher,
    }

    def words() -> list[set[str]]:
        pages = [as_user(who).get(path).content.decode() for path, who in seen_by.items()]
        return [set(re.findall(r'<span class="state \w+">([^<]*)', page)) - {"read", "measured"} for page in pages]

    assert words() == [{"under way"}] * 3
    visits.close_visit(visit=visit, by=measurer)
    assert words() == [{"closed out, all measured"}] * 3


def test_every_state_of_an_opening_has_its_mark() -> None:
    assert set(TABLE["opening_marks"]) == set(Opening.State.values)


def test_a_visit_nobody_began_is_not_done(dispatcher: User, measurer: User, as_user: Callable[[User], Any]) -> None:
    appointment = make_appointment(make_job(dispatcher), dispatcher, measurer)

    page = as_user(measurer).post(f"/visits/{appointment.pk}/done/", follow=True).content.decode()

    assert Appointment.objects.get(pk=appointment.pk).state == Appointment.State.PLANNED
    assert "nobody has begun to measure" in page


def test_a_visit_opened_again_goes_on_in_the_calendar(visit: MeasureVisit, measurer: User) -> None:
    opening(visit, measurer)
    visits.close_visit(visit=visit, by=measurer)
    assert state_of(visit) == Appointment.State.DONE

    visits.reopen_visit(visit=visit, by=measurer)
    again = Appointment.objects.get(pk=visit.appointment_id)
    assert (again.state, again.done_at) == (Appointment.State.ARRIVED, None)

    visits.close_visit(visit=MeasureVisit.objects.get(pk=visit.pk), by=measurer)
    assert state_of(visit) == Appointment.State.DONE


def test_a_visit_corrected_on_another_day_keeps_when_it_ended(
    visit: MeasureVisit, measurer: User, dispatcher: User, time_machine: Any
) -> None:
    opening(visit, measurer)
    ended = visits.close_visit(visit=visit, by=measurer).closed_at
    time_machine.move_to(ended + dt.timedelta(days=3))

    visits.reopen_visit(visit=visit, by=dispatcher)
    visits.close_visit(visit=MeasureVisit.objects.get(pk=visit.pk), by=dispatcher)

    assert Appointment.objects.get(pk=visit.appointment_id).done_at == ended


def test_visits_that_a_tap_had_ended_under_way_are_taken_back(
    visit: MeasureVisit, measurer: User, dispatcher: User
) -> None:
    closed = visits.open_visit(appointment=make_appointment(make_job(dispatcher), dispatcher, measurer), by=measurer)
    opening(closed, measurer)
    visits.close_visit(visit=closed, by=measurer)
    Appointment.objects.filter(pk=visit.appointment_id).update(state=Appointment.State.DONE)

    name = "0003_visits_under_way_are_not_done"
    then = MigrationLoader(None).project_state([("measuring", name)], at_end=False).apps
    import_module(f"measuring.migrations.{name}").take_done_back(then, None)

    assert (state_of(visit), state_of(closed)) == (Appointment.State.ARRIVED, Appointment.State.DONE)


def test_nobody_home_closes_the_visit_with_its_reason(
    dispatcher: User, measurer: User, as_user: Callable[[User], Any]
) -> None:
    job = make_job(dispatcher)
    waiting = make_opening(job, dispatcher, readings={})
    appointment = make_appointment(job, dispatcher, measurer)
    url = f"/measure/{appointment.pk}/not-measured/"
    client = as_user(measurer)

    unsaid = client.post(url, {"reason": ""})
    client.post(url, {"reason": "nobody home"})

    assert unsaid.status_code == 422
    visit = MeasureVisit.objects.get(appointment=appointment)
    waiting.refresh_from_db()
    assert (visit.outcome, visit.note) == (MeasureVisit.Outcome.NONE, "nobody home")
    assert (waiting.state, waiting.reason) == (Opening.State.NOT_REACHED, "nobody home")
    assert state_of(visit) == Appointment.State.DONE
    assert "nothing measured" in client.get(f"/measure/{appointment.pk}/").content.decode()
    page = as_user(dispatcher).get(f"/jobs/{job.pk}/").content.decode()
    assert "Another visit is needed: 1 of 1 opening to measure (nobody home)" in page


def test_what_was_begun_is_not_called_unmeasured(
    visit: MeasureVisit, measurer: User, api_as: Callable[[User], Any]
) -> None:
    opening(visit, measurer)

    answer = api_as(measurer).post(
        f"/api/measure-visits/{visit.appointment_id}/not-measured/", {"reason": "too dark"}, format="json"
    )

    assert answer.status_code == 409
    assert "close the visit in part" in str(answer.json())
    assert not MeasureVisit.objects.get(pk=visit.pk).is_closed()
