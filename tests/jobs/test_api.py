"""The API does the same actions, for the same people."""

from __future__ import annotations

from datetime import datetime

import pytest

from jobs.models import Appointment, Job
from jobs.ports import Blocker, ports
from jobs.services import your_job
from shared import roles
from shared.models import AuditEntry
from tests.factories import a_monday, at, make_appointment, make_crew, make_customer, make_job, make_site

pytestmark = pytest.mark.django_db
MONDAY = a_monday()

OFFICE, ALL = set(roles.OFFICE), set(roles.ALL)
ROUTES = {
    "/api/jobs/": ALL,
    "/api/appointments/": ALL,
    "/api/customers/": OFFICE,
    "/api/sites/": OFFICE,
    "/api/projects/": OFFICE,
    "/api/skills/": OFFICE,
    "/api/holidays/": OFFICE,
    "/api/calendar-rules/": OFFICE,
    "/api/crews/": OFFICE,
    "/api/proposals/": OFFICE,
    "/api/feeds/": OFFICE,
    "/api/messages/": OFFICE,
    "/api/payments/": OFFICE,
    "/api/keys/": OFFICE,
    "/api/questions/": OFFICE,
}
ACTIONS = [
    "/api/jobs/{job}/hold/", "/api/jobs/{job}/cancel/", "/api/jobs/{job}/appointments/",
    "/api/appointments/{visit}/place/", "/api/appointments/{visit}/promise/", "/api/appointments/{visit}/reserve/",
    "/api/appointments/{visit}/lock/", "/api/appointments/{visit}/cancel/", "/api/appointments/{visit}/split/",
    "/api/appointments/{visit}/undo/", "/api/appointments/{visit}/unplace/", "/api/appointments/{visit}/let-go/",
    "/api/appointments/{visit}/effect/", "/api/crews/{crew}/absences/", "/api/proposals/", "/api/feeds/", "/api/jobs/",
    "/api/customers/", "/api/sites/", "/api/crews/{crew}/hours/", "/api/crews/{crew}/members/",
    "/api/crews/{crew}/swap/", "/api/crews/{crew}/differs/", "/api/projects/", "/api/appointments/{visit}/possible/",
    "/api/jobs/{job}/impossible/", "/api/jobs/{job}/money/", "/api/appointments/{visit}/service/", "/api/payments/",
    "/api/keys/", "/api/appointments/{visit}/call/",
]  # fmt: skip


@pytest.fixture
def crew(branch, measurer, installer):
    return make_crew(branch, measurer, installer)


@pytest.mark.parametrize("route", ROUTES)
def test_lists_open_for_their_roles_only(route, cast, api_as, branch):
    for role in roles.ALL:
        assert api_as(cast[role]).get(route).status_code == (200 if role in ROUTES[route] else 403), role


@pytest.mark.parametrize("action", ACTIONS)
def test_office_actions_are_shut_for_the_field_the_workroom_and_nobody(action, cast, api_as, branch, crew, client):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    url = action.format(job=visit.job_id, visit=visit.pk, crew=crew.pk)

    for role in set(roles.ALL) - OFFICE:
        assert api_as(cast[role]).post(url, {}, format="json").status_code == 403, role
    assert client.post(url, {}, content_type="application/json").status_code == 401
    assert api_as(cast["stranger"]).post(url, {}, format="json").status_code in {400, 404, 409}


def test_a_job_is_booked_offered_held_promised_and_done(
    branch, crew, dispatcher, measurer, api_as, calendar_alone, time_machine
):
    api = api_as(dispatcher)
    booked = api.post(
        "/api/jobs/",
        {
            "new_customer": {"name": "Ada Ashdown"},
            "new_site": {"street": "7 Kiln Lane", "town": "Millrace", "latitude": 41.88, "longitude": -88.3},
            "openings_expected": 3,
        },
        format="json",
    )
    visit = Appointment.objects.get(job=booked.json()["id"])
    offers = api.get(f"/api/appointments/{visit.pk}/offers/?days=21").json()["offers"]
    held = api.post(f"/api/appointments/{visit.pk}/reserve/", {"window": offers[0]["window"]}, format="json")
    promised = api.post(f"/api/appointments/{visit.pk}/promise/", {}, format="json")
    time_machine.move_to(held.json()["starts_at"])
    done = api_as(measurer).post(f"/api/appointments/{visit.pk}/done/", {}, format="json")

    assert booked.status_code == 201
    assert 0 < offers[0]["chance"] <= 1
    assert (held.json()["state"], promised.json()["state"], done.json()["state"]) == ("held", "promised", "done")


