"""
Whole days in the field, from the yard to the yard without signal, in a tab that is killed at random places.

A step is one thing that somebody taps, and what the page shows once it counts. The tab is killed with the tap:
nobody waits until it is on the disk. Whoever opens the page again looks whether it is there, and taps it once more
where it is not. The office must have each thing once when the signal is back.
"""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from typing import Any

from playwright.sync_api import Error, Page, TimeoutError, expect

from tests.servers import Site, until

MEASURING = """
from tests.factories import make_branch, make_user
from tests.measuring.makers import make_appointment, make_crew, make_job, make_tape
from measuring.services.starting_data import load_jurisdictions, load_products
from django.test import Client
import json
load_jurisdictions()
branch = make_branch(name="Millrace of day {n}")
load_products(branch)
dispatcher = make_user("dispatcher", branch=branch, username="days-dora{n}")
person = make_user("measurer", branch=branch, username="days-meg{n}")
make_tape(person)
crew = make_crew(branch, person)
jobs = [make_job(dispatcher, openings_expected={openings}) for _ in range({stops})]
visits = [make_appointment(job, dispatcher, crew=crew, state="planned").pk for job in jobs]
client = Client()
client.force_login(person)
print(json.dumps({{"user": person.pk, "session": client.cookies["sessionid"].value, "visits": visits}}))
"""
INSTALLING = """
from tests.factories import make_branch, make_user, make_job
from tests.installs.makers import make_crew, make_unit, make_visit, stock_up, today
from installs.services import loads
from django.test import Client
import json
branch = make_branch(name="Millrace of day {n}")
stock_up(branch)
by, person = (make_user(role, branch=branch, username=f"days-{{role}}{n}") for role in ("dispatcher", "installer"))
crew, visits = make_crew(branch, person), []
for hour in range({stops}):
    job = make_job(branch, by=by)
    units = [make_unit(job).pk for _ in range({openings})]
    visits.append([make_visit(job, crew, hour=8 + 2 * hour).pk, units])
parts = len(set(loads.refresh_load(crew=crew, day=today(branch), by=by).lines.values_list("section", flat=True)))
client = Client()
client.force_login(person)
told = {{"user": person.pk, "session": client.cookies["sessionid"].value, "visits": visits, "parts": parts}}
print(json.dumps(told))
"""
ARRIVED = """
from collections import Counter
from jobs.models import Appointment
from measuring.models import Opening, Reading
from shared.devices.models import DeviceEntry
import json
rows = list(DeviceEntry.objects.filter(device__user={user}).values_list("entry_id", "kind", "reply_status"))
jobs = set(Appointment.objects.filter(pk__in={visits}).values_list("job", flat=True))
print(json.dumps({{
    "kinds": Counter(kind for _, kind, status in rows if status == 200),
    "refused": [[kind, status] for _, kind, status in rows if status != 200],
    "twice": len(rows) - len({{pk for pk, _, _ in rows}}),
    "states": sorted(Appointment.objects.filter(pk__in={visits}).values_list("state", flat=True)),
    "openings": Opening.objects.filter(job__in=jobs).count(),
    "readings": Reading.objects.filter(opening__job__in=jobs).count(),
}}))
"""
READS = {
    "widths.top": "35 3/8", "widths.middle": "35 3/8", "widths.bottom": "35 3/8", "heights.left": "60",
    "heights.center": "60", "heights.right": "60", "depth": "3 1/2",
}  # fmt: skip
PAGES_KEPT = """
(user) => new Promise((resolve) => {
  const ask = indexedDB.open(`jambwise-stops-${user}`, 1);
  ask.onupgradeneeded = () => ask.result.createObjectStore("pages", { keyPath: "path" });
  ask.onsuccess = () => {
    const rows = ask.result.transaction("pages").objectStore("pages").getAllKeys();
    rows.onsuccess = () => { ask.result.close(); resolve(rows.result.length); };
  };
})
"""
SHELLS_KEPT = """
(paths) => caches.keys()
  .then((names) => Promise.all(names.map((name) => caches.open(name))))
  .then((found) => Promise.all(paths.map((path) => Promise.all(found.map((one) => one.match(path))))))
  .then((found) => found.every((several) => several.some(Boolean)))
"""
_number = count(1)


