"""The dispatcher's and the field's pages, through their addresses."""

from __future__ import annotations

import csv
import datetime as dt
import re
from dataclasses import replace

import pytest
from django.utils import timezone

from jobs.models import Absence, Appointment, Job, JobDate, Project, Proposal, ReadinessAnswer, Site, Wish, WorkingHours
from jobs.ports import Blocker, ports
from jobs.rules.stages import stage_of
from jobs.schedule.day import read_day
from jobs.schedule.effects import effect_of
from jobs.schedule.offers import offers_for
from jobs.schedule.words import clock
from jobs.services import appointments, booking, dates, times
from jobs.services.search import keep_customer
from jobs.services.stages import stage_facts
from jobs.views import booking as booking_view
from shared.errors import Refused
from shared.formats.dates import short_day
from shared.formats.durations import minutes_text
from shared.models import AuditEntry, Run
from tests.factories import a_monday, at, make_appointment, make_crew, make_customer, make_job, make_site, make_user

pytestmark = pytest.mark.django_db
MONDAY = a_monday()
HOUR = dt.timedelta(hours=1)

BOOKING = {
    "customer-name": "Ada Ashdown",
    "site-street": "7 Kiln Lane",
    "site-town": "Millrace",
    "site-coordinates": "41.88, -88.30",
    "site-access": "met",
    "site-floor": "0",
    "site-children": "on",
    "openings_expected": "4",
}


@pytest.fixture
def crew(branch, measurer):
    return make_crew(branch, measurer)


@pytest.fixture
def office(dispatcher, as_user):
    return as_user(dispatcher)


def today(branch):
    return timezone.now().astimezone(branch.tz).date()


# -- booking --------------------------------------------------------------------------------


def test_booking_on_one_page_holds_the_window_that_was_chosen(branch, crew, office):
    look = office.post("/jobs/book/windows/", BOOKING)
    value = look.context["offers"].best[0].value

    answer = office.post("/jobs/book/", BOOKING | {"window": value})

    visit = Appointment.objects.get()
    assert answer.url == f"/visits/{visit.pk}/"
    assert visit.state == Appointment.State.RESERVED
    assert (visit.job.customer.name, visit.job.site.latitude) == ("Ada Ashdown", 41.88)


def test_a_booking_says_by_when_all_is_installed_and_keeps_what_was_said(branch, crew, office):
    look = office.post("/jobs/book/windows/", BOOKING)
    column = next(one for one in look.context["grid"].columns if one.is_offered)
    offer = next(cell.offer for cell in column.cells if cell.offer)

    office.post("/jobs/book/", BOOKING | {"window": offer.value})

    said = column.outlook
    assert (said.course.measure_on, said.is_confirmed) == (column.day, False)
    assert said.text[1:] in look.content.decode().replace("\n", " ")
    assert "estimated" in look.content.decode()
    assert JobDate.objects.get().told_on == said.by > column.day


@pytest.mark.parametrize(("openings", "minutes"), [(1, 20), (6, 45), (20, 115), (60, 315)])
def test_a_window_offered_for_that_many_openings_can_be_booked(branch, crew, office, openings, minutes):
    job = BOOKING | {"openings_expected": str(openings)}
    look = office.post("/jobs/book/windows/", job)
    offer = look.context["offers"].best[0]

    office.post("/jobs/book/", job | {"window": offer.value})

    visit = Appointment.objects.get()
    assert (visit.state, visit.duration_min, visit.duration_safe_min) == ("held", minutes, -(-minutes * 130 // 100))
    assert visit.starts_at == offer.starts_at
    assert f"{minutes_text(minutes)} on site" in look.content.decode()


def test_many_openings_are_offered_fewer_windows_than_one(branch, crew, office):
    def offered(openings, **more):
        return office.post("/jobs/book/windows/", BOOKING | {"openings_expected": str(openings)} | more).context[
            "offers"
        ]

    one, sixty, too_many = offered(1), offered(60), offered(120)

    ends = {one.window[1].astimezone(branch.tz).time() for one in sixty.best}
    assert len({offer.window for offer in one.best}) > len({offer.window for offer in sixty.best}) > 0
    assert dt.time(16) not in ends  # nobody begins five hours at 2 pm
    assert not too_many.best
    assert "10 h 15 min, and no such crew has longer than 9 h" in too_many.why
    crew.people = 2
    crew.save()
    assert offered(120, people="2").best  # with two, 6 h 51 min


def test_the_product_changes_the_minutes_and_is_kept_with_the_job(branch, crew, office):
    answer = office.post("/jobs/book/", BOOKING | {"product_expected": "roller", "openings_expected": "20"})
    bad = office.post("/jobs/book/", BOOKING | {"product_expected": "awning"})

    visit = Appointment.objects.get()
    assert answer.status_code == 302
    assert (visit.duration_min, visit.job.product_expected) == (95, "roller")
    assert bad.status_code == 422


def test_another_time_for_a_confirmed_visit_lets_the_old_one_go_as_the_new_one_stands(branch, crew, office):
    old = at(branch, MONDAY, "8:00"), at(branch, MONDAY, "10:00")
    visit = make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="8:15", state="promised", promised_from=old[0],
        promised_until=old[1],
    )  # fmt: skip
    url = f"/visits/{visit.pk}/windows/"
    assert url in office.get(f"/visits/{visit.pk}/").content.decode()

    look = office.get(f"{url}?jump={MONDAY}")
    offer = next(one for one in look.context["offers"].best if one.window[0] > old[1])
    gone = office.post(url, {"window": f"{crew.pk}|{at(branch, MONDAY, '4:00').isoformat()}|{old[0].isoformat()}"})
    visit.refresh_from_db()
    assert gone.status_code == 422
    assert (visit.promised_from, visit.state) == (old[0], "promised")  # nothing was let go

    office.post(url, {"window": offer.value})

    visit.refresh_from_db()
    assert (visit.state, visit.promised_from, visit.starts_at) == ("promised", offer.window[0], offer.starts_at)
    office.post(f"/visits/{visit.pk}/undo/")
    visit.refresh_from_db()
    assert (visit.promised_from, visit.promised_until) == old


def test_a_lock_is_said_on_the_job_and_in_the_csv(branch, crew, office):
    """It stood on the visit's own page only, where nobody looks before they move it."""
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="10:00", is_locked=True)

    page = office.get(f"/jobs/{visit.job_id}/").content.decode()
    answer = office.get(f"/calendar/?day={MONDAY}&format=csv")
    head, row = b"".join(answer.streaming_content).decode().splitlines()[:2]

    assert "<small>locked</small>" in page
    assert (head.split(",")[-1], row.split(",")[-1]) == ("locked", "locked")


def test_a_locked_visit_gets_no_other_time(branch, crew, office):
    visit = make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="8:15", state="promised", is_locked=True,
        promised_from=at(branch, MONDAY, "8:00"), promised_until=at(branch, MONDAY, "10:00"),
    )  # fmt: skip
    window = office.get(f"/visits/{visit.pk}/windows/").context["offers"].best[-1].value

    answer = office.post(f"/visits/{visit.pk}/windows/", {"window": window})

    assert answer.status_code == 422
    assert "unlock it on its page first" in answer.content.decode()