def test_a_refusal_is_a_conflict_with_its_field(branch, crew, dispatcher, api_as):
    make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    visit = make_appointment(make_job(branch))
    data = {"crew": crew.pk, "starts_at": at(branch, MONDAY, "9:15").isoformat()}

    answer = api_as(dispatcher).post(f"/api/appointments/{visit.pk}/place/", data, format="json")

    assert answer.status_code == 409
    assert answer.json()["errors"][0]["field"] == "starts_at"


def test_rows_of_another_branch_are_as_if_not_there(branch, crew, dispatcher, stranger, api_as):
    theirs = make_crew(stranger.branch)
    visit = make_appointment(make_job(branch))
    data = {"crew": theirs.pk, "starts_at": at(branch, MONDAY, "9:00").isoformat()}
    site = make_site(make_customer(stranger.branch))

    placed = api_as(dispatcher).post(f"/api/appointments/{visit.pk}/place/", data, format="json")
    booked = api_as(dispatcher).post("/api/jobs/", {"site": site.pk}, format="json")

    assert placed.status_code == booked.status_code == 400
    assert api_as(stranger).get(f"/api/jobs/{visit.job_id}/").status_code == 404


def test_the_door_code_goes_in_and_comes_out_for_the_crew_on_the_day_only(branch, crew, dispatcher, measurer, api_as):
    from django.utils import timezone

    site = make_site(make_customer(branch))
    api = api_as(dispatcher)
    api.patch(f"/api/sites/{site.pk}/", {"access_secret": "9917 at the gate"}, format="json")
    today = timezone.now().astimezone(branch.tz).date()
    visit = make_appointment(make_job(branch, site=site), crew=crew, day=today, time="9:00")

    office = api.get(f"/api/sites/{site.pk}/").json() | api.get(f"/api/appointments/{visit.pk}/").json()
    field = api_as(measurer).get(f"/api/appointments/{visit.pk}/").json()

    assert "9917" not in str(office)
    assert field["access_secret"] == "9917 at the gate"


def test_the_workroom_gets_no_telephone_numbers(branch, workroom, api_as):
    make_job(branch)

    assert "555-0142" not in api_as(workroom).get("/api/jobs/").content.decode()


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "site"),
        ({"new_customer": {"name": ""}, "new_site": {"street": "x", "town": "y"}}, "new_customer.name"),
        ({"new_customer": {"name": "A"}, "new_site": {"street": "x"}}, "new_site.town"),
        ({"new_customer": {"name": "A"}, "new_site": {"street": "x", "town": "y", "latitude": 99}},
         "new_site.latitude"),
        ({"new_customer": {"name": "A"}, "new_site": {"street": "x", "town": "y"}, "openings_expected": 0},
         "openings_expected"),
    ],
)  # fmt: skip
def test_a_bad_booking_names_its_field(branch, dispatcher, api_as, body, field):
    answer = api_as(dispatcher).post("/api/jobs/", body, format="json")

    assert answer.status_code == 400
    assert field in {error["field"] for error in answer.json()["errors"]}
    assert not Job.objects.exists()


def test_a_future_tap_is_refused(branch, crew, measurer, api_as):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")

    answer = api_as(measurer).post(
        f"/api/appointments/{visit.pk}/arrived/", {"at": at(branch, MONDAY, "9:00").isoformat()}, format="json"
    )

    assert answer.status_code == 400


def test_a_plan_is_asked_for_looked_at_and_taken(branch, crew, dispatcher, api_as, do_runs):
    visit = make_appointment(make_job(branch))
    api = api_as(dispatcher)

    asked = api.post("/api/proposals/", {"from_on": str(MONDAY), "until_on": str(MONDAY), "seconds": 2}, format="json")
    do_runs()
    result = api.get(f"/api/runs/{asked.json()['id']}/").json()["result"]
    taken = api.post(f"/api/proposals/{result['proposal']}/accept/", {}, format="json")

    visit.refresh_from_db()
    assert asked.status_code == 202
    assert [move["state"] for move in taken.json()["moves"]] == ["accepted"]
    assert visit.day == MONDAY


