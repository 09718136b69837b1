"""A service call from the telephone to what was done: an old covering or another firm's, nothing measured."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone

from installs.adapters import packet
from installs.documents import completion
from installs.models import StopPhoto
from installs.services.loads import refresh_load
from jobs.models import Appointment, CustomerLink, Job, Message, Purpose, ServiceCall
from jobs.rules.messages import SORTS
from jobs.services import appointments, erasing, money, service_calls
from jobs.services.search import keep_customer
from jobs.services.stages import blockers_of
from jobs.views.attention import decisions
from shared.errors import Refused
from shared.models import Branch, User
from tests.factories import a_monday, at, make_appointment, make_customer, make_job, make_site
from tests.installs.makers import make_crew, today
from tests.shared.test_pictures import jpeg

pytestmark = pytest.mark.django_db
ABOUT = {"product": "cellular shade, den", "fault": "cord broke", "made_by": "other", "years": 12, "parts": "cord kit"}


def make_call(branch: Branch, installer: User, **about: object) -> Appointment:
    """Promised for today, 9 to 11, on the installer's crew."""
    crew = make_crew(branch, installer)
    start = at(branch, today(branch), "9:00")
    visit = make_appointment(
        make_job(branch, openings_expected=1), purpose=Purpose.SERVICE, crew=crew, day=today(branch), time="9:00",
        state="promised", promised_from=start, promised_until=at(branch, today(branch), "11:00"),
    )  # fmt: skip
    service_calls.note_call(appointment=visit, by=visit.created_by, **{**ABOUT, **about})
    return visit


def test_an_old_customer_is_found_by_phone_and_a_call_booked_into_a_held_time(
    branch: Branch, dispatcher: User, as_user: Callable[[User], Client]
) -> None:
    site = make_site(make_customer(branch, name="Ada Ellery", phone="(312) 555-0147"))
    keep_customer(site.customer)
    make_crew(branch)
    client = as_user(dispatcher)
    found = client.get("/jobs/book/find/", {"who": "555 01 47"}).content.decode()
    assert f"?for_site={site.pk}" in found
    typed = {
        "for_site": site.pk, "purpose": "service", "openings_expected": 2, "people": 1, "service-trip_charge": "65",
        "from_on": f"{a_monday()}", **{f"service-{name}": value for name, value in ABOUT.items()},
    }  # fmt: skip
    shown = client.post("/jobs/book/windows/", typed).content.decode()
    window = re.findall(r'name="window" id="[^"]+" value="([^"]+)"', shown)[0]

    answer = client.post("/jobs/book/", typed | {"window": window})

    visit = Appointment.objects.get()
    assert answer["Location"] == visit.get_absolute_url()
    assert (visit.purpose, visit.state, visit.duration_min) == ("service", "held", 60)
    assert visit.job.site == site
    assert str(visit.service) == "cellular shade, den, another firm's, about 12 years old"
    assert money.balance_of(visit.job).due == Decimal(65)
    page = client.get(visit.get_absolute_url()).content.decode()
    assert "cord broke" in page
    assert "$65.00" in page


def test_a_call_without_what_it_is_about_is_refused_beside_its_fields(
    branch: Branch, dispatcher: User, as_user: Callable[[User], Client]
) -> None:
    site = make_site(make_customer(branch))
    typed = {"for_site": site.pk, "purpose": "service", "openings_expected": 1}

    answer = as_user(dispatcher).post("/jobs/book/", typed)

    assert answer.status_code == 422
    assert 'id="id_service-fault_error"' in answer.content.decode()
    assert not Job.objects.exists()


def test_it_stands_on_the_board_the_crews_day_the_packet_and_the_truck(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Client]
) -> None:
    visit = make_call(branch, installer, trip_charge=Decimal(65))
    assert visit.crew is not None
    assert visit.day is not None

    board = as_user(dispatcher).get("/calendar/").content.decode()
    stop = as_user(installer).get(f"/stops/{visit.pk}/").content.decode()
    load = refresh_load(crew=visit.crew, day=visit.day, by=dispatcher)
    paper = packet.packet_values(packet.day_summary(load))

    assert visit.job.number in board
    assert visit.job.number in as_user(installer).get("/today/").content.decode()
    assert "cord broke" in stop
    assert "$65.00</span> due" in stop
    assert ["parts", "cord kit"] in paper["stops"][0]["facts"]
    assert [line.text for line in load.lines.all()] == [f"{visit.job.number} parts for the service call: cord kit"]


def test_it_is_closed_with_what_was_done_and_the_customer_gets_the_record(
    branch: Branch, installer: User, as_user: Callable[[User], Client], client: Client
) -> None:
    visit = make_call(branch, installer)
    crew = as_user(installer)
    crew.post(f"/stops/{visit.pk}/done/", {"note": "", "result": "fixed"})
    crew.post(f"/stops/{visit.pk}/done/", {"note": "New cord.", "result": "perhaps"})
    assert not ServiceCall.objects.get().result

    crew.post(f"/stops/{visit.pk}/done/", {"note": "New cord and cord lock.", "result": "fixed"})

    visit = Appointment.objects.get()
    assert visit.state == "done"
    assert Job.objects.get().stage == "closed"
    assert "fixed" in crew.get(f"/stops/{visit.pk}/").content.decode()
    assert completion(visit.job)["serviced"][0]["done"] == "New cord and cord lock."
    page = client.get(f"/your-job/{CustomerLink.of(visit.job).token}/").content.decode()
    assert "New cord and cord lock." in page


