"""Every page of the calendar, phone and desk: no sideways scroll, fingers and eyes served, no console errors."""

from __future__ import annotations

from typing import Any

import pytest

from shared.demo import PASSWORD

OFFICE = {
    "calendar": "/calendar/",
    "week": "/calendar/?view=week",
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
}
FIELD = {"my day": "/my-day/", "visit": "/visits/{mine}/", "job": "/jobs/{my_job}/", "calendar": "/my-calendar/"}
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


@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desk"])
@pytest.mark.parametrize("name", OFFICE)
def test_the_offices_pages_look_right(name, phone, site, keys, new_page, sign_in, looks_right):
    page = new_page(phone=phone)
    sign_in(page, site.url, "dispatcher", PASSWORD)
    page.goto(site.url + OFFICE[name].format(**keys))
    page.wait_for_load_state("networkidle")

    looks_right(page)


@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desk"])
@pytest.mark.parametrize("name", FIELD)
def test_the_fields_pages_look_right(name, phone, site, keys, new_page, sign_in, looks_right):
    page = new_page(phone=phone)
    sign_in(page, site.url, "measurer", PASSWORD)
    page.goto(site.url + FIELD[name].format(**keys))
    page.wait_for_load_state("networkidle")

    looks_right(page)