def test_what_stops_an_install_refuses_its_promise_unless_asked_for_anyway(
    branch, crew, dispatcher, api_as, monkeypatch
):
    monkeypatch.setattr(ports, "blocker_sources", [lambda job: [Blocker("3 clips short", "workroom", severity="stop")]])
    visit = make_appointment(make_job(branch), purpose="install", crew=crew, day=MONDAY, time="9:00")
    url, window = f"/api/appointments/{visit.pk}/", {
        "window_from": at(branch, MONDAY, "8:00").isoformat(), "window_until": at(branch, MONDAY, "10:00").isoformat(),
    }  # fmt: skip
    api = api_as(dispatcher)

    refused = api.post(f"{url}promise/", window, format="json")
    taken = api.post(f"{url}promise/", window | {"anyway": True}, format="json")

    assert api.get(url).json()["in_the_way"] == ["3 clips short"]
    assert refused.status_code == 409
    assert [(one["text"], one["owner"]) for one in refused.json()["blockers"]] == [("3 clips short", "workroom")]
    assert refused.json()["errors"][0]["field"] == "anyway"
    assert taken.json()["state"] == "promised"


def test_an_absence_can_ask_for_its_visits_to_be_spread(branch, crew, dispatcher, api_as):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    away = {"starts_at": at(branch, MONDAY, "0:00").isoformat(), "ends_at": at(branch, MONDAY, "12:00").isoformat()}

    answer = api_as(dispatcher).post(f"/api/crews/{crew.pk}/absences/", away | {"spread": True}, format="json").json()

    assert answer["hits"] == [visit.pk]
    assert answer["run"]["kind"] == "jobs.plan_routes"


def test_a_project_gathers_jobs_by_phase_and_says_how_far_they_are(branch, dispatcher, api_as):
    api, customer = api_as(dispatcher), make_customer(branch)
    site, elsewhere = make_site(customer), make_site(make_customer(branch))
    project = api.post("/api/projects/", {"customer": customer.pk, "name": "Weir House"}, format="json").json()["id"]
    booking = {"site": site.pk, "openings_expected": 40, "project": project}
    for phase in ("floors 1 to 3", "floors 1 to 3", "floor 4"):
        assert api.post("/api/jobs/", booking | {"phase": phase}, format="json").status_code == 201
    strange = api.post("/api/jobs/", booking | {"site": elsewhere.pk}, format="json")
    last = Job.objects.get(phase="floor 4")
    api.post(f"/api/jobs/{last.pk}/cancel/", {"reason": "sold"}, format="json")

    phases = api.get(f"/api/projects/{project}/").json()["phases"]

    assert [(one["phase"], one["openings_expected"], one["stages"], len(one["jobs"])) for one in phases] == [
        ("floor 4", 0, {}, 1), ("floors 1 to 3", 80, {"booking": 2}, 2)
    ]  # fmt: skip
    assert strange.json()["errors"] == [{"field": "project", "problem": "this project belongs to another customer"}]
    assert len(api.get(f"/api/jobs/?project={project}&phase=floor 4").json()["results"]) == 1


def test_when_the_customer_can_and_cannot_bounds_what_is_offered(branch, crew, dispatcher, api_as):
    visit = make_appointment(make_job(branch))
    api, url = api_as(dispatcher), f"/api/appointments/{visit.pk}/"

    def span(begin, end):
        return {"starts_at": at(branch, MONDAY, begin).isoformat(), "ends_at": at(branch, MONDAY, end).isoformat()}

    can = api.post(f"{url}possible/", [span("8:00", "12:00")], format="json")
    cant = api.post(f"/api/jobs/{visit.job_id}/impossible/", [span("8:00", "10:00")], format="json")
    offers = api.get(f"{url}offers/?days=30").json()["offers"]
    reversed_one = api.post(f"{url}possible/", [span("12:00", "8:00")], format="json")

    assert (can.status_code, cant.status_code, len(can.json()["possible_windows"])) == (200, 200, 1)
    starts = [datetime.fromisoformat(one["starts_at"]) for one in offers]
    assert starts
    assert all(at(branch, MONDAY, "10:00") <= start <= at(branch, MONDAY, "12:00") for start in starts)
    assert reversed_one.status_code == 409
    assert api.post(f"{url}possible/", [], format="json").json()["possible_windows"] == []