@dataclass(frozen=True)
class Step:
    """Where it is tapped, the tap, and what the page shows of it; `sends` are the kinds of entries it makes."""

    at: Callable[[Page], object]
    act: Callable[[Page], object]
    shows: Callable[[Page], object]
    sends: tuple[str, ...]
    leads: Callable[[Page], object] = bool
    """Where the tap leads by itself, if no kill came between."""


@dataclass
class Day:
    """Somebody's day: the address of the site, who it is, what is tapped in which order."""

    site: Site
    user: int
    session: str
    visits: list[int]
    steps: list[Step]
    begins: str
    pages: int
    killed: list[int] = field(default_factory=list)
    again: int = 0
    """How often a tap that the kill took along was tapped once more."""


def is_shown(*expectation: Callable[[], object]) -> bool:
    """Whether the page shows it, once it has had the time to."""
    try:
        for one in expectation:
            one()
    except AssertionError:
        return False
    return True


def walk(day: Day, page: Page, kills: Sequence[int], kill: Callable[[Page], Page], *, hold_on: float = 4_000) -> Page:
    """Tap through the day; after the steps numbered `kills` the tab is killed. The page it ends on."""
    here: Callable[[Page], object] | None = None
    for number, step in enumerate(day.steps):
        if here is not step.at:
            step.at(page)
            here = step.at
        step.act(page)
        if number in kills:
            page = kill(page)
            day.killed.append(number)
            step.at(page)
            expect.set_options(timeout=hold_on)
            stands = is_shown(lambda step=step, page=page: step.shows(page))
            expect.set_options(timeout=30_000)
            if not stands:
                day.again += 1
                step.at(page)
                step.act(page)
                step.leads(page)
        else:
            step.leads(page)
        step.shows(page)
    return page


def kept_on_the_phone(day: Day, page: Page) -> None:
    """In the yard, with signal: the day is opened once, and the phone takes along what it needs."""
    shells = ["/measure/offline/", "/stops/offline/"]
    page.context.add_cookies([{"name": "sessionid", "value": day.session, "url": day.site.url}])
    for path in (day.begins, "/today/"):
        page.goto(f"{day.site.url}{path}")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        until(lambda: page.evaluate(SHELLS_KEPT, shells), what="the empty pages are on the phone")
        pages = 0 if path.startswith("/measure/") else day.pages
        until(lambda pages=pages: page.evaluate(PAGES_KEPT, day.user) >= pages, what=f"{pages} pages are on the phone")


def arrived(day: Day, page: Page) -> list[str]:
    """Once the signal is back: what the office has not exactly once."""
    wanted = Counter(kind for step in day.steps for kind in step.sends)
    asked = ARRIVED.format(user=day.user, visits=day.visits)
    found: dict[str, Any] = {}

    def is_all() -> bool:
        page.wait_for_timeout(200)
        found.update(json.loads(day.site.python(asked)))
        return sum(found["kinds"].values()) + len(found["refused"]) >= wanted.total()

    page.evaluate("window.dispatchEvent(new Event('online'))")
    with suppress(AssertionError):
        until(is_all, seconds=60)
    kinds = Counter(found["kinds"])
    faults = [f"{kind}: {kinds[kind]} of {wanted[kind]}" for kind in wanted | kinds if kinds[kind] != wanted[kind]]
    faults += [f"{kind} was answered {status}" for kind, status in found["refused"]]
    faults += ["a visit is not done"] if set(found["states"]) != {"done"} else []
    faults += [f"{found['twice']} entries came twice"] if found["twice"] else []
    made = {"openings": wanted["measuring.opening"] + wanted["measuring.copy"], "readings": wanted["measuring.reading"]}
    faults += [f"{found[name]} {name} of {n}" for name, n in made.items() if n and found[name] != n]
    return faults


def places(day: Day, chance: random.Random, most: int = 5) -> list[int]:
    """Random places of a day to kill the tab at."""
    return sorted(chance.sample(range(len(day.steps)), most))


# -- the measurer's ------------------------------------------------------------------------------------


def press(page: Page, typed: str) -> None:
    """An entry on the keypad."""
    whole, _, fraction = typed.partition(" ")
    for key in (*whole, fraction or "even"):
        page.click(f".pad [data-key='{key}']")


def main_action(page: Page) -> Any:
    return page.locator(".next-action .action").filter(visible=True)