@pytest.mark.parametrize("state", ["on_the_way", "arrived", "done", "cancelled"])
def test_what_has_begun_or_is_over_gets_no_other_time(branch, crew, office, state):
    """The page of times was a 500, since a visit that is over has no chance to look at; so was an answer to it."""
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="8:15", state=state)
    url, begin = f"/visits/{visit.pk}/windows/", at(branch, MONDAY, "10:00")

    look = office.get(url)
    taken = office.post(url, {"window": f"{crew.pk}|{begin.isoformat()}|{(begin + HOUR).isoformat()}"})

    assert f"The appointment is {visit.get_state_display()}: there is no other time for it." in look.content.decode()
    assert taken.status_code == 422
    assert "already; move it instead" in taken.content.decode() or "is cancelled" in taken.context["error"]


def test_times_are_a_grid_of_days_and_times_from_the_day_asked_for(branch, crew, office):
    visit = make_appointment(make_job(branch))

    grid = office.get(f"/visits/{visit.pk}/windows/?jump={MONDAY}").context["grid"]
    later = office.get(f"/visits/{visit.pk}/windows/?from_on={grid.later}").context["grid"]
    odd = office.get(f"/visits/{visit.pk}/windows/?jump=2026-99-99")

    assert [column.day for column in grid.columns] == [MONDAY + dt.timedelta(days=n) for n in range(5)]
    assert len(grid.times) == 4
    assert all(cell.offer is None or cell.offer.day == column.day for column in grid.columns for cell in column.cells)
    assert later.columns[0].day >= MONDAY + dt.timedelta(days=7)
    assert odd.status_code == 200


def test_a_wish_without_a_date_is_kept_with_the_job_and_holds_for_its_later_visits(branch, crew, office):
    wish = {"only_days": ["1"], "only_from": "13:00", "never_days": ["4"]}

    look = office.post("/jobs/book/windows/", BOOKING | wish)
    office.post("/jobs/book/", BOOKING | wish)
    visit = Appointment.objects.get()
    office.post(f"/jobs/{visit.job.pk}/visits/new/", {"purpose": "measure", "people": "1", "priority": "1"})
    later = office.get(f"/visits/{visit.job.appointments.last().pk}/windows/")

    assert sorted(map(str, visit.job.wishes.all())) == ["not Fridays", "only Tuesdays after 1:00 pm"]
    for page in (look, later):
        offers = page.context["offers"].best
        assert {offer.day.weekday() for offer in offers} == {1}
        assert all(offer.window[0].astimezone(branch.tz).time() >= dt.time(13) for offer in offers)


def test_a_move_against_a_wish_asks_first(branch, crew, dispatcher):
    visit = make_appointment(make_job(branch))
    times.set_wishes(
        job=visit.job, wishes=[Wish(kind="only", starts=dt.time(12)), Wish(kind="not", weekday=0)], by=dispatcher
    )

    def asked(day, time):
        return [one.text for one in effect_of(visit, crew=crew, starts_at=at(branch, day, time)).clashes]

    assert asked(MONDAY, "9:00") == ["The customer asked for: only after 12:00 pm; not Mondays."]
    assert asked(MONDAY + dt.timedelta(days=1), "12:00") == []


def test_where_no_wish_is_met_the_nearest_is_offered_and_a_day_to_call_is_set(branch, crew, office):
    """ "Only after 4 pm" offered "2 to 4 pm, about 4:00, 0 in 100"."""
    office.post("/jobs/book/", BOOKING | {"only_from": "16:00"})
    visit = Appointment.objects.get()
    page = office.get(f"/visits/{visit.pk}/windows/")
    tomorrow = today(branch) + dt.timedelta(days=1)

    office.post(f"/visits/{visit.pk}/times/", {"on": str(tomorrow)})
    waits = office.get("/stuck/").content.decode()

    assert 'Nothing fits "only after 4:00 pm".' in page.content.decode()
    assert all(offer.on_time > 50 for offer in page.context["offers"].best)
    assert f"call customer by {short_day(tomorrow)}" in waits
    office.post(f"/visits/{visit.pk}/windows/", {"window": page.context["offers"].best[0].value})
    visit.refresh_from_db()
    assert (visit.state, visit.call_on) == ("held", None)
    assert "call customer by" not in office.get("/stuck/").content.decode()


def test_a_call_to_make_has_a_reason_and_somebody_who_calls(branch, dispatcher, office, owner, stranger, api_as):
    office.post("/jobs/book/", BOOKING)
    visit, day = Appointment.objects.get(), today(branch) + dt.timedelta(days=1)
    url, api = f"/visits/{visit.pk}/times/", api_as(dispatcher)

    office.post(url, {"on": str(day), "note": "asks her sister first", "owner": owner.pk})
    shown = [office.get(page).content.decode() for page in ("/stuck/", f"/visits/{visit.pk}/windows/")]
    refused = office.post(url, {"on": str(day), "owner": stranger.pk})
    hidden = api.post(f"/api/1/appointments/{visit.pk}/call/", {"on": str(day), "owner": stranger.pk}, format="json")
    said = api.post(f"/api/1/appointments/{visit.pk}/call/", {"on": str(day), "note": "is away"}, format="json").json()

    assert f"call customer by {short_day(day)} ({owner}); asks her sister first." in shown[0]
    assert f"{owner} calls by {short_day(day)}: asks her sister first." in shown[1]
    assert (refused.status_code, hidden.status_code) == (422, 400)
    assert (said["call_on"], said["call_note"], said["call_owner"]) == (str(day), "is away", dispatcher.pk)


def test_an_evening_is_the_branchs_data(branch, office):
    make_crew(branch, hours="8:00 20:00")
    office.post("/holidays/windows/", {"windows": "8:00 to 12:00\n16:00 to 18:00\n18:00 to 20:00"})

    offers = office.post("/jobs/book/windows/", BOOKING | {"only_from": "16:30"}).context["offers"].best

    starts = {offer.window[0].astimezone(branch.tz).time() for offer in offers}
    assert starts == {dt.time(16, 30), dt.time(18)}


def test_times_the_customer_can_and_cannot_are_noted_and_struck(branch, crew, office):
    visit = make_appointment(make_job(branch))
    url, windows = f"/visits/{visit.pk}/times/", f"/visits/{visit.pk}/windows/"
    monday = {"day": str(MONDAY), "starts": "08:00", "ends": "12:00"}

    can = office.post(url, monday | {"kind": "can"})
    office.post(url, {"day": str(MONDAY), "kind": "cant", "ends": "10:00"})
    page = office.get(windows)
    wrong = office.post(url, monday | {"kind": "can", "ends": "07:00"})

    assert can.url == windows
    assert {offer.day for offer in page.context["offers"].best} == {MONDAY}
    assert [one.starts_at for one in page.context["possible"]] == [at(branch, MONDAY, "8:00")]
    assert wrong.status_code == 422
    assert "ends before it begins" in wrong.content.decode()
    office.post(url, {"drop": f"can-{visit.possible_windows.get().pk}"})
    office.post(url, {"drop": f"cant-{visit.job.impossible_times.get().pk}"})
    assert not visit.possible_windows.exists()
    assert not visit.job.impossible_times.exists()


