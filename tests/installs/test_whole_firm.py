"""Somebody of the whole firm belongs to no branch: what needs one says so, by page and by API."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from jobs.models import ImpossibleTime, Job
from measuring.models import Family
from shared import roles
from shared.models import NO_BRANCH, Branch, User
from tests.factories import a_monday, at, make_appointment, make_branch, make_job, make_user

pytestmark = pytest.mark.django_db
MONDAY = a_monday()

CREW = {"name": "Crew 9", "people": 2, "overtime_min": 0, "is_active": "on", "purposes": ["measure"]}
RULES = {
    "drive_price": "1", "paid_price": "1", "overtime_price": "1", "moved_price": "1", "wait_price": "1",
    "overdue_price": "1", "reservation_min": 60, "pack_days": 1,
    "days_offered": 5, "ask_days": 2, "road_factor": "1.3", "holiday_country": "US", "holiday_region": "",
}  # fmt: skip
BOOKED = {
    "customer-name": "Ada Quill", "site-street": "3 Weir Lane", "site-town": "Millrace", "site-children": "unknown",
    "openings_expected": 3,
}  # fmt: skip
PAGES: dict[str, dict[str, Any]] = {
    "/crews/new/": CREW,
    "/crews/skills/new/": {"name": "tall ladder"},
    "/holidays/": {"day": MONDAY, "name": "Mill day"},
    "/holidays/windows/": {"windows": "8:00 to 10:00"},
    "/calendar/plan/": {"from_on": MONDAY, "until_on": MONDAY, "seconds": 1},
    "/jobs/book/": BOOKED,
    "/jobs/import/": {},
    "/range/": {},
    "/range/times/": {},
    "/workroom/label-size/": {},
    "/workroom/set-up/steps/roller/": {"steps": "Look at it"},
    "/workroom/set-up/places/": {"new-name": "Bench", "new-day_min": 480, **{f"new-{key}": 0 for key in Family.values}},
    "/workroom/batches/open/": {"makes": [1]},
    "/workroom/buying/stock/": {"material": [1]},
}
ROUTES: dict[str, dict[str, Any]] = {
    "/api/customers/": {"name": "Ada Quill"},
    "/api/jobs/": {"new_customer": {"name": "Ada"}, "new_site": {"street": "3 Weir Lane", "town": "Millrace"}},
    "/api/crews/": {"name": "Crew 9", "people": 2, "skills": []},
    "/api/skills/": {"key": "ladder", "name": "tall ladder"},
    "/api/holidays/": {"day": str(MONDAY), "name": "Mill day"},
    "/api/calendar-rules/": {"reservation_min": 30},
    "/api/job-imports/": {"text": "customer,street,town\nAda,3 Weir Lane,Millrace\n"},
    "/api/proposals/": {"from_on": str(MONDAY), "until_on": str(MONDAY)},
    "/api/feeds/": {},
    "/api/work-places/": {"name": "Bench", "day_min": 480, "minutes": {}},
    "/api/assembly-steps/": {"family": "roller", "texts": ["Look at it"]},
    "/api/batches/": {"makes": [1]},
    "/api/hardware-rules/": {"definition": {}, "note": "as before"},
}


@pytest.fixture
def two(db: None) -> tuple[Branch, Branch]:
    return make_branch(), make_branch(zone="America/Denver")


@pytest.fixture
def firm(two: tuple[Branch, Branch], client: Client) -> User:
    """Somebody who sees both branches and is of neither, signed in."""
    user = make_user(roles.OWNER)
    client.force_login(user)
    return user


@pytest.mark.parametrize("url", PAGES)
def test_a_page_that_needs_a_branch_says_so(url: str, firm: User, client: Client) -> None:
    values = dict(PAGES[url])
    if url == "/jobs/import/":
        values["file"] = SimpleUploadedFile("jobs.csv", b"customer,street,town\nAda,3 Weir Lane,Millrace\n")
    answer = client.post(url, values)
    assert answer.status_code == 403, answer.content.decode()[-2000:]
    assert NO_BRANCH in answer.content.decode()
    assert "Your role does not open" not in answer.content.decode()


@pytest.mark.parametrize("url", ROUTES)
def test_a_route_that_needs_a_branch_says_so(url: str, firm: User, client: Client) -> None:
    answer = client.post(url, json.dumps(ROUTES[url]), content_type="application/json")
    assert (answer.status_code, answer.json()["detail"]) == (403, NO_BRANCH), answer.content


def test_what_is_of_a_branch_needs_no_other(firm: User, two: tuple[Branch, Branch], client: Client) -> None:
    """A customer's times are of their job's branch, whoever writes them down."""
    denver = two[1]
    job = make_job(denver)
    visit = make_appointment(job)
    hours = {"not_day": MONDAY, "not_from": "9:00", "not_until": "10:00"}
    assert client.post(f"/jobs/{job.pk}/cant/", hours).status_code == 302
    more = {"kind": "can", "day": MONDAY, "starts": "14:00", "ends": "15:00"}
    assert client.post(f"/visits/{visit.pk}/times/", more).status_code in {200, 302}
    assert ImpossibleTime.objects.get().starts_at == at(denver, MONDAY, "9:00")
    assert visit.possible_windows.get().starts_at == at(denver, MONDAY, "14:00")


def test_another_job_for_a_known_customer(firm: User, two: tuple[Branch, Branch], client: Client) -> None:
    site = make_job(two[1]).site
    assert client.post("/jobs/book/", {"for_site": site.pk, "openings_expected": 3}).status_code == 302
    assert Job.objects.filter(site=site, branch=two[1]).count() == 2
