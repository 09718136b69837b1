"""An address without coordinates has a likely place, which says how exact it is, and offers keep room for it."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from django.core.cache import cache
from django.test import Client
from django.utils import timezone

from jobs.models import Appointment, FoundPlace, ImportedLine, Job
from jobs.rules.places import on_street
from jobs.rules.travel import great_circle_m
from jobs.schedule.offers import offers_for
from jobs.services import booking, erasing, imports, places
from jobs.services.appointments import hypothetical_visit
from jobs.tasks import find_places
from shared.models import Branch, User
from tests.factories import make_crew
from tests.servers import free_port

pytestmark = [pytest.mark.django_db, pytest.mark.database]

ADDRESS = {"street": "20 Kiln Street", "town": "Millrace", "postcode": "00311"}


def book(by: User, **site: Any) -> Job:
    return booking.book_job(branch=by.own_branch, by=by, customer={"name": "Ann Lee"}, site={**ADDRESS, **site})


@pytest.mark.parametrize(
    ("known", "place_from", "within_m"),
    [
        ({"street": "12 Kiln St."}, "street", 200),  # the same block
        ({"street": "300 kiln street"}, "street", 300),  # further down
        ({"street": "4 Weir Lane"}, "postcode", 4500),
        ({"street": "4 Weir Lane", "postcode": "00399"}, "town", 8500),
        ({"street": "20 Kiln Street", "town": "Elsewhere", "postcode": "00777"}, "branch", 10_000),
    ],
)
def test_an_address_is_placed_by_what_is_known_nearest_to_it(
    dispatcher: User, known: dict[str, str], place_from: str, within_m: int
) -> None:
    book(dispatcher, **known, latitude=41.9, longitude=-88.31)

    site = book(dispatcher).site

    assert (site.place_from, site.place_within_m) == (place_from, within_m)
    branch = dispatcher.own_branch
    assert site.point == ((branch.longitude, branch.latitude) if place_from == "branch" else (-88.31, 41.9))
    site.refresh_from_db()
    assert site.place_from == place_from


def test_a_place_that_was_worked_out_is_no_ground_for_another(dispatcher: User) -> None:
    book(dispatcher)

    assert book(dispatcher, street="22 Kiln Street").site.place_from == "branch"


def test_other_branches_sites_are_not_looked_at(dispatcher: User, stranger: User) -> None:
    book(stranger, latitude=10.0, longitude=10.0)

    assert book(dispatcher).site.place_from == "branch"


def test_offers_keep_the_drive_free_that_a_place_may_be_off(dispatcher: User) -> None:
    make_crew(dispatcher.own_branch)
    near = book(dispatcher, latitude=41.9, longitude=-88.31)
    far = book(dispatcher, street="5 Tarn Road", town="Tarn", postcode="")

    exact, rough = (hypothetical_visit(job=job, purpose="measure") for job in (near, far))

    assert far.site.place_text == "place taken from where the branch is, within about 6.2 mi"
    assert rough.duration_min == exact.duration_min
    assert rough.duration_safe_min is not None
    assert exact.duration_safe_min is not None
    assert rough.duration_safe_min > exact.duration_safe_min
    assert offers_for(rough).best


def test_the_place_somebody_gives_takes_the_doubt_away(dispatcher: User) -> None:
    job = book(dispatcher)
    visit = job.appointments.get()
    kept_free = visit.duration_safe_min

    booking.edit_site(site=job.site, by=dispatcher, latitude=41.9, longitude=-88.3)

    job.site.refresh_from_db()
    visit.refresh_from_db()
    assert (job.site.place_from, job.site.place_within_m, job.site.place_text) == ("", None, "")
    assert visit.duration_safe_min < kept_free


def test_a_changed_address_is_placed_anew_but_not_one_that_somebody_placed(dispatcher: User) -> None:
    book(dispatcher, street="8 Weir Lane", latitude=41.9, longitude=-88.31)
    rough, given = book(dispatcher), book(dispatcher, latitude=41.95, longitude=-88.35)

    booking.edit_site(site=rough.site, by=dispatcher, street="6 Weir Lane")
    booking.edit_site(site=given.site, by=dispatcher, street="6 Weir Lane")

    assert (rough.site.place_from, rough.site.point) == ("street", (-88.31, 41.9))
    assert (given.site.place_from, given.site.point) == ("", (-88.35, 41.95))


def test_the_phone_gets_windows_for_an_address_alone(dispatcher: User, as_user: Callable[[User], Client]) -> None:
    make_crew(dispatcher.own_branch)
    typed = {"customer-name": "Ann", "site-street": "5 Tarn Road", "site-town": "Tarn", "site-access": "met",
             "site-floor": "0", "openings_expected": "3"}  # fmt: skip

    shown = as_user(dispatcher).post("/jobs/book/windows/", typed).content.decode()

    assert 'name="window"' in shown
    assert "within about 6.2 mi" in shown


def test_a_site_page_says_how_exact_the_place_is_and_saves_no_guess_as_given(
    dispatcher: User, as_user: Callable[[User], Client]
) -> None:
    site, client = book(dispatcher).site, as_user(dispatcher)

    shown = client.get(f"/sites/{site.pk}/").content.decode()

    assert "lace taken from where the branch is, within about 6.2 mi" in shown
    assert f'value="{site.latitude}' not in shown
    assert site.address in client.get("/sites/?without=coordinates").content.decode()


def test_without_a_branch_on_the_map_a_booking_still_goes_through(dispatcher: User) -> None:
    Branch.objects.update(latitude=None, longitude=None)
    dispatcher.branch.refresh_from_db()

    job = book(dispatcher, postcode="")
    assert job.site.place_text == "no coordinates"
    make_crew(dispatcher.own_branch)
    why = offers_for(job.appointments.get()).why
    assert f"{dispatcher.own_branch.name} has no place on the map" in why  # it asked for the site's coordinates


def test_a_postcode_is_looked_up_where_the_package_is_installed(dispatcher: User) -> None:
    pytest.importorskip("zipcodes")

    site = book(dispatcher, street="1 Kiln Street", town="Anywhere", postcode="60187").site

    assert site.place_from == "postcode"
    off = great_circle_m(*site.point, -88.107, 41.866)
    assert off < 10_000


def test_on_a_street_the_nearest_number_counts() -> None:
    known = [("2 Kiln St", (0.0, 0.0)), ("98 Kiln St", (0.0, 0.01))]

    guess = on_street("90 Kiln St", known)

    assert guess is not None
    assert (guess.point, guess.within_m) == ((0.0, 0.01), 200)


# -- tables, a server, the door ----------------------------------------------------------------


@pytest.mark.parametrize("code", ["K1A 0B1", "k1a0b1"])
def test_a_postcode_of_the_firms_own_table_is_placed_by_it(
    dispatcher: User, code: str, do_runs: Callable[[], list[str]]
) -> None:
    table = "postal code,lat,lng\nK1A 0B1,45.42,-75.70\nK1A,45.40,-75.60\n,1,2\nk1a 0b1,45,-75\n"
    branch = dispatcher.own_branch
    run = imports.ask_for_import(branch=branch, by=dispatcher, text=table, kind="postcodes", dry=False)
    do_runs()
    lines = ImportedLine.objects.filter(run=run).order_by("line")
    assert [line.is_wrong for line in lines] == [False, False, True, True]

    assert book(dispatcher, postcode=code).site.point == (-75.70, 45.42)
    assert book(dispatcher, postcode="K1A 9Z9", street="1 Weir Lane").site.place_text == (
        "place taken from its postcode, within about 2.5 mi"
    )


class Search(BaseHTTPRequestHandler):
    asked: list[str] = []
    answer: object = [{"lat": "41.618", "lon": "-91.872", "address": {"house_number": "20"}}]

    def do_GET(self) -> None:
        self.asked.append(parse_qs(urlsplit(self.path).query)["q"][0])
        body = json.dumps(self.answer).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *args: object) -> None:
        pass


@pytest.fixture
def search(settings: Any) -> Iterator[type[Search]]:
    """An address search on this machine."""
    cache.clear()
    Search.asked = []
    server = ThreadingHTTPServer(("127.0.0.1", free_port()), Search)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    settings.PLACES_URL = f"http://127.0.0.1:{server.server_address[1]}/search?q={{q}}"
    yield Search
    server.shutdown()


def test_a_server_is_asked_once_when_times_are_shown_and_forgotten_with_the_customer(
    dispatcher: User, owner: User, as_user: Callable[[User], Client], search: type[Search]
) -> None:
    make_crew(dispatcher.own_branch)
    client = as_user(dispatcher)
    typed = {f"site-{name}": value for name, value in ADDRESS.items()} | {"openings_expected": 1}
    for _ in range(2):
        client.post("/jobs/book/windows/", typed)

    assert search.asked == ["20 kiln street, millrace, 00311"]
    site = book(dispatcher).site
    assert (site.point, site.place_text) == (
        (-91.872, 41.618), "place taken from a search for its address, within about 300 ft"
    )  # fmt: skip
    site.jobs.update(stage="closed")
    erasing.erase_customer(customer=site.customer, by=owner)
    assert not FoundPlace.objects.exists()


def test_imported_sites_are_asked_of_by_the_worker_and_a_silent_server_stops_nothing(
    dispatcher: User, search: type[Search], settings: Any
) -> None:
    site = book(dispatcher).site
    assert site.place_from == "branch"
    find_places()
    site.refresh_from_db()
    assert site.place_from == "server"

    settings.PLACES_URL = "http://127.0.0.1:1/?q={q}"
    other = book(dispatcher, street="9 Weir Lane").site
    places.ask(other)
    assert other.place_from != "server"
    assert not FoundPlace.objects.filter(asked__startswith="9").exists()


def test_the_phone_at_the_door_says_where_it_is(
    dispatcher: User, measurer: User, as_user: Callable[[User], Client]
) -> None:
    branch = dispatcher.own_branch
    job = book(dispatcher)
    crew = make_crew(branch, measurer)
    visit = job.appointments.get()
    today = timezone.now().astimezone(branch.tz).date()
    Appointment.objects.filter(pk=visit.pk).update(crew=crew, day=today, starts_at=timezone.now(), state="planned")
    client, there = as_user(measurer), f"/visits/{visit.pk}/here/"
    here = {"latitude": "41.618", "longitude": "-91.872", "accuracy_m": "12"}
    client.post(there, here)
    assert Job.objects.get().site.place_from == "branch"  # not there yet

    Appointment.objects.filter(pk=visit.pk).update(state="arrived", arrived_at=timezone.now())
    client.post(there, here | {"accuracy_m": "900"})
    assert Job.objects.get().site.place_from == "branch"
    assert "Use this phone" in client.get(visit.get_absolute_url()).content.decode()
    client.post(there, here)

    site = Job.objects.get().site
    assert (site.point, site.place_text) == ((-91.872, 41.618), "")
    client.post(there, here | {"latitude": "10"})
    assert Job.objects.get().site.point == (-91.872, 41.618)