def test_a_window_the_customer_can_take_bounds_a_booking(branch, crew, office):
    only = {"can_day": str(MONDAY), "can_from": "08:00", "can_until": "10:00"}

    look = office.post("/jobs/book/windows/", BOOKING | only)
    office.post("/jobs/book/", BOOKING | only)

    assert {offer.day for offer in look.context["offers"].best} == {MONDAY}
    assert Appointment.objects.get().possible_windows.get().starts_at == at(branch, MONDAY, "8:00")


def test_a_project_is_opened_booked_for_and_looked_at_by_phase(branch, crew, office):
    site = make_site(make_job(branch).customer)
    opened = office.post(f"/customers/{site.customer_id}/projects/new/", {"name": "Weir House"})
    project = Project.objects.get()

    form = office.get(f"/jobs/book/?for_site={site.pk}&for_project={project.pk}").content.decode()
    job = {"for_site": site.pk, "openings_expected": "40", "project": project.pk, "phase": "floors 1 to 3"}
    office.post("/jobs/book/", job)
    page = office.get(project.get_absolute_url()).content.decode()

    assert opened.url == f"/projects/{project.pk}/"
    assert f'<option value="{project.pk}" selected' in form
    assert "40 openings expected; jobs: 1 booking." in " ".join(page.split())
    assert project.jobs.get().number in page
    office.post(project.get_absolute_url(), {"name": "Weir House North", "note": "dock from 7"})
    project.refresh_from_db()
    assert (project.name, project.note) == ("Weir House North", "dock from 7")


def test_looking_at_windows_stores_nothing(branch, crew, office):
    answer = office.post("/jobs/book/windows/", BOOKING)

    assert answer.context["offers"].best
    assert not Job.objects.exists()
    assert not Site.objects.exists()


def test_a_booking_without_coordinates_is_kept_and_placed_by_what_is_known(branch, crew, office):
    answer = office.post("/jobs/book/", BOOKING | {"site-coordinates": ""}, follow=True)

    assert Job.objects.count() == 1
    assert Site.objects.get().place_from == "branch"
    assert "no coordinates" not in answer.content.decode()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"customer-name": ""}, "This field is required"),
        ({"site-coordinates": "somewhere"}, "Write latitude, then longitude"),
        ({"site-coordinates": "141, -88"}, "Write latitude, then longitude"),
        ({"site-coordinates": "91, -88"}, "within -90 to 90"),
        ({"openings_expected": "0"}, "greater than or equal to 1"),
        ({"window": "1|2|3"}, "Choose one of the windows"),
        ({"not_day": "2027-03-01", "not_from": "12:00", "not_until": "10:00"}, "ends before it begins"),
    ],
)
def test_a_bad_booking_says_why_and_loses_nothing(branch, crew, office, change, words):
    answer = office.post("/jobs/book/", BOOKING | change)

    page = answer.content.decode()
    assert answer.status_code == 422
    assert words in page
    assert "7 Kiln Lane" in page
    assert not Job.objects.exists()


def test_known_customers_are_found_by_name_and_street(branch, office, stranger, as_user):
    job = make_job(branch)
    keep_customer(job.customer)

    assert job.customer.name in office.get(f"/jobs/book/find/?who={job.site.street[:8]}").content.decode()
    assert job.customer.name not in as_user(stranger).get(f"/jobs/book/find/?who={job.customer.name}").content.decode()


def test_a_held_window_is_promised_and_its_texts_are_there(branch, crew, office, dispatcher):
    visit = make_appointment(make_job(branch))
    slot = at(branch, MONDAY, "8:00"), at(branch, MONDAY, "10:00")
    appointments.reserve_offer(appointment=visit, crew=crew, window=slot, by=dispatcher)

    page = office.post(f"/visits/{visit.pk}/promise/", follow=True).content.decode()

    assert "8:00 am to 10:00 am" in page
    assert "we&#x27;ll measure your windows" in page
    assert b"BEGIN:VEVENT" in office.get(f"/visits/{visit.pk}/visit.ics").content


@pytest.mark.parametrize(("purpose", "said"), [("install", True), ("measure", False)])
def test_what_stops_an_install_is_said_before_and_after_its_promise(
    branch, crew, office, dispatcher, monkeypatch, purpose, said
):
    monkeypatch.setattr(
        ports, "blocker_sources",
        [lambda job: [Blocker("3 clips short", "workroom", severity="stop"), Blocker("no hurry", "workroom")]],
    )  # fmt: skip
    visit = make_appointment(make_job(branch), purpose=purpose)
    slot = at(branch, MONDAY, "8:00"), at(branch, MONDAY, "10:00")
    appointments.reserve_window(
        appointment=visit, crew=crew, starts_at=at(branch, MONDAY, "9:00"), window=slot, by=dispatcher
    )

    before = office.get(f"/visits/{visit.pk}/").content.decode()
    sent = {"anyway": "1"} if 'name="anyway"' in before else {}
    after = office.post(f"/visits/{visit.pk}/promise/", sent, follow=True).content.decode()

    assert ("3 clips short" in before) is said
    assert ("Still in the way: 3 clips short." in after) is said
    assert "no hurry" not in before
    assert Appointment.objects.get(pk=visit.pk).state == Appointment.State.PROMISED


# -- the list and the job ----------------------------------------------------------------------


def test_the_list_finds_by_words_and_stage_and_leaves_out_other_branches(branch, office, stranger):
    mine = make_job(branch)
    theirs = make_job(stranger.branch)

    page = office.get(f"/jobs/?q={mine.number}").content.decode()
    everything = office.get("/jobs/?stage=all").content.decode()

    assert mine.customer.name in page
    assert theirs.number not in everything


def test_the_list_as_csv_disarms_formulas(branch, office):
    job = make_job(branch)
    job.customer.name = "=HYPERLINK(1)"
    job.customer.save()

    text = b"".join(office.get("/jobs/?format=csv").streaming_content).decode()

    assert "'=HYPERLINK(1)" in text
    assert job.number in text


def test_the_job_page_says_what_holds_it_up(branch, office):
    visit = make_appointment(make_job(branch, hold="deposit", site=make_site(make_job(branch).customer, latitude=None,
                                                                             longitude=None)))  # fmt: skip

    page = office.get(f"/jobs/{visit.job_id}/").content.decode()

    for words in ("Held for deposit", "no coordinates", "stands nowhere in the calendar"):
        assert words in page


def test_holding_and_cancelling_by_page(branch, office):
    job = make_job(branch)

    office.post(f"/jobs/{job.pk}/hold/", {"reason": "approval", "note": "waits for the partner"})
    held = Job.objects.get(pk=job.pk).stage
    office.post(f"/jobs/{job.pk}/unhold/")
    no_reason = office.post(f"/jobs/{job.pk}/cancel/", {"reason": ""})
    office.post(f"/jobs/{job.pk}/cancel/", {"reason": "moved away"})

    assert held == "paused"
    assert no_reason.status_code == 422
    assert Job.objects.get(pk=job.pk).stage == "cancelled"
    assert AuditEntry.objects.filter(job_id=job.pk, note="moved away").exists()


