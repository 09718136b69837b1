"""The customer's page: a signed link of one job, which ends, and what is done there."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.core.cache import cache
from django.test import Client
from django.urls import reverse

from jobs.models import Appointment, AppointmentMove, Crew, CustomerLink, Job
from jobs.schedule.offer_grid import grid_for
from jobs.schedule.words import window_text
from jobs.services import appointments, booking, links
from jobs.services import your_job as your_job_services
from jobs.views import your_job
from jobs.views.attention import decisions
from shared import audit
from shared.formats.dates import long_day
from shared.models import AuditEntry, Branch, User
from tests.factories import a_monday, at, make_appointment, make_crew, make_customer, make_job

pytestmark = pytest.mark.django_db
MONDAY = a_monday()


@pytest.fixture(autouse=True)
def nothing_asked_yet() -> None:
    cache.clear()


@pytest.fixture
def branch(branch: Branch) -> Branch:
    branch.phone = "(312) 555-0100"
    branch.save()
    return branch


@pytest.fixture
def crew(branch: Branch) -> Crew:
    return make_crew(branch)


@pytest.fixture
def visit(branch: Branch, crew: Crew, dispatcher: User, time_machine: Any) -> Appointment:
    """Promised for Monday, 8 to 10; it is noon on the Thursday before."""
    time_machine.move_to(at(branch, MONDAY - dt.timedelta(days=4), "12:00"), tick=False)
    job = make_job(branch, by=dispatcher, customer=make_customer(branch, name="Ada Ellery"))
    row = make_appointment(job, crew=crew, day=MONDAY, time="9:00")
    window = (at(branch, MONDAY, "8:00"), at(branch, MONDAY, "10:00"))
    return appointments.promise(appointment=row, by=dispatcher, window=window)


def page_of(job: Job) -> str:
    job = Job.objects.get(pk=job.pk)
    return reverse("jobs:your_job", args=[CustomerLink.of(job).token])


def test_it_says_when_we_come_and_who_to_call(client: Client, visit: Appointment) -> None:
    answer = client.get(page_of(visit.job))
    page = answer.content.decode()

    assert answer.status_code == 200
    assert f"{long_day(MONDAY)}, 8:00 am to 10:00 am" in page
    assert 'href="tel:(312) 555-0100"' in page
    assert f"Mention job {visit.job.number}" in page
    assert "<script" not in page
    assert answer["X-Robots-Tag"] == "noindex"
    assert "no-store" in answer["Cache-Control"]


def test_it_shows_nothing_of_another_job_and_of_the_office(client: Client, branch: Branch, visit: Appointment) -> None:
    other = make_job(branch, by=visit.job.created_by, customer=visit.job.customer)
    Job.objects.filter(pk=visit.job_id).update(note="pays late")
    Job.objects.filter(pk=other.pk).update(title="The den")
    type(visit.job.site).objects.update(access_secret="4711#", access_note="dog")

    page = client.get(page_of(visit.job)).content.decode()

    hidden = (other.number, "The den", "pays late", "4711", "dog", str(visit.crew))
    assert [word for word in hidden if word in page] == []


@pytest.mark.parametrize(
    ("state", "time", "said"),
    [
        ("promised", "7:30", "As the day stands we expect to be with you about 9:00 am"),
        ("promised", "12:00", "We are running late and expect to be with you about"),
        ("promised", "20:00", "We are sorry, we can&#x27;t be with you today any more"),
        ("on_the_way", "8:50", "We are on the way and expect to be with you between"),
        ("arrived", "9:05", "We are with you now"),
        ("done", "11:00", "Done."),
    ],
)
def test_on_the_day_it_says_how_the_visit_stands(
    client: Client, branch: Branch, visit: Appointment, time_machine: Any, state: str, time: str, said: str
) -> None:
    now = at(branch, MONDAY, time)
    taps = {"on_the_way": "on_the_way_at", "arrived": "arrived_at", "done": "done_at"}
    Appointment.objects.filter(pk=visit.pk).update(state=state, **({taps[state]: now} if state in taps else {}))
    time_machine.move_to(now, tick=False)

    assert said in client.get(page_of(visit.job)).content.decode()


def test_before_a_window_is_promised_it_names_none(client: Client, visit: Appointment) -> None:
    for state in ("planned", "held", "unplaced"):
        Appointment.objects.filter(pk=visit.pk).update(state=state)

        page = client.get(page_of(visit.job)).content.decode()

        assert "No time is set yet" in page
        assert "8:00 am" not in page


@pytest.mark.parametrize("how", ["revoked", "renewed", "ended", "altered", "made up"])
def test_a_link_that_is_not_open_shows_one_sentence_and_a_telephone_number(
    client: Client, visit: Appointment, dispatcher: User, time_machine: Any, how: str
) -> None:
    address = page_of(visit.job)
    if how == "revoked":
        links.revoke_link(job=visit.job, by=dispatcher)
    elif how == "renewed":
        links.renew_link(job=visit.job, by=dispatcher)
    elif how == "ended":
        time_machine.move_to(at(visit.job.branch, MONDAY + dt.timedelta(days=181), "0:01"), tick=False)
    elif how == "altered":
        address = address.replace(f"/{visit.job_id}-", f"/{visit.job_id + 1}-")
    else:
        address = reverse("jobs:your_job", args=["x"])

    answer = client.get(address)
    page = answer.content.decode()

    assert answer.status_code == (404 if how in {"altered", "made up"} else 410)
    assert "(312) 555-0100" in page
    assert visit.job.number not in page
    assert "Ada" not in page


def test_it_lasts_to_the_end_of_its_last_day_and_another_visit_moves_that(
    client: Client, visit: Appointment, crew: Crew, time_machine: Any
) -> None:
    last = MONDAY + dt.timedelta(days=180)
    time_machine.move_to(at(visit.job.branch, last, "23:59"), tick=False)
    assert client.get(page_of(visit.job)).status_code == 200

    time_machine.move_to(at(visit.job.branch, last, "23:59") + dt.timedelta(minutes=2), tick=False)
    assert client.get(page_of(visit.job)).status_code == 410

    make_appointment(visit.job, crew=crew, day=last + dt.timedelta(days=7), time="9:00")
    assert client.get(page_of(visit.job)).status_code == 200


def test_the_new_link_opens(client: Client, visit: Appointment, dispatcher: User) -> None:
    links.revoke_link(job=visit.job, by=dispatcher)
    links.renew_link(job=Job.objects.get(pk=visit.job_id), by=dispatcher)

    assert client.get(page_of(visit.job)).status_code == 200


def test_who_asks_too_often_waits_a_minute(client: Client, visit: Appointment, time_machine: Any) -> None:
    address = page_of(visit.job)
    codes = [client.get(address).status_code for _ in range(your_job.OF_LINK + 1)]
    time_machine.shift(60)

    assert codes == [200] * your_job.OF_LINK + [429]
    assert client.get(address).status_code == 200


def test_guessing_is_held_back_too(client: Client, visit: Appointment) -> None:
    answers = [client.get(reverse("jobs:your_job", args=[f"{n}-1.x"])) for n in range(your_job.OF_LINK + 1)]

    assert {answer.status_code for answer in answers[:-1]} == {404}
    assert answers[-1].status_code == 429
    assert "(312) 555-0100" in answers[-1].content.decode()


def test_the_office_sees_the_link_revokes_it_and_makes_another(
    client: Client, as_user: Any, dispatcher: User, visit: Appointment
) -> None:
    office, old = as_user(dispatcher), page_of(visit.job)
    assert old in office.get(visit.job.get_absolute_url()).content.decode()

    office.post(reverse("jobs:link", args=[visit.job_id]), {"revoke": "1"})
    revoked = office.get(visit.job.get_absolute_url()).content.decode()
    office.post(reverse("jobs:link", args=[visit.job_id]), {"new": "1"})

    assert old not in revoked
    assert client.get(old).status_code == 410
    assert client.get(page_of(visit.job)).status_code == 200
    done = AuditEntry.objects.filter(job_id=visit.job_id, by=dispatcher).values_list("action", flat=True)
    assert {"revoked the customer's link", "made the customer a new link"} <= set(done)


def test_what_the_customer_did_says_so_in_the_history(as_user: Any, dispatcher: User, visit: Appointment) -> None:
    other = make_job(visit.job.branch, by=dispatcher)
    with audit.by_customer(visit.job_id):
        made = audit.record(by=None, action="looked for another time", subject=visit, job=visit.job_id)
        by_us = audit.record(by=dispatcher, action="called back", subject=visit, job=visit.job_id)
        pushed = audit.record(by=None, action="was pushed by another visit", subject=other, job=other)
    after = audit.record(by=None, action="reminded", subject=visit, job=visit.job_id)

    assert [one.who for one in (made, by_us, pushed, after)] == [
        "The customer", str(dispatcher), "Jambwise", "Jambwise",
    ]  # fmt: skip
    assert "The customer" in as_user(dispatcher).get(visit.job.get_absolute_url()).content.decode()


# -- another time -------------------------------------------------------------------------


def times_of(visit: Appointment) -> str:
    return reverse("jobs:your_times", args=[CustomerLink.of(Job.objects.get(pk=visit.job_id)).token, visit.pk])


def offered(client: Client, visit: Appointment, **asked: str) -> list[str]:
    """The values of the times that the page offers."""
    return re.findall(r'name="window" value="([^"]+)"', client.get(times_of(visit), asked).content.decode())


def test_the_customer_takes_another_time_and_the_office_sees_who_did(
    client: Client, as_user: Any, dispatcher: User, visit: Appointment
) -> None:
    value = next(one for one in offered(client, visit) if f"{MONDAY + dt.timedelta(days=1)}" in one)

    answer = client.post(times_of(visit), {"window": value}, follow=True)
    client.post(times_of(visit), {"window": value})  # pressed twice

    visit.refresh_from_db()
    assert f"Confirmed: {window_text(visit)}." in answer.content.decode()
    assert visit.promised_from == dt.datetime.fromisoformat(value.split("|")[1])
    assert visit.state == "promised"
    made = AuditEntry.objects.filter(job_id=visit.job_id, action="promised another time")
    assert [one.who for one in made] == ["The customer"]
    assert "The customer" in as_user(dispatcher).get(visit.get_absolute_url()).content.decode()
    appointments.undo_move(appointment=visit, by=dispatcher)
    assert visit.promised_from == at(visit.job.branch, MONDAY, "8:00")


def test_only_safe_times_of_later_days_are_offered_and_taken(
    client: Client, visit: Appointment, crew: Crew, dispatcher: User
) -> None:
    branch, day = visit.job.branch, MONDAY + dt.timedelta(days=1)
    long = make_appointment(
        make_job(branch, by=dispatcher), crew=crew, day=day, time="8:00", duration_min=150, duration_safe_min=260
    )
    appointments.promise(appointment=long, by=dispatcher, window=(at(branch, day, "8:00"), at(branch, day, "9:00")))
    offers = grid_for(visit, from_on=day).offers.best
    risky = [offer.value for offer in offers if offer.is_risky]
    assert risky

    assert set(offered(client, visit, from_on=f"{day}")) == {offer.value for offer in offers} - set(risky)

    night, whole = (
        "|".join([str(crew.pk), *(at(branch, day, time).isoformat() for time in span)])
        for span in (("2:00", "4:00"), ("8:00", "17:00"))
    )
    far = f"{crew.pk}|9999-12-31T23:00:00+00:00|9999-12-31T23:30:00+00:00"
    for value in (*risky, night, whole, far, "", "x|y|z"):
        assert client.post(times_of(visit), {"window": value}).status_code == 422, value
    assert not AppointmentMove.objects.exists()


@pytest.mark.parametrize("why", ["the day itself", "locked", "under way", "cancelled", "of two days"])
def test_what_hangs_on_more_is_changed_on_the_telephone(
    client: Client, visit: Appointment, dispatcher: User, time_machine: Any, why: str
) -> None:
    value = offered(client, visit)[-1]
    if why == "the day itself":
        time_machine.move_to(at(visit.job.branch, MONDAY, "0:01"), tick=False)
    elif why == "locked":
        Appointment.objects.filter(pk=visit.pk).update(is_locked=True)
    elif why == "under way":
        Appointment.objects.filter(pk=visit.pk).update(state="on_the_way")
    elif why == "cancelled":
        booking.cancel_job(job=visit.job, by=dispatcher, reason="moved away")
    else:
        make_appointment(visit.job, with_crew_of=visit)

    page = client.get(times_of(visit)).content.decode()
    answer = client.post(times_of(visit), {"window": value})

    assert "(312) 555-0100" in page
    assert 'name="window"' not in page
    assert answer.status_code == 422
    assert not AppointmentMove.objects.filter(by=None).exists()


def test_a_fourth_other_time_within_a_day_is_for_the_telephone(client: Client, visit: Appointment) -> None:
    for _ in range(your_job_services.MOST_A_DAY):
        assert client.post(times_of(visit), {"window": offered(client, visit)[-1 - _]}).status_code == 302

    answer = client.post(times_of(visit), {"window": offered(client, visit)[-1 - your_job_services.MOST_A_DAY]})

    assert answer.status_code == 422
    assert "call us" in answer.content.decode()


def test_nobody_changes_the_visit_of_another_job(client: Client, visit: Appointment, branch: Branch) -> None:
    other = make_job(branch, by=visit.job.created_by)
    address = reverse("jobs:your_times", args=[CustomerLink.of(other).token, visit.pk])

    assert client.get(address).status_code == client.post(address, {"window": "x"}).status_code == 404


# -- what we should know -------------------------------------------------------------------


def test_the_customer_says_what_only_they_know_of_the_site(client: Client, visit: Appointment) -> None:
    site = visit.job.site
    address = reverse("jobs:your_site", args=[CustomerLink.of(visit.job).token])
    told = {"parking": "behind the house", "pets": "a dog", "door_contact": "Ike", "door_phone": "555-0143"}

    for _ in range(2):  # pressed twice
        answer = client.post(address, told | {"street": "elsewhere", "access_secret": "0000"}, follow=True)

    site.refresh_from_db()
    assert answer.status_code == 200
    assert (site.parking, site.pets, site.door_contact, site.children) == ("behind the house", "a dog", "Ike", False)
    assert "elsewhere" not in site.street
    assert site.access_secret == ""
    made = AuditEntry.objects.filter(action="changed the site", job_id=visit.job_id)
    assert [one.who for one in made] == ["The customer"]


def test_too_long_a_text_is_refused_beside_its_box(client: Client, visit: Appointment) -> None:
    address = reverse("jobs:your_site", args=[CustomerLink.of(visit.job).token])

    answer = client.post(address, {"parking": "x" * 161})

    assert answer.status_code == 422
    assert "at most 160 characters" in answer.content.decode()


# -- is it ready ---------------------------------------------------------------------------


def test_the_customer_says_that_the_site_is_not_ready_and_it_needs_attention_at_once(
    client: Client, as_user: Any, dispatcher: User, visit: Appointment
) -> None:
    Appointment.objects.filter(pk=visit.pk).update(purpose="install")
    address = reverse("jobs:your_readiness", args=[CustomerLink.of(visit.job).token, visit.pk])
    assert 'href="' + address in client.get(page_of(visit.job)).content.decode()

    answer = client.post(address, {"painted": "no", "clear": "yes", "note": "on Friday"}, follow=True)

    assert answer.status_code == 200
    assert {(row.question, row.answer, row.by) for row in visit.readiness.all()} == {
        ("painted", "no", None), ("clear", "yes", None),
    }  # fmt: skip
    assert "the customer, " in as_user(dispatcher).get(visit.get_absolute_url()).content.decode()
    assert [(one.severity, one.visit) for one in decisions(dispatcher) if one.kind == "unready"] == [("stop", None)]
    made = AuditEntry.objects.filter(action="said whether the site is ready")
    assert [(one.who, one.note) for one in made] == [("The customer", "on Friday")]


@pytest.mark.parametrize("why", ["a measure", "the day itself", "another job"])
def test_readiness_is_asked_of_ones_own_install_before_its_day(
    client: Client, visit: Appointment, dispatcher: User, time_machine: Any, why: str
) -> None:
    job = visit.job
    if why != "a measure":
        Appointment.objects.filter(pk=visit.pk).update(purpose="install")
    if why == "the day itself":
        time_machine.move_to(at(visit.job.branch, MONDAY, "0:01"), tick=False)
    if why == "another job":
        job = make_job(visit.job.branch, by=dispatcher)
    address = reverse("jobs:your_readiness", args=[CustomerLink.of(job).token, visit.pk])

    assert client.post(address, {"painted": "no"}).status_code == 404
    assert not visit.readiness.exists()