def measurers_day(site: Site, *, stops: int, openings: int) -> Day:
    """Each visit: leave, arrive, begin, a room, its openings read one by one, close."""
    made = json.loads(site.python(MEASURING.format(n=next(_number), stops=stops, openings=openings)))
    steps: list[Step] = []
    for visit in made["visits"]:
        steps += _measured(site, visit, openings)
    steps.append(_home(site))
    return Day(site, made["user"], made["session"], made["visits"], steps, f"/measure/{made['visits'][0]}/", 1)


def _go(page: Page, *, url: str) -> None:
    """Open a page; somebody who taps a link on the one before has seen that the tap before it is kept."""
    for saying in page.locator("#unsent, [data-state-said]").all():
        expect(saying).not_to_contain_text("being kept")
    page.goto("about:blank") if page.url.partition("#")[0] == url.partition("#")[0] else None
    page.goto(url)


def _home(site: Site) -> Step:
    """Back to the yard: the day says that it is done."""

    def is_done(page: Page) -> None:
        expect(page.locator("[data-all-done]")).to_be_visible()

    return Step(partial(_go, url=f"{site.url}/today/"), bool, is_done, ())


def _measured(site: Site, visit: int, openings: int) -> Iterator[Step]:
    url = f"{site.url}/measure/{visit}/"
    at = partial(_go, url=url)

    def tap(word: str, kind: str, shows: Callable[[Page], object]) -> Step:
        return Step(at, lambda page: page.get_by_role("button", name=word).click(), shows, (kind,))

    def then(word: str) -> Callable[[Page], object]:
        return lambda page: expect(main_action(page)).to_have_text(word)

    yield tap("Leaving now", "measuring.on_the_way", then("Arrived"))
    yield tap("Arrived", "measuring.arrived", then("Begin to measure"))
    yield tap("Begin to measure", "measuring.begin", lambda page: expect(page.locator("#room-name")).to_be_visible())
    yield from _a_room(at)
    yield _chosen(url)
    for number in range(1, openings):
        shows = partial(_has_openings, count=number + 1)
        yield Step(at, lambda page: page.click(".add-opening"), shows, ("measuring.copy",), _back_from_opening)
    for number in range(openings):
        yield from _read(url, number)
    yield Step(
        partial(_go, url=f"{url}#close"),
        lambda page: page.click("#done"),
        lambda page: expect(page.locator("h1")).to_have_text("Closed out"),
        ("measuring.close",),
    )


def _back_from_opening(page: Page) -> None:
    page.wait_for_url("**#o/**")
    page.goto(f"{page.url.partition('#')[0]}#")


def _has_openings(page: Page, *, count: int) -> None:
    expect(page.locator(".opening-line")).to_have_count(count)


def _a_room(at: Callable[[Page], object]) -> Iterator[Step]:
    """A room and its first opening are one tap and two entries: a kill may fall between them."""

    def add(page: Page) -> None:
        page.fill("#room-name", "Kitchen")
        page.click("#add-room")

    def first(page: Page) -> None:
        if page.locator(".opening-line").count() == 0:
            page.click(".add-opening")
            _back_from_opening(page)

    def has_room(page: Page) -> None:
        expect(page.locator("section.room")).to_have_count(1)

    yield Step(at, add, has_room, ("measuring.room",), _back_from_opening)
    yield Step(at, first, partial(_has_openings, count=1), ("measuring.opening",))


def _at_opening(page: Page, *, url: str, number: int) -> None:
    _go(page, url=url)
    page.locator(".opening-line").nth(number).click()
    expect(page.locator(".opening-line")).to_have_count(0)


def _chosen(url: str) -> Step:
    def at(page: Page) -> None:
        _at_opening(page, url=url, number=0)
        page.goto(f"{page.url}/facts")

    def shows(page: Page) -> None:
        expect(page.locator("#f-product")).to_have_value("dunlin_wood")

    return Step(at, lambda page: page.select_option("#f-product", "dunlin_wood"), shows, ("measuring.facts",))


def _read(url: str, number: int) -> Iterator[Step]:
    at = partial(_at_opening, url=url, number=number)

    def act(page: Page, spot: str, typed: str) -> None:
        page.click(f".chip[data-spot='{spot}:1']")
        press(page, typed)

    def shows(page: Page, spot: str) -> None:
        expect(page.locator(f".chip.read[data-spot='{spot}:1']")).to_have_count(1)

    for spot, typed in READS.items():
        yield Step(at, partial(act, spot=spot, typed=typed), partial(shows, spot=spot), ("measuring.reading",))