def test_a_closed_job_is_not_offered_to_be_paused_or_cancelled(branch, office):
    job = make_job(branch)

    assert "Cancel the job" in office.get(job.get_absolute_url()).content.decode()
    Job.objects.filter(pk=job.pk).update(stage=Job.Stage.CLOSED)
    closed = office.get(job.get_absolute_url()).content.decode()
    assert "Cancel the job" not in closed
    assert "Pause it" not in closed


def test_the_trail_and_the_door_code_stay_in_the_office(branch, crew, measurer, office, as_user):
    site = make_site(make_job(branch).customer, access="code", access_secret="9917 at the gate")
    tomorrow = today(branch) + dt.timedelta(days=1)
    visit = make_appointment(make_job(branch, site=site), crew=crew, day=tomorrow, time="9:00")

    pages = [
        office.get(f"/visits/{visit.pk}/").content.decode(),
        office.get(f"/sites/{site.pk}/").content.decode(),
        as_user(measurer).get(f"/visits/{visit.pk}/").content.decode(),
        as_user(measurer).get(f"/today/?day={tomorrow}").content.decode(),
    ]

    assert not any("9917" in page for page in pages)


def test_the_crew_sees_the_door_code_on_the_day(branch, crew, measurer, as_user, office):
    site = make_site(make_job(branch).customer, access="code", access_secret="9917 at the gate")
    make_appointment(make_job(branch, site=site), crew=crew, day=today(branch), time="9:00")

    assert "9917 at the gate" in as_user(measurer).get("/today/").content.decode()


def test_the_crew_reads_where_and_when_as_the_visit_page_has_it(branch, crew, measurer, office, dispatcher, as_user):
    """Today left the floor out, and said "between" where the stop's page said "to"."""
    site = make_site(make_job(branch).customer, floor=3)
    visit = make_appointment(make_job(branch, site=site))
    appointments.reserve_offer(
        appointment=visit, crew=crew, window=(at(branch, MONDAY, "8:00"), at(branch, MONDAY, "10:00")), by=dispatcher
    )
    appointments.promise(appointment=visit, by=dispatcher)

    pages = {
        "office": office.get(f"/visits/{visit.pk}/").content.decode(),
        "today": as_user(measurer).get(f"/today/?day={MONDAY}").content.decode(),
        "visit": as_user(measurer).get(f"/measure/{visit.pk}/").content.decode(),
    }

    for name in ("office", "today", "visit"):
        assert f"{site.address} · floor 3" in pages[name], name
    assert "8:00 am to 10:00 am" in pages["office"]
    assert "Promised 8:00 am to 10:00 am<" in pages["today"]


# -- moving ------------------------------------------------------------------------------------


def test_a_move_by_form_shows_the_price_first_and_asks_when_it_hurts(branch, crew, office):
    make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="10:00", state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "10:00"), promised_until=at(branch, MONDAY, "10:15"),
    )  # fmt: skip
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="14:00")
    data = {"crew": crew.pk, "day": MONDAY.isoformat(), "time": "09:30", "version": 0}

    look = office.post(f"/visits/{visit.pk}/move/", data | {"look": "1"}).content.decode()
    refused = office.post(f"/visits/{visit.pk}/move/", data)
    done = office.post(f"/visits/{visit.pk}/move/", data | {"anyway": "on"})

    assert "Breaks a promise" in look
    assert refused.status_code == 422
    assert done.status_code == 302
    assert Appointment.objects.get(pk=visit.pk).starts_at == at(branch, MONDAY, "9:30")


def test_the_board_asks_and_moves_in_json(branch, crew, office):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="14:00")
    json = {"headers": {"accept": "application/json"}}

    effect = office.get(
        f"/visits/{visit.pk}/effect/", {"crew": crew.pk, "starts_at": at(branch, MONDAY, "10:00").isoformat()}
    ).json()
    moved = office.post(
        f"/visits/{visit.pk}/move/", {"crew": crew.pk, "day": MONDAY.isoformat(), "time": "10:00", "version": 0}, **json
    )
    stale = office.post(
        f"/visits/{visit.pk}/move/", {"crew": crew.pk, "day": MONDAY.isoformat(), "time": "11:00", "version": 0}, **json
    )

    assert effect["price"] == "0.00"
    assert moved.status_code == 200
    assert stale.status_code == 409
    assert "meanwhile" in stale.json()["text"]


@pytest.mark.parametrize("view", ["day", "week", "month"])
@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31"])
def test_a_day_beyond_every_calendar_shows_today(branch, crew, office, view, day):
    """The day after the last there is broke the page."""
    answer = office.get(f"/calendar/?view={view}&day={day}")

    assert (answer.status_code, answer.context["day"]) == (200, today(branch))


@pytest.mark.parametrize(
    "query", ["", "?view=week", "?view=month", "?q=kiln", "?show=measuring", "?day=2027-03-14", "?day=nonsense"]
)
def test_the_board_draws_every_view(branch, crew, office, query):
    make_appointment(make_job(branch), crew=crew, day=today(branch), time="9:00")
    make_appointment(make_job(branch))

    assert office.get(f"/calendar/{query}").status_code == 200


def test_sixty_crews_and_five_days_take_few_queries(branch, office, django_assert_max_num_queries):
    crews = [make_crew(branch) for _ in range(60)]
    for crew in crews[:12]:
        make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")

    with django_assert_max_num_queries(35):
        page = office.get(f"/calendar/?view=week&day={MONDAY.isoformat()}")

    assert page.status_code == 200
    assert page.content.decode().count(crews[0].name) >= 1


# -- the day itself -------------------------------------------------------------------------------


def test_the_taps_of_today_lead_to_the_visit_and_never_past_its_close_out(branch, crew, measurer, as_user):
    """The big button after "Arrived" was "Done"."""
    visit = make_appointment(make_job(branch), crew=crew, day=today(branch), time="9:00")
    client = as_user(measurer)

    steps = []
    for tap in ("on-the-way", "arrived", "done"):
        steps.append(client.get("/today/").context["next"].action.step)
        client.post(f"/visits/{visit.pk}/{tap}/", {"next": "/today/"})

    visit.refresh_from_db()
    assert steps == ["leave", "arrive", "open"]
    assert visit.state == Appointment.State.ARRIVED


def test_today_shows_the_stop_under_way_first(branch, crew, measurer, as_user, calendar_alone):
    """Done out of order, it pointed at the earlier one that nobody had gone to."""
    day = today(branch)
    make_appointment(make_job(branch), crew=crew, day=day, time="9:00")
    second = make_appointment(make_job(branch), crew=crew, day=day, time="11:00")
    appointments.mark_on_the_way(appointment=second, by=measurer)

    assert as_user(measurer).get("/today/").context["next"].visit == second


