"""An address without coordinates has a likely place, which says how exact it is, and offers keep room for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from jobs.models import Job
from jobs.rules.places import on_street
from jobs.rules.travel import great_circle_m
from jobs.schedule.offers import offers_for
from jobs.services import booking
from jobs.services.appointments import hypothetical_visit
from shared.models import Branch, User
from tests.factories import make_crew

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

    assert far.site.place_text == "place taken from where the branch is, within about 10 km"
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
    assert "within about 10 km" in shown


def test_a_site_page_says_how_exact_the_place_is_and_saves_no_guess_as_given(
    dispatcher: User, as_user: Callable[[User], Client]
) -> None:
    site, client = book(dispatcher).site, as_user(dispatcher)

    shown = client.get(f"/sites/{site.pk}/").content.decode()

    assert "lace taken from where the branch is, within about 10 km" in shown
    assert f'value="{site.latitude}' not in shown
    assert site.address in client.get("/sites/?without=coordinates").content.decode()


def test_without_a_branch_on_the_map_a_booking_still_goes_through(dispatcher: User) -> None:
    Branch.objects.update(latitude=None, longitude=None)
    dispatcher.branch.refresh_from_db()

    assert book(dispatcher, postcode="").site.place_text == "no coordinates"


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
