"""Booking in a real browser: two dispatchers race for one slot; part of a proposal; a crew falls out."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.factories import PASSWORD, a_monday

MONDAY = a_monday().isoformat()
LONG = 60_000
MAKE = """
import datetime as dt, json
from tests.factories import *
from jobs.models import UsualWindow, CalendarRules
branch = make_branch()
people = [make_user("dispatcher", branch=branch).username for _ in range(2)]
UsualWindow.objects.create(branch=branch, starts=dt.time(9), ends=dt.time(9, 15))
CalendarRules.objects.create(branch=branch, days_offered=20)
crew, other = make_crew(branch, name="A first"), make_crew(branch, name="B second", purposes=["install"])
visits = [make_appointment(make_job(branch)).pk for _ in range(2)]
print(json.dumps({"people": people, "visits": visits, "crew": crew.pk, "other": other.pk}))
"""


def ready(site: Any, code: str = MAKE) -> dict[str, Any]:
    return dict(json.loads(site.python(code).strip().splitlines()[-1]))


def test_of_two_dispatchers_one_gets_the_slot_and_the_other_is_told(site: Any, new_page: Any, sign_in: Any) -> None:
    made = ready(site)
    pages = [new_page(errors_allowed=True), new_page(errors_allowed=True)]  # the second answer is a 422
    for page, name, visit in zip(pages, made["people"], made["visits"], strict=True):
        sign_in(page, site.url, name, PASSWORD)
        page.goto(f"{site.url}/visits/{visit}/windows/")
        page.locator(".offer:not(.risky) input").first.check()

    pages[0].get_by_role("button", name="Hold time").click()
    expect(pages[0].locator(".state").first).to_have_text("held")
    pages[1].get_by_role("button", name="Hold time").click()

    expect(pages[1].get_by_role("alert")).to_contain_text("is taken meanwhile; choose another")
    assert pages[1].locator(".offer").count() > 0  # fresh windows stand there
    pages[0].get_by_role("button", name="Promise it").click()
    expect(pages[0].locator(".state").first).to_have_text("promised")
    expect(pages[0].get_by_label("Text to copy")).to_contain_text("9:00 am to 9:15 am")


def test_a_place_picked_on_the_sketch_gets_windows(site: Any, new_page: Any, sign_in: Any, looks_right: Any) -> None:
    made = ready(site)
    page = new_page()
    sign_in(page, site.url, made["people"][0], PASSWORD)
    page.goto(f"{site.url}/jobs/book/")

    page.get_by_text("Pick the place on the sketch").click()
    page.locator(".sketch svg").click(position={"x": 120, "y": 90})
    expect(page.get_by_label("Coordinates")).not_to_have_value("")
    page.get_by_role("button", name="Show times").click()

    expect(page.locator(".offer").first).to_contain_text("min driving")
    looks_right(page)

    # times asked for again while one is chosen: the choice stands in the new ones
    asked: list[Any] = []
    page.route("**/jobs/book/windows/", lambda route: route.continue_() if asked else asked.append(route))
    page.get_by_role("button", name="Show times").click()
    chosen = page.locator(".offer:not(.risky) input").last
    chosen.check()
    key = chosen.get_attribute("id")
    expect(page.locator(".offer-board .proposed:not(.choice)").first).to_be_visible()
    page.locator(".offer-grid").evaluate("grid => { grid.dataset.old = 'yes'; }")
    asked[0].continue_()
    expect(page.locator(".offer-grid[data-old]")).to_have_count(0)
    expect(page.locator(f"[id='{key}']")).to_be_checked()


PLAN = f"""
import datetime as dt, json
from tests.factories import *
branch = make_branch()
person = make_user("dispatcher", branch=branch).username
monday = dt.date.fromisoformat("{MONDAY}")
crew, other = make_crew(branch, name="A first"), make_crew(branch, name="B second")
lost = [make_appointment(make_job(branch), crew=crew, day=monday, time=t).pk for t in ("9:00", "11:00")]
kept = make_appointment(make_job(branch), crew=other, day=monday, time="9:00", is_locked=True).pk
print(json.dumps({{"person": person, "crew": crew.pk, "lost": lost, "kept": kept}}))
"""
CREWS = """
from jobs.models import *
print([v.crew and v.crew.name for v in Appointment.objects.filter(pk__in={pks})])
"""


@pytest.mark.worker
def test_a_crew_falls_out_and_part_of_the_proposal_is_taken(site: Any, new_page: Any, sign_in: Any) -> None:
    made = ready(site, PLAN)
    page = new_page()
    sign_in(page, site.url, made["person"], PASSWORD)

    page.goto(f"{site.url}/crews/{made['crew']}/")
    page.get_by_text("Note an absence").click()
    page.locator("#id_from_day").fill(MONDAY)
    page.locator("#id_until_day").fill(MONDAY)
    page.get_by_role("button", name="Note it", exact=True).click()
    expect(page.get_by_text("2 visits stand in that time")).to_be_visible()
    page.goto(f"{site.url}/calendar/plan/?day={MONDAY}&keep=1")
    page.get_by_label("Seconds to search").fill("1")
    page.get_by_role("button", name="Plan", exact=True).click()
    expect(page.get_by_role("heading", name="Proposal for")).to_be_visible(timeout=LONG)
    boxes = page.locator("input[name=move]")
    assert boxes.count() == 2
    boxes.nth(1).uncheck()
    page.get_by_role("button", name="Accept what is ticked").click()

    expect(page.get_by_text("1 visit stands where the plan puts it")).to_be_visible()
    assert site.python(CREWS.format(pks=made["lost"])).count("B second") == 1
    page.locator("input[name=move]").first.check()
    page.get_by_role("button", name="Decline what is ticked").click()
    expect(page.get_by_text("1 left as they are.")).to_be_visible()


GRID = f"""
import datetime as dt, json
from tests.factories import *
from jobs.models import UsualWindow
branch = make_branch()
person = make_user("dispatcher", branch=branch).username
monday = dt.date.fromisoformat("{MONDAY}")
crew = make_crew(branch, name="A first")
for begin, end in ((dt.time(8), dt.time(8, 30)), (dt.time(10), dt.time(12))):
    UsualWindow.objects.create(branch=branch, starts=begin, ends=end)
