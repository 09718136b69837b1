"""The whole site as people run it: web, worker with its clock, broker, database, browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.factories import PASSWORD
from tests.servers import Site, Worker, start_site

Page = Callable[..., Any]

MAKE_OWNER = f"""
from django.contrib.auth.models import Group
from shared.models import Branch, User
branch = Branch.objects.create(name="Millrace")
owner = User.objects.create_user("owner", password="{PASSWORD}", name="Olive Orr", branch=branch)
owner.groups.add(Group.objects.get(name="owner"))
"""


FIRM_PAGES = ["/firm/", "/firm/branches/1/", "/firm/branches/1/new-person/", "/firm/people/1/", "/trail/", "/account/"]


@pytest.fixture(scope="module")
def idle_site() -> Iterator[Site]:
    """A whole site on SQLite whose worker is not running yet."""
    running = start_site("sqlite", worker=False)
    running.python(MAKE_OWNER)
    yield running
    running.stop()


def test_the_firm_pages_fit_a_phone(idle_site: Site, new_page: Page, sign_in: Any, looks_right: Any) -> None:
    page = new_page(phone=True)
    sign_in(page, idle_site.url, "owner", PASSWORD)

    for path in FIRM_PAGES:
        page.goto(f"{idle_site.url}{path}")
        looks_right(page)


@pytest.mark.worker
def test_a_run_waits_for_a_worker_and_is_then_done(
    idle_site: Site, new_page: Page, sign_in: Any, looks_right: Any
) -> None:
    """One run is stopped while nobody works; the next waits until a worker comes up, and the page shows it."""
    page = new_page()
    sign_in(page, idle_site.url, "owner", PASSWORD)
    page.goto(f"{idle_site.url}/machine/")
    page.get_by_role("button", name="Ask the worker").click()
    expect(page.get_by_text("goes on if you leave")).to_be_visible()
    page.get_by_role("button", name="Stop").click()
    expect(page.locator(".run .state")).to_have_text("stopped")

    page.goto(f"{idle_site.url}/machine/")
    page.get_by_role("button", name="Ask the worker").click()
    expect(page.get_by_text("goes on if you leave")).to_be_visible()
    idle_site.worker = Worker(idle_site.env, beat=True).start()

    expect(page.get_by_text("and made a PDF of")).to_be_visible(timeout=60_000)
    looks_right(page)