def test_a_tap_is_taken_back_on_today(branch, crew, measurer, as_user, calendar_alone):
    visit = make_appointment(make_job(branch), crew=crew, day=today(branch), time="9:00")
    client = as_user(measurer)
    client.post(f"/visits/{visit.pk}/on-the-way/")

    form = rf'action="/visits/{visit.pk}/take-back/"[^>]*data-back( hidden)?>'
    shown = re.search(form, client.get("/today/").content.decode())
    assert shown is not None
    assert shown[1] is None
    client.post(f"/visits/{visit.pk}/take-back/")

    visit.refresh_from_db()
    assert visit.state == Appointment.State.PLANNED
    kept = re.search(form, client.get("/today/").content.decode())
    assert kept is not None
    assert kept[1] == " hidden"  # for a tap without signal


def test_one_judgement_of_a_visit_stands_everywhere(branch, crew, office, dispatcher, measurer, as_user, time_machine):
    """One line said "likely, 93 in 100" and "misses its promise"; the expected time stayed behind after an undo."""
    time_machine.move_to(at(branch, MONDAY, "15:00"), tick=False)
    late = make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="8:30", state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "7:45"), promised_until=at(branch, MONDAY, "9:45"),
    )  # fmt: skip
    crew_page = as_user(measurer)

    def everywhere():
        day = read_day(crew, MONDAY)
        return clock(day.expected(timezone.now())[late.pk], branch.tz), {
            "board": office.get(f"/calendar/?day={MONDAY}").content.decode(),
            "visit": office.get(f"/visits/{late.pk}/").content.decode(),
            "stuck": office.get("/stuck/").content.decode(),
            "today": crew_page.get("/today/").content.decode(),
        }

    expected, pages = everywhere()
    assert f"expected {expected}, misses its promise" in pages["board"]
    assert pages["board"].count("0% on time: likely late") == 2  # in the list, and among those not safe
    assert f"It misses its promise: expected {expected}" in pages["visit"]
    assert "0% on time: likely late" in pages["visit"]
    assert "after its appointment window" in pages["stuck"]
    assert "after its appointment window" in pages["today"]
    assert f"expected {expected}" in pages["today"]
    api = office.get(f"/api/appointments/{late.pk}/").json()
    assert clock(dt.datetime.fromisoformat(api["expected_at"]), branch.tz) == expected
    time_machine.shift(1800)
    assert everywhere()[0] != expected

    appointments.mark_arrived(appointment=late, by=dispatcher)

    assert office.get(f"/api/appointments/{late.pk}/").json()["expected_at"] is None
    for url in (f"/visits/{late.pk}/", "/stuck/", f"/calendar/?day={MONDAY}"):
        page = office.get(url).content.decode()
        assert "misses its promise" not in page
        assert "xpected 3:" not in page


def test_nobody_comes_to_a_visit_in_an_absence(branch, crew, office, dispatcher):
    day = MONDAY + dt.timedelta(days=14)
    row = make_appointment(make_job(branch), crew=crew, day=day, time="9:15")
    Absence.objects.create(crew=crew, starts_at=at(branch, day, "9:00"), ends_at=at(branch, day, "17:00"))

    board, page = (office.get(url).content.decode() for url in (f"/calendar/?day={day}", f"/visits/{row.pk}/"))

    assert "planned, nobody comes" in board
    assert "Spread that day" in board
    assert "Nobody comes" in page


def test_today_is_empty_for_who_drives_with_nobody(branch, as_user):
    page = as_user(make_user("installer", branch=branch)).get("/today/").content.decode()

    assert "You drive with no crew today" in page


def test_a_stop_that_will_be_late_is_raised_for_the_office(
    branch, crew, office, dispatcher, calendar_alone, time_machine
):
    day = MONDAY
    time_machine.move_to(at(branch, day, "12:00"), tick=False)
    first = make_appointment(make_job(branch), crew=crew, day=day, time="9:00")
    late = make_appointment(
        make_job(branch), crew=crew, day=day, time="10:30", state=Appointment.State.PROMISED,
        promised_from=at(branch, day, "10:00"), promised_until=at(branch, day, "11:00"),
    )  # fmt: skip

    appointments.mark_arrived(appointment=first, by=dispatcher, at=at(branch, day, "9:00"))
    appointments.mark_done(appointment=first, by=dispatcher, at=at(branch, day, "12:00"))

    assert f"{late.job.number} {late.job.customer.name}: expected" in office.get("/stuck/").content.decode()


def test_a_late_stop_shows_who_else_could_keep_it_and_at_what_price(branch, crew, office, dispatcher, time_machine):
    day = MONDAY
    time_machine.move_to(at(branch, day, "9:50"), tick=False)
    other = make_crew(branch, name="Spare van")
    first = make_appointment(make_job(branch), crew=crew, day=day, time="8:30", duration_min=150)
    late = make_appointment(
        make_job(branch), crew=crew, day=day, time="10:15", state=Appointment.State.PROMISED,
        promised_from=at(branch, day, "10:00"), promised_until=at(branch, day, "10:30"),
    )  # fmt: skip
    appointments.mark_arrived(appointment=first, by=dispatcher, at=at(branch, day, "8:30"))

    page = office.get(f"/visits/{late.pk}/").content.decode()
    answer = office.post(f"/visits/{late.pk}/move/", {"crew": other.pk, "day": str(day), "time": "10:05"})

    assert "It misses its promise: expected 11:" in page
    assert "Spare van, 10:" in page
    assert "we are running late" in page
    assert answer.status_code == 302
    assert Appointment.objects.get(pk=late.pk).crew == other


def test_a_promise_shows_its_chance_in_words_and_a_number(branch, crew, office):
    def shown(until):
        visit = make_appointment(
            make_job(branch), crew=make_crew(branch), day=MONDAY, time="9:00", state=Appointment.State.PROMISED,
            promised_from=at(branch, MONDAY, "8:30"), promised_until=at(branch, MONDAY, until),
        )  # fmt: skip
        return office.get(f"/visits/{visit.pk}/").content.decode()

    assert "<dt>On time</dt><dd>99% on time" in shown("11:00")
    assert "<dt>On time</dt><dd>99% on time" not in shown("9:00")
    risky = office.get(f"/calendar/?day={MONDAY}").context["risky"]
    assert [chance for _, chance in risky if "99%" in chance] == []  # every one stood among those at risk
    assert len(risky) == 1


def test_visits_in_an_absence_are_raised_with_where_to_spread_them(branch, crew, office, dispatcher):
    day = today(branch) + dt.timedelta(days=1)
    make_appointment(make_job(branch), crew=crew, day=day, time="9:00")
    Absence.objects.create(crew=crew, starts_at=at(branch, day, "0:00"), ends_at=at(branch, day, "23:59"))

    page = office.get("/stuck/").content.decode()

    assert "Spread that day" in page
    assert f"/calendar/plan/?day={day}&amp;keep=1" in page


def test_what_the_customer_cant_is_noted_and_not_offered(branch, crew, office):
    visit = make_appointment(make_job(branch))
    day = today(branch) + dt.timedelta(days=3)

    office.post(f"/jobs/{visit.job_id}/cant/", {"not_day": str(day)})
    offers = office.get(f"/visits/{visit.pk}/windows/").context["offers"].best

    assert visit.job.impossible_times.count() == 1
    assert all(offer.day != day for offer in offers)


