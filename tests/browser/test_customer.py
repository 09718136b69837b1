"""A customer on their phone, 320 px wide: every step without scripts, then every page looked at with axe."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.servers import Site

NARROW = {"width": 320, "height": 640}
FILL = """
import datetime as dt
from decimal import Decimal
from jobs.models import CustomerLink
from jobs.services import appointments
from measuring.services.prices import set_price
from shared.models import Branch, User
from tests.factories import a_monday, at, make_appointment, make_crew, make_customer, make_job, make_site
from tests.measuring.makers import choose_all, make_opening
branch = Branch.objects.get(name=User.objects.get(username="dispatcher").branch.name)
by = User.objects.get(username="dispatcher")
there = {"latitude": branch.latitude, "longitude": branch.longitude}
job = make_job(branch, by=by, number="J-8800", site=make_site(make_customer(branch, name="Ada Ellery"), **there))
day = a_monday() + dt.timedelta(weeks=1)
row = make_appointment(job, crew=make_crew(branch), day=day, time="9:00")
appointments.promise(appointment=row, by=by, window=(at(branch, day, "8:00"), at(branch, day, "10:00")))
unit = choose_all(make_opening(job, by, family="roller").units.get(), by)
owner = User.objects.filter(branch=branch, groups__name="owner").first()
set_price(product=unit.product, by=owner, rate=Decimal(20), per="sq_ft", least=Decimal(10), table=None)
print(CustomerLink.of(job).token, job.pk)
"""


@pytest.fixture
def link(site: Site) -> tuple[str, str]:
    """The address of a job with a promised visit and a covering to approve, and the job's key."""
    token, key = site.python(FILL).strip().splitlines()[-1].split()
    return f"{site.url}/your-job/{token}/", key


def test_a_customer_moves_their_visit_tells_of_the_site_asks_and_approves_without_scripts(
    site: Site, link: tuple[str, str], new_page: Callable[..., Any], looks_right: Callable[[Any], None]
) -> None:
    address, key = link
    page = new_page(phone=True, java_script_enabled=False)
    page.set_viewport_size(NARROW)
    seen = new_page(phone=True)
    seen.set_viewport_size(NARROW)

    page.goto(address)
    before = page.locator(".your-visit strong").inner_text()
    seen.goto(address)
    looks_right(seen)

    page.get_by_role("link", name="Another time").click()
    seen.goto(page.url)
    looks_right(seen)
    page.get_by_role("radio").last.check()
    page.get_by_role("button", name="Take this time").click()
    expect(page.get_by_role("status")).to_contain_text("Confirmed")
    assert page.locator(".your-visit strong").inner_text() != before

    page.get_by_role("link", name="Tell us more").click()
    seen.goto(page.url)
    looks_right(seen)
    page.get_by_label("Where can we park?").fill("behind the barn")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_text("Parking: behind the barn")).to_be_visible()

    page.get_by_label("Your question").fill("Is it the white we saw?")
    page.get_by_role("button", name="Send").click()
    expect(page.get_by_text("You asked: Is it the white we saw?")).to_be_visible()

    page.get_by_label("Your name").fill("Ada Ellery")
    page.get_by_role("button", name="I approve").click()
    expect(page.get_by_text("Your approval is recorded")).to_be_visible()
    seen.goto(address)
    looks_right(seen)

    told = site.python(
        "from shared.models import AuditEntry\n"
        f"print(*AuditEntry.objects.filter(job_id={key}, by_customer=True).values_list('action', flat=True), sep='|')"
    )
    assert "asked" in told
    assert "recorded approval 1" in told
    assert "changed the site" in told