def test_a_crew_is_set_up_over_http(branch, dispatcher, installer, api_as):
    api, other = api_as(dispatcher), make_crew(branch)
    crew = api.post("/api/crews/", {"name": "Nora's crew", "people": 2}, format="json").json()["id"]
    url = f"/api/crews/{crew}/"

    week = api.post(f"{url}hours/", [{"weekday": 0, "starts": "07:00", "ends": "15:00"}], format="json")
    api.post(f"{url}hours/", [{"weekday": 0, "starts": "07:00", "ends": "15:00"}], format="json")
    twice = api.post(f"{url}hours/", [{"weekday": 0}, {"weekday": 0}], format="json")
    joined = api.post(f"{url}members/", {"user": installer.pk, "from_on": str(MONDAY)}, format="json").json()
    left = api.post(f"{url}end-member/", {"member": joined[0]["id"], "until_on": str(MONDAY)}, format="json").json()
    api.post(f"{url}differs/", {"day": str(MONDAY), "starts": "10:00", "ends": "12:00"}, format="json")
    halves = [api.post(f"{url}differs/", {"day": str(MONDAY), **one}, format="json") for one in (
        {"starts": "10:00", "ends": None}, {"starts": None, "ends": "12:00"},
    )]  # fmt: skip
    day = api.get(f"{url}day/?day={MONDAY}").json()
    visit = make_appointment(make_job(branch), crew=other, day=MONDAY, time="10:15")
    traded = api.post(f"{url}swap/", {"other": other.pk, "day": str(MONDAY), "anyway": True}, format="json")

    assert week.json()[0]["starts"] == "07:00:00"
    assert AuditEntry.objects.filter(action="changed the hours").count() == 1
    assert twice.status_code == 400
    assert left[0]["until_on"] == str(MONDAY)
    assert [one.json()["errors"][0]["field"] for one in halves] == ["ends", "starts"]
    assert len(day["shifts"]) == 1
    assert traded.json()["appointments"] == [visit.pk]
    visit.refresh_from_db()
    assert visit.crew_id == crew


def test_an_absence_is_taken_back_over_http(branch, crew, dispatcher, api_as):
    api = api_as(dispatcher)
    away = {"starts_at": at(branch, MONDAY, "0:00").isoformat(), "ends_at": at(branch, MONDAY, "23:00").isoformat()}
    absence = api.post(f"/api/crews/{crew.pk}/absences/", away, format="json").json()["absence"]["id"]

    answer = api.post(f"/api/crews/{crew.pk}/remove-absence/", {"absence": absence}, format="json")

    assert answer.status_code == 204
    assert not crew.absences.exists()


def test_days_off_skills_and_rules_are_set_over_http(branch, dispatcher, stranger, api_as):
    api = api_as(dispatcher)
    off = api.post("/api/holidays/", {"day": str(MONDAY), "name": "stock count"}, format="json").json()["id"]
    skill = api.post("/api/skills/", {"key": "motors", "name": "motors"}, format="json")
    again = api.post("/api/skills/", {"key": "motors", "name": "motors"}, format="json")
    windows = [{"starts": "08:00", "ends": "10:00"}]
    rules = api.post("/api/calendar-rules/", {"reservation_min": 15, "windows": windows}, format="json").json()

    assert (skill.status_code, again.status_code) == (201, 409)
    assert (rules["hold_min"], rules["windows"]) == (15, [{"starts": "08:00:00", "ends": "10:00:00"}])
    assert api_as(stranger).delete(f"/api/holidays/{off}/").status_code == 404
    assert api.delete(f"/api/holidays/{off}/").status_code == 204
    assert api.get("/api/holidays/").json()["results"] == []


def test_a_file_of_jobs_is_looked_at_then_booked_over_http(branch, dispatcher, api_as, do_runs):
    api, text = api_as(dispatcher), "customer,street,town\nAda Ashdown,7 Kiln Lane,Millrace\n"

    look = api.post("/api/job-imports/", {"text": text}, format="json")
    states = do_runs()
    looked = Job.objects.count()
    api.post("/api/job-imports/", {"text": text, "dry": False}, format="json")

    assert (look.status_code, states, looked) == (202, ["done"], 0)
    assert do_runs() == ["done"]
    assert Job.objects.get().customer.name == "Ada Ashdown"


