"""Every page of the calendar, phone and desk: no sideways scroll, fingers and eyes served, no console errors."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from shared.demo import PASSWORD
from tests.conftest import DESK, PHONE

OFFICE = {
    "calendar": "/calendar/",
    "week": "/calendar/?view=week",
    "month": "/calendar/?view=month",
    "jobs": "/jobs/",
    "job": "/jobs/{job}/",
    "change a job": "/jobs/{job}/edit/",
    "ask for a visit": "/jobs/{job}/visits/new/",
    "book": "/jobs/book/",
    "book at a site": "/jobs/book/?for_site={site}",
    "import": "/jobs/import/",
    "visit": "/visits/{visit}/",
    "windows": "/visits/{unplaced}/windows/",
    "move": "/visits/{visit}/move/",
    "readiness": "/visits/{visit}/ready/",
    "customer": "/customers/{customer}/",
    "sites": "/sites/",
    "site": "/sites/{site}/",
    "stuck": "/stuck/",
    "crews": "/crews/",
    "crew": "/crews/{crew}/",
    "new crew": "/crews/new/",
    "holidays": "/holidays/",
    "plan": "/calendar/plan/",
    "day sheets": "/calendar/sheets/",
    "a crew is out": "/calendar/out/{crew}/",
}
FIELD = {"today": "/today/", "visit": "/visits/{mine}/", "job": "/jobs/{my_job}/", "calendar": "/my-calendar/"}
KEYS = """
from jobs.models import *
visit = Appointment.objects.filter(state="promised", purpose="install").first() or Appointment.objects.first()
mine = Appointment.objects.filter(crew__members__user__username="measurer", state="promised").first()
unplaced = Appointment.objects.unplaced().first() or visit
job = visit.job
print(job.pk, visit.pk, unplaced.pk, job.customer_id, job.site_id, visit.crew_id or 1, mine.pk, mine.job_id)
"""


@pytest.fixture(scope="module")
def keys(site: Any) -> dict[str, str]:
    names = ("job", "visit", "unplaced", "customer", "site", "crew", "mine", "my_job")
    return dict(zip(names, site.python(KEYS).split(), strict=True))


@pytest.fixture(scope="module")
def page_of(site: Any, chromium: Any) -> Iterator[Callable[[str], Any]]:
    """``page_of("dispatcher")``: the page of somebody who signed in once for all these tests."""
    pages: dict[str, Any] = {}

    def signed_in(username: str) -> Any:
        if username not in pages:
            pages[username] = page = chromium.new_context(viewport=PHONE, locale="en-US").new_page()
            page.goto(f"{site.url}/sign-in/")
            page.get_by_label("Username").fill(username)
            page.get_by_label("Password").fill(PASSWORD)
            page.get_by_role("button", name="Sign in").click()
            page.wait_for_url(lambda address: "/sign-in/" not in address)
        return pages[username]

    yield signed_in
    for page in pages.values():
        page.context.close()


def look(page: Any, address: str, looks_right: Callable[[Any], None]) -> None:
    """Open a page on the phone, look, and look again once it is as wide as a desk."""
    errors: list[str] = []
    page.on("console", lambda line: errors.append(line.text) if line.type == "error" else None)
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.set_viewport_size(PHONE)
    answer = page.goto(address)

    looks_right(page)
    page.set_viewport_size(DESK)
    looks_right(page)
    assert answer.status == 200
    assert errors == []


@pytest.mark.parametrize("name", OFFICE)
def test_the_offices_pages_look_right(name, site, keys, page_of, looks_right):
    look(page_of("dispatcher"), site.url + OFFICE[name].format(**keys), looks_right)


@pytest.mark.parametrize("name", FIELD)
def test_the_fields_pages_look_right(name, site, keys, page_of, looks_right):
    look(page_of("measurer"), site.url + FIELD[name].format(**keys), looks_right)
