"""A dispatcher's morning: six calls, a plan taken in part, a van out at 11, a promise moved; every place agrees."""

from __future__ import annotations

import datetime as dt
import json
import re
from types import SimpleNamespace
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import expect

from tests.agreement.compare import Comparison
from tests.agreement.pages import Node, parsed
from tests.agreement.visits import PLACED, api, board, crews_day, visit_page
from tests.factories import PASSWORD, a_monday

pytestmark = pytest.mark.worker

DAY = a_monday()
LONG = 60_000
MAKE = f"""
import datetime as dt, json
from django.utils import timezone
from jobs.models import Absence, CalendarRules, UsualWindow
from jobs.services.search import keep_customer
from tests.factories import *
branch = make_branch()
people = {{role: make_user(role, branch=branch) for role in ("dispatcher", "measurer", "installer")}}
monday = dt.date.fromisoformat("{DAY}")
rules = CalendarRules.of(branch)  # about Christmas that Monday is weeks ahead
rules.days_offered = (monday - dt.date.today()).days + 10
rules.save()
for name, role in (("A first", "installer"), ("B second", "measurer")):
    crew = make_crew(branch, people[role], name=name, hours="8:00 18:30")
    Absence.objects.create(crew=crew, starts_at=timezone.now(), ends_at=at(branch, monday, "0:00"))
for hour in (8, 10, 13, 16):
    UsualWindow.objects.create(branch=branch, starts=dt.time(hour), ends=dt.time(hour + 2))
farrow = make_customer(branch, name="Odile Farrow", phone="555-0177")
make_site(farrow)
keep_customer(farrow)
stands = make_appointment(make_job(branch), crew=branch.crews.first(), day=monday, time="14:00", state="promised",
    promised_from=at(branch, monday, "13:00"), promised_until=at(branch, monday, "15:00"))
names = {{role: person.username for role, person in people.items()}}
crews = {{crew.pk: crew.name for crew in branch.crews.all()}}
print(json.dumps({{"stands": stands.pk, "crews": crews, "people": names}}))
"""


class Morning:
    """The site, and what its people have open; as `tests.agreement` looks at a firm."""

    def __init__(self, site: Any, people: dict[str, Any]) -> None:
        self.site, self.people, self.compared = site, people, Comparison()
        self.firm = SimpleNamespace(row=SimpleNamespace(tz=ZoneInfo("America/Chicago")))
        self.office = people["dispatcher"]

    def go(self, path: str) -> None:
        self.office.goto(f"{self.site.url}{path}")

    def _get(self, role: str, url: str) -> Any:
        answer = self.people[role].request.get(f"{self.site.url}{url}")
        assert answer.ok, f"{role} GET {url}: {answer.status}"
        return answer

    def page(self, role: str, url: str) -> Node:
        return parsed(self._get(role, url).text())

    def rows(self, role: str, url: str) -> list[Any]:
        answer = self._get(role, url).json()
        found = answer["results"]
        while answer["next"]:
            parts = urlsplit(answer["next"])
            answer = self._get(role, f"{parts.path}?{parts.query}").json()
            found += answer["results"]
        return list(found)

    def visits(self) -> dict[int, dict[str, Any]]:
        return {row["id"]: row for row in self.rows("dispatcher", "/api/appointments/")}

    def agree(self) -> dict[int, dict[str, Any]]:
        """Board, visit pages, crews' days and the API say the same of every visit; the visits as the API has them."""
        visits = self.visits()
        eyes: Any = self
        seen = list(api(eyes, list(visits.values())))
        for day in sorted({row["day"] for row in visits.values() if row["state"] in PLACED}):
            seen += [*board(eyes, dt.date.fromisoformat(day)), *crews_day(eyes, dt.date.fromisoformat(day))]
        for pk in visits:
            seen += visit_page(eyes, pk)
        differences = self.compared.add(seen)
        assert not differences, "\n".join(map(str, differences))
        return visits


@pytest.fixture
def morning(site: Any, new_page: Any, sign_in: Any, monkeypatch: Any) -> tuple[Morning, dict[str, Any]]:
    made = json.loads(site.python(MAKE).strip().splitlines()[-1])
    people = {}
    for role, name in made["people"].items():
        people[role] = new_page()
        sign_in(people[role], site.url, name, PASSWORD)
    monkeypatch.setattr("tests.agreement.pages.TODAY", DAY)
    return Morning(site, people), made


def call(morning: Morning, name: str, street: str, *, take: str = "", spot: str = "", **fields: str) -> int:
    """Books a caller; with `take` the first or last time offered is taken and promised. The visit's key."""
    office = morning.office
    morning.go("/jobs/book/")
    office.get_by_label("Name", exact=True).first.fill(name)
    office.get_by_label("Street").fill(street)
    office.get_by_label("Town").fill("Millrace")
    office.get_by_label("Coordinates").fill(spot)
    return book(morning, take, **fields)