def test_a_held_window_is_called_promised_nowhere(branch, crew, office):
    """The job's page, the board and the customer's calendar file said "promised" of a window that was only held."""
    window = {"promised_from": at(branch, MONDAY, "12:00"), "promised_until": at(branch, MONDAY, "14:00")}
    later = timezone.now() + dt.timedelta(minutes=10)
    visit = make_appointment(
        make_job(branch), crew=crew, day=MONDAY, time="12:15", state="held", reserved_until=later, **window
    )

    board = office.get(f"/calendar/?day={MONDAY}").content.decode()
    job = office.get(f"/jobs/{visit.job_id}/").content.decode()
    file = office.get(f"/visits/{visit.pk}/visit.ics", follow=True)

    assert "held, held for 12:00 pm to 2:00 pm" in board
    assert "held for 12:00 pm to 2:00 pm" in job
    assert "Its window is only held: promise it first." in file.content.decode()
    assert "we&#x27;ll" not in office.get(f"/visits/{visit.pk}/").content.decode()


def test_site_checks_are_one_line_and_one_press(branch, crew, office):
    """Fourteen lines that said the same filled the first screen."""
    soon = today(branch) + dt.timedelta(days=1)
    install = {"crew": crew, "day": soon, "purpose": "install", "state": "promised"}
    window = {"promised_from": at(branch, soon, "8:00"), "promised_until": at(branch, soon, "15:00")}
    rows = [make_appointment(make_job(branch), time=f"{hour}:00", **install, **window) for hour in (9, 10, 11)]

    before = office.get("/calendar/").context["decisions"]
    asks = [group for group in before if group.kind == "ask"]
    answer = office.post("/calendar/ready/", {"visit": [row.pk for row in rows[:2]]}, follow=True)

    assert [(group.text, len(group.rows)) for group in asks] == [("3 site checks due", 3)]
    assert [group.rows for group in answer.context["decisions"] if group.kind == "ask"] == [
        tuple(one for one in asks[0].rows if one.visit == rows[2].pk)
    ]
    assert {one.answer for one in ReadinessAnswer.objects.all()} == {"yes"}
    assert set(ReadinessAnswer.objects.values_list("appointment", flat=True)) == {row.pk for row in rows[:2]}


def test_readiness_is_asked_ticked_and_raised(branch, crew, office):
    day = today(branch) + dt.timedelta(days=2)
    visit = make_appointment(make_job(branch), purpose="install", crew=crew, day=day, time="9:00")

    asked = office.get("/stuck/").content.decode()
    office.post(f"/visits/{visit.pk}/ready/", {"floor": "no", "painted": "yes", "note": "Thursday"})
    raised = office.get("/stuck/").content.decode()

    assert "ask whether the site is ready" in asked
    assert "the site is not ready" in raised
    assert ReadinessAnswer.objects.filter(appointment=visit).count() == 2
    office.post(f"/visits/{visit.pk}/ready/", {"floor": "yes", "painted": "yes"})
    office.post(f"/visits/{visit.pk}/ready/", {"floor": "yes", "painted": "yes"})
    assert AuditEntry.objects.filter(action="asked whether the site is ready").count() == 2


# -- crews ----------------------------------------------------------------------------------------


def test_an_absence_by_page_names_the_visits_it_hits(branch, crew, office):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")

    page = office.post(
        f"/crews/{crew.pk}/absences/",
        {"from_day": MONDAY.isoformat(), "until_day": MONDAY.isoformat(), "reason": "van in repair"},
        follow=True,
    ).content.decode()

    assert visit.job.number in page
    assert "van in repair" in page


def test_hours_by_page_change_the_calendar(branch, crew, office):
    data = {f"{part}_{day}": value for day in range(2) for part, value in (("starts", "09:00"), ("ends", "12:00"))}

    office.post(f"/crews/{crew.pk}/hours/", data)
    wrong = office.post(f"/crews/{crew.pk}/hours/", {"starts_0": "09:00"})

    assert sorted(crew.hours.values_list("weekday", flat=True)) == [0, 1]
    assert wrong.status_code == 422


def test_rules_refuse_a_country_nobody_knows(branch, office):
    data = {
        "chance_floor": "90",
        "drive_price": "30", "paid_price": "36", "overtime_price": "18", "moved_price": "15", "wait_price": "2",
        "overdue_price": "10", "reservation_min": "10",
        "pack_days": "1", "days_offered": "10", "ask_days": "3", "road_factor": "1.3", "holiday_country": "XX",
    }  # fmt: skip

    answer = office.post("/holidays/", data)

    assert answer.status_code == 422
    assert "no public holidays are known for XX" in answer.content.decode()


def test_windows_promised_on_the_phone_are_edited_as_lines(branch, office):
    office.post("/holidays/windows/", {"windows": "8:00 to 12:00\n12:00-16:00"})
    wrong = office.post("/holidays/windows/", {"windows": "12:00 to 8:00"}, follow=True).content.decode()

    assert [str(row) for row in branch.usual_windows.all()] == ["8:00 am to 12:00 pm", "12:00 pm to 4:00 pm"]
    assert "ends before it begins" in wrong


def test_the_confirmation_is_printed_and_carries_no_code(branch, crew, office, dispatcher, do_runs):
    import io

    from pypdf import PdfReader

    from shared.models import Document

    site = make_site(make_job(branch).customer, access="code", access_secret="9917 at the gate")
    visit = make_appointment(
        make_job(branch, site=site), crew=crew, day=MONDAY, time="9:00", state=Appointment.State.PROMISED,
        promised_from=at(branch, MONDAY, "8:00"), promised_until=at(branch, MONDAY, "10:00"),
    )  # fmt: skip

    office.post(f"/documents/jobs.confirmation/{visit.pk}/print/")
    do_runs()

    text = PdfReader(io.BytesIO(Document.objects.get().file.read())).pages[0].extract_text()
    assert "8:00 am to 10:00 am" in text.replace("\n", " ")
    assert visit.job.number in text
    assert "9917" not in text


def test_an_absence_is_noted_and_its_visits_spread_in_one_step(branch, crew, office):
    make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    form = {"from_day": MONDAY, "until_day": MONDAY, "reason": "flu", "spread": "1"}

    answer = office.post(f"/crews/{crew.pk}/absences/", form)

    run = Run.objects.get(kind="jobs.plan_routes")
    assert answer.url == f"/calendar/plan/runs/{run.pk}/"
    assert (run.params["keep"], run.params["from_on"], run.params["until_on"]) == (True, str(MONDAY), str(MONDAY))


def test_a_week_names_its_days_for_screens_too_narrow_for_the_board(branch, crew, office):
    make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")

    week = office.get(f"/calendar/?view=week&day={MONDAY}").context["week"]

    assert [(one["visits"], one["crews"]) for one in week] == [(0, 0), (1, 1), *[(0, 1)] * 4, (0, 0)]
    assert office.get(week[1]["link"]).context["days"] == [MONDAY]


