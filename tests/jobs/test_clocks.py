"""Times that the clocks skip or show twice are refused where somebody types them."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from jobs.forms import AbsenceForm, BookForm, CantForm, MoveForm, PromiseForm, TimesForm
from jobs.schedule.availability import clock_problem
from jobs.services import crews as services
from shared.errors import Refused
from tests.factories import a_monday, make_appointment, make_crew, make_job

pytestmark = pytest.mark.django_db
SKIPPED, TWICE = ("2026-03-08", "02:30"), ("2026-11-01", "01:30")


def errors_of(kind, dispatcher, crew, day, time):
    """What each form says to one time, by field."""
    forms = {
        BookForm: lambda: BookForm({"can_day": day, "can_from": time, "openings_expected": 1}, user=dispatcher),
        CantForm: lambda: CantForm({"not_day": day, "not_from": time}, user=dispatcher),
        TimesForm: lambda: TimesForm({"kind": "can", "day": day, "starts": time}, user=dispatcher),
        MoveForm: lambda: MoveForm({"crew": crew.pk, "day": day, "time": time}, user=dispatcher),
        AbsenceForm: lambda: AbsenceForm(
            {"from_day": day, "from_time": time, "until_day": day}, user=dispatcher, crew=crew
        ),
        PromiseForm: lambda: PromiseForm(
            {"window_from": time, "window_until": "09:00"}, user=dispatcher,
            day=dt.date.fromisoformat(day), tz=crew.branch.tz,
        ),
    }  # fmt: skip
    return {name: str(problems[0]) for name, problems in forms[kind]().errors.items()}


@pytest.mark.parametrize(
    ("kind", "field"),
    [
        (BookForm, "can_from"), (CantForm, "not_from"), (TimesForm, "starts"),
        (MoveForm, "time"), (AbsenceForm, "from_time"), (PromiseForm, "window_from"),
    ],
)  # fmt: skip
def test_a_form_refuses_a_time_that_is_none_or_two(kind, field, branch, dispatcher):
    crew = make_crew(branch)

    assert errors_of(kind, dispatcher, crew, *SKIPPED) == {
        field: "The clocks skip this time on that day. Give one before 02:00 or from 03:00 on."
    }
    assert errors_of(kind, dispatcher, crew, *TWICE) == {
        field: "This time comes twice on that day. Give one before 01:00 or from 02:00 on."
    }
    assert errors_of(kind, dispatcher, crew, "2026-03-09", "02:30") == {}


@pytest.mark.parametrize(("day", "time"), [SKIPPED, TWICE])
def test_the_api_asks_for_the_offset_of_a_time_that_is_none_or_two(day, time, branch, dispatcher, api_as):
    """A span from 2:30 was kept as 3:30, an absence in the second hour of two as in the first."""
    crew, api = make_crew(branch), api_as(dispatcher)
    visit = make_appointment(make_job(branch), crew=crew, day=a_monday(), time="9:00")
    odd, sure = f"{day}T{time}", f"{day}T12:00"
    sent = {
        f"/api/appointments/{visit.pk}/effect/": {"crew": crew.pk, "starts_at": odd},
        f"/api/appointments/{visit.pk}/place/": {"crew": crew.pk, "starts_at": odd},
        f"/api/appointments/{visit.pk}/promise/": {"window_from": odd, "window_until": sure},
        f"/api/appointments/{visit.pk}/arrived/": {"at": odd},
        f"/api/appointments/{visit.pk}/possible/": [{"starts_at": odd, "ends_at": sure}],
        f"/api/jobs/{visit.job_id}/impossible/": [{"starts_at": odd, "ends_at": sure}],
        f"/api/crews/{crew.pk}/absences/": {"starts_at": odd, "ends_at": sure},
    }

    for address, body in sent.items():
        answer = api.post(address, body, format="json")
        assert (answer.status_code, "on that day" in answer.content.decode()) == (400, True), address
    sent = {"crew": crew.pk, "starts_at": f"{odd}-05:00"}
    assert api.post(f"/api/appointments/{visit.pk}/effect/", sent, format="json").status_code == 200


@pytest.mark.parametrize(("day", "time"), [SKIPPED, TWICE])
def test_a_crews_day_does_not_begin_or_end_at_a_time_that_is_none_or_two(day, time, branch, dispatcher):
    crew, on = make_crew(branch), dt.date.fromisoformat(day)
    odd, noon = dt.time.fromisoformat(time), dt.time(12)

    for hours, field in (({"starts": odd, "ends": noon}, "starts"), ({"starts": dt.time(0), "ends": odd}, "ends")):
        with pytest.raises(Refused) as caught:
            services.set_crew_day(crew=crew, day=on, by=dispatcher, **hours)
        assert caught.value.field == field


@pytest.mark.parametrize(
    ("zone", "day", "time", "is_odd"),
    [
        ("America/Chicago", (2026, 3, 8), (2, 0), True),
        ("America/Chicago", (2026, 3, 8), (3, 0), False),
        ("America/Chicago", (2026, 3, 8), (1, 59), False),
        ("America/Chicago", (2026, 11, 1), (1, 59), True),
        ("America/Chicago", (2026, 11, 1), (2, 0), False),
        ("Australia/Lord_Howe", (2026, 10, 4), (2, 15), True),  # half an hour only
        ("Australia/Lord_Howe", (2026, 10, 4), (2, 30), False),
        ("America/Phoenix", (2026, 3, 8), (2, 30), False),  # no change there
    ],
)
def test_the_edges_of_a_change(zone, day, time, is_odd):
    assert bool(clock_problem(ZoneInfo(zone), dt.date(*day), dt.time(*time))) is is_odd