# -- the installer's -----------------------------------------------------------------------------------


def installers_day(site: Site, *, stops: int, openings: int) -> Day:
    """The van is loaded and leaves whole; at each stop what is hung, what is not, the sign-off, the end."""
    made = json.loads(site.python(INSTALLING.format(n=next(_number), stops=stops, openings=openings)))
    visits = [visit for visit, _ in made["visits"]]
    steps = list(_loaded(site, made["parts"]))
    for visit, units in made["visits"]:
        steps += _installed(site, visit, units)
    steps.append(_home(site))
    return Day(site, made["user"], made["session"], visits, steps, "/load/", stops + 2)


def _loaded(site: Site, parts: int) -> Iterator[Step]:
    at = partial(_go, url=f"{site.url}/load/")

    def check(page: Page, number: int) -> None:
        page.locator(".load-part").nth(number).locator(".bundles button").filter(visible=True).last.click()

    def is_on(page: Page, number: int) -> None:
        """By what the page says: a page that has only begun holds no line that is not on, either."""
        expect(page.locator(".load-part").nth(number).locator("[data-all-on]")).to_be_visible()

    for number in range(parts):
        yield Step(at, partial(check, number=number), partial(is_on, number=number), ("installs.load_checked",))
    yield Step(
        at,
        lambda page: page.get_by_role("button", name="All on: leave the yard").click(),
        lambda page: expect(page.locator("[data-waiting]")).to_contain_text("Left the yard"),
        ("installs.load_left",),
    )


def _installed(site: Site, visit: int, units: list[int]) -> Iterator[Step]:
    today, at = partial(_go, url=f"{site.url}/today/"), partial(_go, url=f"{site.url}/stops/{visit}/")

    def tap(page: Page, word: str) -> None:
        page.get_by_role("button", name=word, exact=True).filter(visible=True).click()

    def on_the_way(page: Page, word: str) -> None:
        """At this visit: what the office drew last may be of the one before, until the page has read the taps."""
        page.locator(f"[data-next-action='{visit}']").get_by_role("button", name=word, exact=True).click()

    def said(page: Page, words: str) -> None:
        expect(page.locator(f".call[data-visit='{visit}'] [data-state-said]")).to_contain_text(words)

    def hang(page: Page, unit: int) -> None:
        page.locator(f"#unit-{unit}").get_by_role("button", name="Installed", exact=True).click()

    def leave(page: Page, unit: int) -> None:
        down = page.locator(f"#unit-{unit}")
        down.locator("summary", has_text="Not installed").click()
        down.locator("select[name=cause]").select_option("missing_part.hardware")
        down.get_by_role("button", name="Not installed").click()

    def outcome(page: Page, unit: int, words: str) -> None:
        expect(page.locator(f"#unit-{unit} .outcome")).to_contain_text(words)

    def sign(page: Page) -> None:
        page.get_by_label("Or nobody home: left with").fill("the porter")
        page.get_by_role("button", name="Keep the sign-off").click()

    def signed(page: Page) -> None:
        expect(page.locator("[data-unsigned]")).to_contain_text("Left with the porter")

    leaving, arriving = (partial(on_the_way, word=word) for word in ("Leaving now", "Arrived"))
    yield Step(today, leaving, partial(said, words="on the way"), ("installs.on_the_way",))
    yield Step(today, arriving, partial(said, words="arrived"), ("installs.arrived",))
    *hung, last = units
    for unit in hung or units:
        is_up = partial(outcome, unit=unit, words="installed")
        yield Step(at, partial(hang, unit=unit), is_up, ("installs.installed",))
    if hung:
        is_not = partial(outcome, unit=last, words="not installed")
        yield Step(at, partial(leave, unit=last), is_not, ("installs.not_installed",))
    yield Step(at, sign, signed, ("installs.sign",))
    yield Step(
        at,
        partial(tap, word="Finish stop"),
        lambda page: expect(page.locator("[data-waiting]")).to_contain_text("Stop finished"),
        ("installs.done",),
    )


# -- killing -------------------------------------------------------------------------------------------


def crashed(page: Page) -> Page:
    """The system takes the tab's process in the middle of whatever it does; another tab is opened."""
    with suppress(Error, TimeoutError):
        page.goto("chrome://crash")
    context = page.context
    page.close()
    return context.new_page()