@pytest.mark.parametrize(("first", "begins"), [(6, 0), (0, -6)])
def test_a_week_is_the_one_around_the_day_from_the_branchs_first_weekday(branch, crew, office, first, begins):
    """It was always Monday's: on a Sunday, a firm whose week begins that day saw the week that had ended."""
    branch.first_weekday = first
    branch.save()
    sunday = MONDAY + dt.timedelta(days=6)

    answer = office.get(f"/calendar/?view=week&day={sunday}")

    assert answer.context["days"] == [sunday + dt.timedelta(days=begins + n) for n in range(7)]


def test_the_tray_names_age_place_and_minutes(branch, crew, office):
    waits = make_appointment(make_job(branch), duration_min=75)
    Appointment.objects.filter(pk=waits.pk).update(created_at=timezone.now() - dt.timedelta(days=12))

    (one,) = office.get("/calendar/").context["tray"]["rows"]
    part = office.get("/calendar/", headers={"HX-Request": "true", "HX-Target": "board"}).content.decode()

    assert (one.row, one.kind, one.age, one.why) == (waits, "measures", "12 days", "")
    for text in ("measure, 1 h 15 min", waits.job.site.street, "12 days", 'id="board"'):
        assert text in part


@pytest.mark.parametrize("view", ["day", "week"])
def test_no_word_on_the_board_is_small_or_turned(branch, crew, office, view):
    """Numbers stood upright in narrow blocks of 9 px, and a week's were bare."""
    for purpose, time in (("measure", "8:00"), ("install", "9:00"), ("return", "10:00")):
        make_appointment(make_job(branch), crew=crew, day=MONDAY, time=time, purpose=purpose, duration_min=20)

    board = str(office.get(f"/calendar/?view={view}&day={MONDAY}").context["board"])

    assert min(float(size) for size in re.findall(r'font-size="([\d.]+)"', board)) >= 11
    assert "rotate(-90" not in board
    assert [look for look in ("measures", "installs", "other") if f'class="block planned {look}' in board] == [
        "measures", "installs", "other",
    ]  # fmt: skip
    assert all(f">{row.job.number.rpartition('-')[2] if view == 'day' else row.job.number}" in board
               for row in Appointment.objects.all())  # fmt: skip


def test_a_week_says_how_full_each_day_is(branch, crew, office):
    """An hour on site, and the drive to it and back, of the eight that are worked."""
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00", duration_min=240)
    day = read_day(crew, MONDAY)
    work = day.work
    worked = sum((end - begin).total_seconds() / 60 for begin, end in work.shifts) - (
        work.lunch.minutes if work.lunch else 0
    )
    share = round(100 * (visit.duration_min + day.timeline.drive / 60) / worked)

    board = str(office.get(f"/calendar/?view=week&day={MONDAY}").context["board"])

    assert f">{share}% full<" in board
    assert board.count(">0% full<") == 4


def test_a_month_says_the_same_of_a_day_as_its_week(branch, crew, office, django_assert_max_num_queries):
    """There was no month: how full the next weeks are had to be looked up day by day."""
    for job, time in ((make_job(branch), "9:00"), (make_job(branch), "11:00")):
        make_appointment(job, crew=crew, day=MONDAY, time=time, duration_min=90)
    make_appointment(make_job(branch), crew=crew, day=MONDAY + dt.timedelta(days=1), time="9:00")

    with django_assert_max_num_queries(20):
        month = office.get(f"/calendar/?view=month&day={MONDAY}").context
    week = str(office.get(f"/calendar/?view=week&day={MONDAY}").context["board"])
    cells = {one: (fill, visits, link) for row in month["weeks"] for one, fill, visits, link in row}

    fill, visits, link = cells[MONDAY]
    assert visits == 2
    assert f">{fill.text}<" in week
    assert 0 < cells[MONDAY + dt.timedelta(days=1)][0].share < fill.share < 1
    assert office.get(link).context["days"] == [MONDAY]
    assert {len(row) for row in month["weeks"]} == {7}
    assert month["names"][0].weekday() == branch.first_weekday


def test_a_visit_under_way_is_filled_as_far_as_it_got(branch, crew, office, time_machine):
    row = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00", duration_min=60, state="arrived")
    row.arrived_at = at(branch, MONDAY, "9:10")
    row.save()
    time_machine.move_to(at(branch, MONDAY, "9:25"))

    board = str(office.get(f"/calendar/?day={MONDAY}").context["board"])
    wide = float(re.search(r'class="area" x="[\d.]+" y="[\d.]+" width="([\d.]+)"', board)[1])
    filled = float(re.search(r'class="progress" d="M[\d.]+ [\d.]+h([\d.]+)', board)[1])

    assert filled / wide == pytest.approx(0.25, abs=0.01)


def test_the_time_expected_stands_in_its_bracket_and_past_its_edge_once_it_is_late(branch, crew, office, time_machine):
    window = {"promised_from": at(branch, MONDAY, "9:00"), "promised_until": at(branch, MONDAY, "10:00")}
    make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:15", state="promised", **window)

    def expected(now):
        time_machine.move_to(at(branch, MONDAY, now))
        board = str(office.get(f"/calendar/?day={MONDAY}").context["board"])
        left, right = (float(x) for x in re.search(r'class="bracket" d="M([\d.]+) .*?H([\d.]+)V', board).groups())
        x = float(re.search(r'class="expected[ \w]*" d="M([\d.]+)', board)[1])
        return left <= x <= right, "past-edge" in board

    assert expected("7:00") == (True, False)
    assert expected("11:00") == (False, True)


def test_what_proposals_projects_and_crews_show_comes_as_csv(branch, crew, dispatcher, office):
    visit = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="9:00")
    project = booking.new_project(customer=visit.job.customer, name="Weir House", by=dispatcher)
    booking.edit_job(job=visit.job, by=dispatcher, project=project, phase="floor 4")
    proposal = Proposal.objects.create(branch=branch, from_on=MONDAY, until_on=MONDAY, created_by=dispatcher)
    proposal.moves.create(appointment=visit, version=0, crew=crew, day=MONDAY, starts_at=at(branch, MONDAY, "10:30"))

    def lines(address):
        return b"".join(office.get(f"{address}?format=csv").streaming_content).decode().splitlines()

    assert f"{crew.name},{MONDAY} 09:00,{crew.name},{MONDAY} 10:30" in lines(proposal.get_absolute_url())[1]
    assert f"floor 4,{visit.job.number}" in lines(project.get_absolute_url())[1]
    assert lines("/crews/")[1].startswith(f"{crew.name},")


def test_a_job_has_an_opening_and_a_crew_somebody(branch, crew, office):
    job = make_job(branch, openings_expected=4)
    look = office.post(f"/jobs/{job.pk}/edit/", {"openings_expected": "0", "policy": job.policy})
    assert (look.status_code, "greater than or equal to 1" in look.content.decode()) == (422, True)
    look = office.post(f"/crews/{crew.pk}/", {"name": crew.name, "people": "0", "overtime_min": "0"})
    assert (look.status_code, "greater than or equal to 1" in look.content.decode()) == (422, True)
    job.refresh_from_db()
    crew.refresh_from_db()
    assert (job.openings_expected, crew.people > 0) == (4, True)