def test_parts_to_come_are_another_visit_that_is_gone_when_the_stop_is_opened_again(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Client]
) -> None:
    visit = make_call(branch, installer)
    crew = as_user(installer)

    crew.post(f"/stops/{visit.pk}/done/", {"note": "Needs a new headrail.", "result": "parts"})
    follow = Appointment.objects.get(state="unplaced")
    assert (follow.purpose, follow.service.product) == ("service", ABOUT["product"])
    assert Job.objects.get().stage == "booking"
    texts = [one.text for one in blockers_of(visit.job, visit.job.appointments.all())]
    assert texts == ["the service call visit stands nowhere in the calendar"]

    as_user(installer).post(f"/stops/{visit.pk}/reopen/")
    follow.refresh_from_db()
    assert follow.state == "cancelled"
    crew.post(f"/stops/{visit.pk}/done/", {"note": "Done after all.", "result": "fixed"})
    assert Job.objects.get().stage == "closed"


def test_the_customer_is_told_of_a_service_call_and_not_of_an_install(
    branch: Branch, installer: User, as_user: Callable[[User], Client], settings: object
) -> None:
    settings.EMAIL_URL = "smtp://127.0.0.1:1"  # type: ignore[attr-defined]  # nothing is sent from a test's transaction
    visit = make_call(branch, installer)
    type(visit.job.customer).objects.update(email="ada@example.org")

    as_user(installer).post(f"/stops/{visit.pk}/done/", {"note": "New cord.", "result": "fixed"})

    told = Message.objects.get(kind="serviced")
    assert told.subject == SORTS["serviced"].words.subject
    assert "installed" not in told.body


def test_a_photo_of_it_is_for_who_may_see_the_visit_and_is_erased(
    branch: Branch, dispatcher: User, stranger: User, owner: User, installer: User, as_user: Callable[[User], Client]
) -> None:
    visit = make_call(branch, installer)
    client = as_user(dispatcher)
    about = {name: value for name, value in ABOUT.items() if value is not None}
    client.post(f"/visits/{visit.pk}/service/", about | {"file": SimpleUploadedFile("cord.jpg", jpeg())})

    address = f"/visits/{visit.pk}/service/photo/"
    assert client.get(address)["Content-Type"] == "image/jpeg"
    assert as_user(stranger).get(address).status_code == 404

    Job.objects.update(stage="closed")
    erasing.erase_customer(customer=visit.job.customer, by=owner)
    assert client.get(address).status_code == 404
    assert ServiceCall.objects.get().fault == "erased"


def test_other_visits_have_nothing_of_it(branch: Branch, dispatcher: User, as_user: Callable[[User], Client]) -> None:
    visit = make_appointment(make_job(branch))

    assert as_user(dispatcher).get(f"/visits/{visit.pk}/service/").status_code == 404
    with pytest.raises(Refused, match="no service call"):
        service_calls.note_call(appointment=visit, by=dispatcher, product="x", fault="y")


def test_it_is_not_asked_whether_its_site_is_ready(branch: Branch, dispatcher: User) -> None:
    start = at(branch, a_monday(), "9:00")
    visit = make_appointment(
        make_job(branch), purpose=Purpose.SERVICE, crew=make_crew(branch), day=a_monday(), time="9:00",
        state="promised", promised_from=start, promised_until=at(branch, a_monday(), "11:00"),
    )  # fmt: skip
    assert timezone.now() < start

    assert [one.kind for one in decisions(dispatcher) if one.visit == visit.pk] == []
    assert appointments.minutes_for(visit) is not None


def test_the_customer_sees_the_photos_that_were_chosen_and_no_others(
    branch: Branch, installer: User, as_user: Callable[[User], Client], client: Client
) -> None:
    visit = make_call(branch, installer)
    crew, link = as_user(installer), CustomerLink.of(visit.job).token
    for caption in ("the cord", "a crack in the wall"):
        crew.post(f"/stops/{visit.pk}/photos/", {"photo": SimpleUploadedFile("a.jpg", jpeg()), "caption": caption})
    shown, other = StopPhoto.objects.order_by("pk")
    addresses = [f"/your-job/{link}/after/{one.pk}/" for one in (shown, other)]
    assert [client.get(one).status_code for one in addresses] == [404, 404]

    crew.post(f"/install-photos/{shown.pk}/show/", {"show": "1"})

    page = client.get(f"/your-job/{link}/").content.decode()
    assert "the cord" in page
    assert "a crack in the wall" not in page
    assert [client.get(one).status_code for one in addresses] == [200, 404]
    foreign = CustomerLink.of(make_job(branch)).token
    assert client.get(f"/your-job/{foreign}/after/{shown.pk}/").status_code == 404
    crew.post(f"/install-photos/{shown.pk}/show/")
    assert client.get(addresses[0]).status_code == 404