make_appointment(make_job(branch), crew=crew, day=monday, time="8:15", state="promised", duration_safe_min=80,
                 promised_from=at(branch, monday, "8:00"), promised_until=at(branch, monday, "8:50"))
visit = make_appointment(make_job(branch), duration_min=30, duration_safe_min=60).pk
print(json.dumps({{"person": person, "visit": visit}}))
"""


def test_times_are_chosen_by_keys_and_risky_ones_are_shown_on_request(
    site: Any, new_page: Any, sign_in: Any, looks_right: Any
) -> None:
    made = ready(site, GRID)
    page = new_page()
    sign_in(page, site.url, made["person"], PASSWORD)
    page.goto(f"{site.url}/visits/{made['visit']}/windows/?jump={MONDAY}")
    days = page.locator(".offer-day")
    risky = page.locator(".offer.risky")

    expect(risky.locator("input")).to_be_hidden()
    page.get_by_label("risky one").check()
    expect(risky.locator("input")).to_be_visible()
    risky.locator("input").check()
    expect(risky.locator(".offer-harm")).to_contain_text("→")
    ghosts = page.locator(".offer-board .proposed")
    drawn = page.locator(".offer-board .proposed:not(.choice)")
    expect(drawn).to_have_count(2)  # the visit, and the neighbour that begins later for it
    assert risky.locator(".offer-harm").inner_text() in drawn.first.get_attribute("aria-label")
    expect(page.locator(".offer-board .leaving")).not_to_have_count(0)
    page.locator(".offer-board .choice").last.click()
    expect(days.nth(0).locator("input").nth(1)).to_be_checked()
    expect(drawn).to_have_count(1)
    expect(drawn).to_have_class("proposed measures")
    expect(ghosts).to_have_count(2)
    page.keyboard.press("ArrowRight")
    expect(days.nth(1).locator("input").nth(1)).to_be_checked()
    expect(page.locator(".offer-board h3")).to_have_text(re.compile("^Tuesday"))
    looks_right(page)
    page.get_by_role("button", name="Later").click()
    expect(page.locator("#jump")).not_to_have_value(MONDAY)
    page.set_viewport_size({"width": 390, "height": 664})
    expect(page.locator(".offer").first).to_contain_text("8:00 am")
    looks_right(page)