def test_nobody_is_told_of_a_time_that_nobody_promised_nor_of_one_in_the_night(branch, crew, office, time_machine):
    """A planned visit had a confirmation "about 11:02 am", a late one the text "9:29 pm" of a crew that stops at 5."""
    day = today(branch) + dt.timedelta(days=(7 - today(branch).weekday()) % 7 or 7)
    promise = {"promised_from": at(branch, day, "14:30"), "promised_until": at(branch, day, "16:30")}
    planned = make_appointment(make_job(branch), crew=crew, day=day, time="9:00")
    late = make_appointment(make_job(branch), crew=crew, day=day, time="15:00", state="promised", **promise)

    assert office.get(f"/visits/{planned.pk}/").context["copy_text"] == ""
    assert "2:30" in office.get(f"/visits/{late.pk}/").context["copy_text"]
    time_machine.move_to(at(branch, day, "20:00"), tick=False)
    look = office.get(f"/visits/{late.pk}/")
    assert "can't be with you today any more" in look.context["late_text"]
    assert "Customer told: not today" in look.content.decode()


def test_what_nobody_comes_to_expects_no_time_on_board_and_csv(branch, crew, office, time_machine):
    """The CSV said "promised" where the board said "nobody comes", and times lay over one another on the lane."""
    day = MONDAY + dt.timedelta(days=14)
    window = {"promised_from": at(branch, day, "14:00"), "promised_until": at(branch, day, "16:00")}
    row = make_appointment(make_job(branch), crew=crew, day=day, time="15:00", state="promised", **window)
    Absence.objects.create(crew=crew, starts_at=at(branch, day, "13:00"), ends_at=at(branch, day, "17:00"))
    time_machine.move_to(at(branch, day, "15:30"), tick=False)

    board = office.get(f"/calendar/?day={day}").content.decode()
    sent = b"".join(office.get(f"/calendar/?day={day}&format=csv").streaming_content)
    (line,) = csv.DictReader(sent.decode("utf-8-sig").splitlines())

    assert (line["job"], line["state"], line["problem"]) == (row.job.number, "promised", "nobody comes")
    assert 'class="bracket' in board
    assert 'class="expected' not in board


def test_a_time_expected_in_the_evening_stays_on_the_sheet(branch, crew, office, time_machine):
    window = {"promised_from": at(branch, MONDAY, "15:00"), "promised_until": at(branch, MONDAY, "17:00")}
    row = make_appointment(make_job(branch), crew=crew, day=MONDAY, time="15:30", state="promised", **window)
    WorkingHours.objects.update(ends=dt.time(17, 55))
    time_machine.move_to(at(branch, MONDAY, "17:35"), tick=False)

    board = office.get(f"/calendar/?day={MONDAY}").content.decode()
    texts = re.findall(r'<text class="stop-word" x="([\d.]+)"[^>]*?(text-anchor="end")?>', board)

    assert row.pk
    assert texts
    assert all(anchor or float(x) + 35 < 1240 for x, anchor in texts)


def test_the_tray_names_the_earliest_day_that_the_offers_name(branch, office, monkeypatch):
    """ "Not before Sat" stood in the tray, "Mon" beside the times: made on Friday, a working day to pack."""
    saturday, monday = MONDAY + dt.timedelta(days=5), MONDAY + dt.timedelta(days=7)
    row = make_appointment(make_job(branch), purpose="install", earliest_on=saturday)
    monkeypatch.setattr("jobs.schedule.dates._packed", lambda *_: {row.job_id: (monday, "made on Friday")})

    page = office.get(f"/visits/{row.pk}/").content.decode()
    (shown,) = office.get("/calendar/").context["tray"]["rows"]

    assert short_day(monday) in page
    assert shown.why == f"not before {short_day(monday)}"


def test_a_split_measure_is_measured_when_both_parts_are(branch, crew, dispatcher):
    job = make_job(branch)
    first = make_appointment(job, crew=crew, day=MONDAY, time="9:00")
    appointments.split_appointment(appointment=first, first_min=30, by=dispatcher)

    facts = stage_facts(job)

    assert facts.measures_open == 2
    assert stage_of(replace(facts, openings_measured=3)) == "to_measure"
    job.appointments.update(state="done", crew=crew, day=MONDAY, starts_at=at(branch, MONDAY, "9:00"))
    assert stage_of(replace(stage_facts(job), openings_measured=3)) == "measured"


def test_a_visit_says_that_its_place_is_not_exact(branch, crew, office):
    site = make_site(make_customer(branch), place_from="street", place_within_m=300)
    row = make_appointment(make_job(branch, site=site), crew=crew, day=MONDAY, time="9:00")

    assert "within about 1000 ft" in office.get(f"/visits/{row.pk}/").content.decode()


def test_a_swap_is_taken_back_as_one(branch, crew, office, dispatcher):
    other = make_crew(branch)
    rows = [make_appointment(make_job(branch), crew=one, day=MONDAY, time="9:00") for one in (crew, other)]
    office.post("/calendar/swap/", {"one": crew.pk, "other": other.pk, "day": str(MONDAY)})
    assert [Appointment.objects.get(pk=row.pk).crew for row in rows] == [other, crew]
    assert "Undo the last swap" in office.get(f"/calendar/?day={MONDAY}").content.decode()

    office.post("/calendar/swap/", {"undo": "1", "day": str(MONDAY)})

    assert [Appointment.objects.get(pk=row.pk).crew for row in rows] == [crew, other]
    assert "Undo the last swap" not in office.get(f"/calendar/?day={MONDAY}").content.decode()
    appointments.swap_crews(one=crew, other=other, day=MONDAY, by=dispatcher)
    appointments.lock(appointment=Appointment.objects.get(pk=rows[0].pk), by=dispatcher)
    with pytest.raises(Refused, match="something happened"):
        appointments.undo_swap(crews=[crew, other], day=MONDAY, by=dispatcher)


def test_a_phone_number_that_is_known_is_said_while_booking(branch, office):
    known = make_customer(branch, name="Ada Ellery", phone="(312) 555-0147")
    keep_customer(known)

    page = office.post("/jobs/book/windows/", {"customer-name": "A. Ellery", "customer-phone": "312 555 0147"})
    other = office.post("/jobs/book/windows/", {"customer-name": "A. Ellery", "customer-phone": "312 555 0148"})

    assert f"for_customer={known.pk}" in page.content.decode()
    assert "Known already" not in other.content.decode()


def test_a_held_time_tells_nobody_the_install_date(branch, crew, dispatcher):
    row = make_appointment(make_job(branch))
    offer = offers_for(row).best[0]
    appointments.reserve_offer(appointment=row, crew=offer.crew, window=offer.window, by=dispatcher)
    booking_view._tell_first(row, dispatcher)

    actions = set(AuditEntry.objects.filter(job_id=row.job_id).values_list("action", flat=True))

    assert dates.SAID in actions
    assert not any(action.startswith("told the customer") for action in actions)