def test_money_is_asked_paid_and_taken_back_as_on_the_page(branch, dispatcher, stranger, api_as):
    job, api = make_job(branch), api_as(dispatcher)
    there = f"/api/1/jobs/{job.pk}/money/"
    assert api.post(there, {"deposit": "10", "order_value": "5"}, format="json").status_code == 409
    api.post(there, {"order_value": "900", "deposit": "300"}, format="json")
    api.post(f"/api/1/jobs/{job.pk}/hold/", {"reason": "deposit"}, format="json")

    paid = api.post("/api/1/payments/", {"job": job.pk, "amount": "300.00", "how": "card"}, format="json")

    assert paid.status_code == 201
    shown = api.get(there).json()
    assert (shown["paid"], shown["due"], shown["deposit_due"]) == ("300.00", "600.00", "0.00")
    assert (shown["currency"], shown["value"]) == ("USD", None)
    assert Job.objects.get(pk=job.pk).hold == ""
    api.post(f"/api/1/payments/{paid.json()['id']}/take-back/")
    assert api.get(there).json()["due"] == "900.00"
    assert api.post(there, {"deposit": None}, format="json").json()["order_value"] == "900.00"
    other = api_as(stranger)
    assert other.get(there).status_code == other.get(f"/api/1/payments/{paid.json()['id']}/").status_code == 404
    foreign = make_job(stranger.branch)
    refused = api.post("/api/1/payments/", {"job": foreign.pk, "amount": "1", "how": "cash"}, format="json")
    assert refused.json()["errors"][0]["field"] == "job"


def test_keys_and_questions_are_what_the_pages_have(branch, dispatcher, installer, stranger, api_as):
    job, api = make_job(branch), api_as(dispatcher)
    key = api.post("/api/1/keys/", {"site": job.site_id, "label": "12"}, format="json").json()
    there = f"/api/1/keys/{key['id']}"
    out = api.post(f"{there}/sign-out/", {"holder": installer.pk}, format="json").json()
    assert (out["holder"], out["due_on"] is not None) == (installer.pk, True)
    assert api.post(f"{there}/sign-out/", {"holder": dispatcher.pk}, format="json").status_code == 409
    assert api.post(f"{there}/sign-back/").json()["holder"] is None
    assert api.post(f"{there}/give-back/").json()["given_back_at"] is not None
    assert api_as(stranger).get(f"{there}/").status_code == 404

    asked = your_job.ask(job=job, text="Which color is it?", by=None)
    open_ones = "/api/1/questions/?answered_at__isnull=true"
    assert [one["text"] for one in api.get(open_ones).json()["results"]] == ["Which color is it?"]
    assert api.post(f"/api/1/questions/{asked.pk}/answered/").json()["answered_by"] == dispatcher.pk
    assert api.get(open_ones).json()["results"] == []


def test_a_service_call_is_booked_and_changed(branch, crew, dispatcher, api_as):
    api = api_as(dispatcher)
    who = {
        "new_customer": {"name": "Ada Ashdown"},
        "new_site": {"street": "7 Kiln Lane", "town": "Millrace", "latitude": 41.88, "longitude": -88.3},
    }
    about = {"product": "shade", "fault": "cord broke", "made_by": "other", "trip_charge": "65.00"}
    assert api.post("/api/1/jobs/", who | {"service": about}, format="json").status_code == 400
    assert api.post("/api/1/jobs/", who | {"purpose": "service"}, format="json").status_code == 400

    booked = api.post("/api/1/jobs/", who | {"purpose": "service", "service": about}, format="json")

    assert booked.status_code == 201
    visit = Appointment.objects.get(job=booked.json()["id"], purpose="service")
    changed = api.post(f"/api/1/appointments/{visit.pk}/service/", about | {"years": 9, "parts": "cord"}, format="json")
    assert (changed.json()["years"], changed.json()["result"]) == (9, "")
    assert api.get(f"/api/1/jobs/{visit.job_id}/money/").json()["due"] == "65.00"
    offers = api.get(f"/api/1/appointments/{visit.pk}/offers/").json()["offers"]
    assert {one["crew"] for one in offers} == {crew.pk}