def book(morning: Morning, take: str, **fields: str) -> int:
    office = morning.office
    for field, value in fields.items():
        office.locator(f"[name={field}]").evaluate("(box, value) => { box.value = value; }", value)
    if take:
        office.get_by_role("button", name="Show times").click()
        # the first day offered may be the running one, whose next time is over while it is being booked
        offers = office.locator(".offer-day:nth-of-type(n+3) .offer:not(.risky)")
        offer = offers.first if take == "first" else offers.last
        offer.locator("input").check()
        expect(office.locator(".offer-board .proposed:not(.choice)").first).to_be_visible()
    before = set(morning.visits())
    office.get_by_role("button", name="Book", exact=True).click()
    office.wait_for_url(re.compile(r"/visits/\d+/"))
    if take:
        office.get_by_role("button", name="Promise it").click()
        expect(office.locator(".state").first).to_have_text("promised")
    (pk,) = set(morning.visits()) - before
    return pk


def test_a_morning_on_which_every_place_agrees(morning: tuple[Morning, dict[str, Any]], looks_right: Any) -> None:
    day, made = morning
    office = day.office

    late = call(day, "Ansel Birch", "3 Kiln Lane", take="first", spot="41.881, -88.296", only_from="16:00")
    unknown = call(day, "Cora Dunne", "77 Nowhere Row", take="first")
    many = call(day, "Weir House", "9 Sluice Lane", take="last", spot="41.872, -88.305", openings_expected="60")
    day.go("/jobs/book/")
    office.locator("#who").press_sequentially("555-0177")
    office.locator("#found").get_by_role("link", name=re.compile("Kiln Lane")).click()
    known = book(day, "first")
    waits = [call(day, f"Caller {n}", f"{n} Mill Row", spot=f"41.87{n}, -88.29") for n in (5, 6)]
    visits = day.agree()
    begins = dt.datetime.fromisoformat(visits[late]["promised_from"]).astimezone(day.firm.row.tz)
    assert begins.hour >= 16
    assert visits[many]["duration_min"] > 4 * visits[known]["duration_min"]
    assert [visits[pk]["state"] for pk in (late, unknown, many, known, *waits)] == ["promised"] * 4 + ["unplaced"] * 2

    day.go(f"/calendar/plan/?day={DAY}")
    office.get_by_label("Seconds to search").fill("1")
    office.get_by_role("button", name="Plan", exact=True).click()
    expect(office.get_by_role("heading", name="Proposal for")).to_be_visible(timeout=LONG)
    number = visits[waits[1]]["job_number"]
    drawn = office.get_by_role("link", name=re.compile(f"Proposed: {visits[waits[0]]['job_number']}, "))
    said = drawn.get_attribute("aria-label")
    office.get_by_label(f"Take {number}").uncheck()
    looks_right(office)
    office.get_by_role("button", name="Accept what is ticked").click()
    expect(office.get_by_role("region", name="To call")).to_contain_text("Caller 5")
    visits = day.agree()
    lands = dt.datetime.fromisoformat(visits[waits[0]]["starts_at"]).astimezone(day.firm.row.tz)
    assert f"{lands.hour % 12 or 12}:{lands:%M} {lands:%p}".lower() in said
    assert visits[waits[1]]["state"] == "unplaced"

    gone = visits[made["stands"]]["crew"]  # the plan may have given it to the other crew
    names = [made["crews"][str(gone)], *(name for pk, name in made["crews"].items() if pk != str(gone))]
    day.go(f"/calendar/?day={DAY}")
    office.get_by_role("link", name=f"{names[0]} is out from a time on").click()
    office.get_by_label("Out from").fill("11:00")
    office.get_by_role("button", name="Show", exact=True).click()
    expect(office.get_by_role("row", name=re.compile(visits[made["stands"]]["job_number"]))).to_contain_text(names[1])
    office.get_by_role("button", name="Note it and plan the rest").click()
    expect(office.get_by_role("heading", name="Proposal for")).to_be_visible(timeout=LONG)
    office.get_by_role("button", name=re.compile("Accept all")).click()
    expect(office.get_by_role("button", name="Undo what was accepted last")).to_be_visible()
    visits = day.agree()
    eleven = dt.datetime.combine(DAY, dt.time(11), day.firm.row.tz)
    kept = [row for row in visits.values() if row["day"] == str(DAY) and row["crew"] == gone]
    assert all(dt.datetime.fromisoformat(row["starts_at"]) < eleven for row in kept)
    assert visits[made["stands"]]["state"] == "promised"

    day.go(f"/visits/{known}/")
    office.get_by_role("link", name="Another time").click()
    office.locator(".offer:not(.risky) input").last.check()
    office.get_by_role("button", name="Confirm this time").click()
    expect(office.get_by_text("Confirmed for the other time")).to_be_visible()
    moved = day.agree()
    assert moved[known]["state"] == "promised"
    assert moved[known]["promised_from"] != visits[known]["promised_from"]
    assert {pk: row["starts_at"] for pk, row in moved.items() if pk != known} == {
        pk: row["starts_at"] for pk, row in visits.items() if pk != known
    }
    compared = day.compared.counts
    assert min(compared["visit's start", place] for place in ("board", "visit page", "crew's day", "API")) >= 12
