"""A visit in a basement: everything without signal, the tab killed half way, then all there once."""

from __future__ import annotations

import json
import os
import re
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from itertools import combinations, product
from typing import Any
from urllib.parse import urljoin

import pytest
from playwright.sync_api import Page, expect

from jobs.models import Appointment
from jobs.rules.next_action import next_step
from tests.browser.conditions import EVERY, PAIRS, Condition, under
from tests.factories import PASSWORD
from tests.servers import Site, until

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SETUP = """
from tests.factories import make_branch, make_user
from tests.measuring.makers import make_appointment, make_crew, make_job, make_tape
from measuring.services.starting_data import load_jurisdictions, load_products
import json
load_jurisdictions()
branch = make_branch(name="Millrace of test {n}")
load_products(branch)
dispatcher = make_user("dispatcher", branch=branch, username="dora{n}")
people = [make_user("measurer", branch=branch, username=name) for name in ("meg{n}", "mel{n}")]
for person in people:
    make_tape(person)
job = make_job(dispatcher, openings_expected=8)
appointment = make_appointment(job, dispatcher, *people, state="{state}")
print(json.dumps({{"appointment": appointment.pk, "job": job.pk}}))
"""

LOOK = """
from measuring.models import Opening, Reading, MeasureVisit
import json
rows = Opening.objects.filter(job={job}).exclude(state="dropped").order_by("room__order", "order")
print(json.dumps({{
    "openings": [[str(one), one.state, one.readings.count(), one.readings.filter(superseded_at=None).count(),
                  [u.order_width.text() if u.order_width else None for u in one.units.live()],
                  one.photos.count(), one.obstructions.filter(removed_at=None).count()] for one in rows],
    "closed": MeasureVisit.objects.filter(appointment__job={job}, closed_at__isnull=False).count(),
}}))
"""
FAULT = """
from django.db import connection
from measuring.models import Opening
one = Opening.objects.get(job={job})
connection.cursor().execute(
    f"CREATE TRIGGER planted BEFORE INSERT ON measuring_reading WHEN NEW.opening_id = {{one.pk}} "
    "BEGIN SELECT RAISE(ABORT, 'a planted fault'); END"
)
"""
MENDED = """
from django.db import connection
connection.cursor().execute("DROP TRIGGER planted")
"""
SHELL_IS_KEPT = """
caches.keys()
  .then((names) => Promise.all(names.map(async (name) => (await caches.open(name)).match("/measure/offline/"))))
  .then((found) => found.some(Boolean))
"""
KITCHEN = ("35 3/8", "44 1/8", "19 1/2", "26 3/4")
DEN = ("28 1/2", "33 1/4", "39 3/4", "45 1/8")
MANY = """
import random
from jobs.models import Job
from measuring.models import Product, MeasureVisit
from measuring.services import openings, readings, sizes, visits
from shared.models import User
chance = random.Random(7)
job = Job.objects.get(pk={job})
by = User.objects.get(username="{meg}")
visit = visits.open_visit(appointment=job.appointments.get(), by=by, tape=by.tapes.first())
eighths = ("", " 1/8", " 1/4", " 3/8", " 1/2", " 5/8", " 3/4", " 7/8")
def near(whole):
    return f"{{whole + chance.choice((0, 0, 0, 0, 1, 10))}}{{chance.choice(eighths)}}"
products = list(Product.objects.filter(branch=job.branch))
for number in range({count}):
    room = openings.add_room(job=job, name=f"Room {{number // 4}}", by=by)
    outside = chance.random() < 0.3
    opening = openings.add_opening(room=room, by=by, visit=visit, facts={{
        "product": chance.choice(products).key, "mount": "outside" if outside else "inside",
        "substrate": chance.choice(("wood", "masonry", "unknown", "tile")), "sill": "sill",
        "reach_height": chance.choice(("", "84", "140")), "power": chance.choice(("", "outlet", "none")),
        "units_wanted": chance.choice((1, 1, 1, 2, 3)),
    }})
    width, height = chance.randint(18, 110), chance.randint(24, 100)
    places = [f"widths.{{at}}" for at in ("top", "middle", "bottom")]
    places += [f"heights.{{at}}" for at in ("left", "center", "right")] + ["depth"]
    if outside:
        places = ["widths.top", "heights.left", "cover.left", "cover.right", "cover.top", "cover.bottom"]
        if chance.random() < 0.3:
            places = ["chosen.width", "chosen.height"]
    for place in places:
        if chance.random() < 0.04:
            continue
        whole = width if place.startswith(("widths", "chosen.width")) else height if "height" in place else 3
        typed = near(whole) if whole > 3 else f"{{chance.choice((1, 2, 3, 4))}}{{chance.choice(eighths)}}"
        readings.record_reading(opening=opening, spot=place, typed=typed, by=by, visit=visit, tape=visit.tape,
                                with_case=place.startswith("widths") and chance.random() < 0.1)
    if chance.random() < 0.3:
        at = chance.choice(("head", "path"))
        readings.add_obstruction(opening=opening, kind="crank", projection="1 1/2", by=by, at=at)
for opening in job.openings.all():  # look-alikes were read meanwhile
    sizes.size_opening(opening=opening, by=by)
"""
SAID_BY_SERVER = """
import json
from measuring.adapters.evaluation import evaluate
from measuring.models import Opening
out = {{}}
for one in Opening.objects.filter(job={job}):
    found = evaluate(one)
    out[str(one.uid)] = [
        [found.size.width.ticks, found.size.height.ticks] if found.size else None,
        sorted([f["code"], f["severity"], f["field"]] for f in found.findings),
        sorted([gap.code, gap.field, gap.turn, gap.text] for gap in found.gaps),
    ]
print(json.dumps(out))
"""
SAID_BY_PHONE = """
async () => {
  const base = "/static/measuring/";
  const { Measure } = await import(base + "field/measure.js");
  const table = await (await fetch(base + "rules-table.json")).json();
  const day = await (await fetch("/api/field/day/")).json();
  const measure = new Measure(table, day);
  const out = {};
  for (const visit of day.visits) for (const one of visit.openings) {
    const found = measure.evaluate(visit, one);
    const sorted = (rows) => rows.map((row) => JSON.stringify(row)).sort().map((row) => JSON.parse(row));
    out[one.uid] = [
      found.size ? [found.size.width, found.size.height] : null,
      sorted(found.findings.map((f) => [f.code, f.severity, f.field])),
      sorted(found.gaps.map((gap) => [gap.code, gap.field, gap.turn, measure.textOf(gap)])),
    ];
  }
  return out;
}
"""
_count = iter(range(1, 100))


@pytest.fixture(scope="module")
def own_site() -> Iterator[Site]:
    """A site without demo data; the tests add their own jobs."""
    from tests.servers import start_site

    site = start_site("sqlite", jobs=0, worker=False)
    yield site
    site.stop()


@pytest.fixture
def job(own_site: Site) -> dict[str, Any]:
    """A measure visit of today for meg and mel."""
    number = next(_count)
    made = json.loads(own_site.python(SETUP.format(n=number, state="arrived")))
    return made | {"meg": f"meg{number}", "mel": f"mel{number}"}


def look(site: Site, job: dict[str, Any]) -> dict[str, Any]:
    return json.loads(site.python(LOOK.format(job=job["job"])))


def sign_in(page: Page, site: Site, name: str) -> None:
    page.goto(f"{site.url}/sign-in/")
    page.fill("[name=username]", name)
    page.fill("[name=password]", PASSWORD)
    page.click("main button")
    expect(page.locator(".me")).to_be_visible()


def take_along(page: Page, site: Site, job: dict[str, Any]) -> None:
    """Open the visit with signal once, and wait until the phone has it all."""
    page.goto(f"{site.url}/measure/{job['appointment']}/")
    expect(page.locator("#begin")).to_be_visible(timeout=60_000)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()  # from the second time on it is the phone's own worker that serves the page
    expect(page.locator("#begin")).to_be_visible()
    assert page.evaluate("Boolean(navigator.serviceWorker.controller)")
    until(lambda: page.evaluate(SHELL_IS_KEPT), what="the page is on the phone")


def press(page: Page, typed: str) -> None:
    """An entry on the keypad: whole inches, then the eighths that keep it."""
    whole, _, fraction = typed.partition(" ")
    for figure in whole:
        page.click(f".pad [data-key='{figure}']")
    page.click(f".pad [data-key='{fraction or 'even'}']")


def read_opening(page: Page, width: str, height: str) -> None:
    """Three widths, three heights, the depth, each field coming by itself."""
    for typed in (width, width, width, height, height, height, "3 1/2"):
        before = page.locator(".chip.read").count()
        press(page, typed)
        expect(page.locator(".chip.read")).to_have_count(before + 1)
    expect(page.locator("#order-size")).to_be_visible()


def choose(page: Page, product: str) -> None:
    page.select_option("#f-product", product)
    expect(page.locator("#f-product")).to_have_value(product)
    page.click("#to-readings")
    expect(page.locator(".pad")).to_be_visible()


def test_eight_openings_without_signal_with_the_tab_killed_half_way(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], put_away: Callable[[Page], Page]
) -> None:
    page = new_page(phone=True, errors_allowed=True)
    sign_in(page, own_site, job["meg"])
    take_along(page, own_site, job)
    context = page.context
    context.set_offline(True)

    page.click("#begin")
    page.fill("#room-name", "Kitchen")
    page.click("#add-room")
    choose(page, "dunlin_wood")
    read_opening(page, KITCHEN[0], "60")
    for mark, width in zip("BCD", KITCHEN[1:], strict=True):
        page.click("text=Copy")
        expect(page.locator("h1")).to_have_text(f"Kitchen {mark}")
        read_opening(page, width, "60")

    expect(page.locator("#unsent")).not_to_contain_text("being kept", timeout=60_000)  # a slow disk
    page = put_away(page)
    page.goto(f"{own_site.url}/measure/{job['appointment']}/")
    expect(page.locator("#unsent")).to_contain_text("not sent yet", timeout=60_000)
    expect(page.locator(".opening-line")).to_have_count(4)

    page.fill("#room-name", "Den")
    page.click("#add-room")
    choose(page, "siskin")
    read_opening(page, DEN[0], "44")
    for mark, width in zip("BCD", DEN[1:], strict=True):
        page.click("text=Copy")
        expect(page.locator("h1")).to_have_text(f"Den {mark}")
        read_opening(page, width, "44")
    expect(page.locator("#unsent")).not_to_contain_text("being kept", timeout=60_000)
    page.goto(f"{own_site.url}/measure/{job['appointment']}/#close")
    page.click("#done")
    expect(page.locator("h1")).to_have_text("Closed out")
    assert look(own_site, job) == {"openings": [], "closed": 0}

    context.set_offline(False)
    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)

    found = look(own_site, job)
    walked = [f"{room} {mark}" for room in ("Kitchen", "Den") for mark in "ABCD"]
    assert [name for name, *_ in found["openings"]] == walked
    assert {(state, read, standing) for _, state, read, standing, *_ in found["openings"]} == {("measured", 7, 7)}
    assert [row[4] for row in found["openings"]] == [[width] for width in (*KITCHEN, *DEN)]
    assert found["closed"] == 1


def test_two_phones_editing_one_opening_lose_nothing(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any]
) -> None:
    first, second = (new_page(phone=True, errors_allowed=True) for _ in range(2))
    sign_in(first, own_site, job["meg"])
    take_along(first, own_site, job)
    first.click("#begin")
    first.fill("#room-name", "Hall")
    first.click("#add-room")
    choose(first, "dunlin_wood")
    expect(first.locator("#unsent")).to_have_text("All sent.", timeout=60_000)
    sign_in(second, own_site, job["mel"])
    second.goto(f"{own_site.url}/measure/{job['appointment']}/")
    second.click(".opening-line")
    for page in (first, second):
        expect(page.locator(".pad")).to_be_visible()
        page.context.set_offline(True)

    press(first, "35 3/8")
    press(second, "35 5/8")
    for page in (first, second):
        expect(page.locator(".chip.read")).to_have_count(1)
        page.context.set_offline(False)
        expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)

    until(lambda: look(own_site, job)["openings"][0][3] == 2, what="both readings are kept")
    second.reload()
    expect(second.locator(".rivals")).to_contain_text("read twice, not the same", timeout=60_000)
    second.click(".rivals button:has-text('5/8')")
    expect(second.locator(".rivals")).to_have_count(0)
    until(lambda: look(own_site, job)["openings"][0][3] == 1, what="one reading stands")
    assert look(own_site, job)["openings"][0][2] == 2


def test_what_a_fault_at_the_office_keeps_is_shown_and_nothing_is_lost(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any]
) -> None:
    page = new_page(phone=True)
    sign_in(page, own_site, job["meg"])
    take_along(page, own_site, job)
    page.click("#begin")
    page.fill("#room-name", "Porch")
    page.click("#add-room")
    choose(page, "dunlin_wood")
    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)
    own_site.python(FAULT.format(job=job["job"]))
    try:
        for count, typed in enumerate(("35 3/8", "35 1/2", "35 3/8"), 1):
            press(page, typed)
            expect(page.locator(".chip.read")).to_have_count(count)
            expect(page.locator("#parked")).to_contain_text(
                f"Kept at the office, not taken yet: {count}.", timeout=60_000
            )
        expect(page.locator("#unsent")).to_have_text("All sent.")
        page.reload()
        expect(page.locator(".chip.read")).to_have_count(3)
        page.goto(f"{own_site.url}/measure/{job['appointment']}/#")
        expect(page.locator(".opening-line")).to_contain_text("kept at the office, not taken yet")
        page.fill("#room-name", "Loft")
        page.click("#add-room")
        choose(page, "dunlin_wood")
        press(page, "41")
        until(lambda: [row[2] for row in look(own_site, job)["openings"]] == [0, 1], what="the other opening goes on")
    finally:
        own_site.python(MENDED)

    press(page, "41")  # the next parcel brings along what was kept

    expect(page.locator("#parked")).to_have_count(0, timeout=60_000)
    assert [row[2:4] for row in look(own_site, job)["openings"]] == [[3, 3], [2, 2]]
    page.goto(f"{own_site.url}/measure/{job['appointment']}/#")
    expect(page.locator(".opening-line").first).not_to_contain_text("not taken yet")
    page.locator(".opening-line").first.click()
    expect(page.locator(".chip.read")).to_have_count(3)


def test_the_phone_and_the_office_say_the_same_of_every_opening(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any]
) -> None:
    own_site.python(MANY.format(job=job["job"], meg=job["meg"], count=60))
    page = new_page(phone=True)
    sign_in(page, own_site, job["meg"])

    phone = page.evaluate(SAID_BY_PHONE)
    office = json.loads(own_site.python(SAID_BY_SERVER.format(job=job["job"])))

    def plain(said: dict[str, Any]) -> dict[str, Any]:
        return {uid: [size, *(sorted(map(str, rows)) for rows in more)] for uid, (size, *more) in said.items()}

    assert len(phone) == 60
    assert sum(size is not None for size, *_ in phone.values()) > 30
    differing = {uid: (plain(phone)[uid], said) for uid, said in plain(office).items() if plain(phone)[uid] != said}
    assert differing == {}


def test_a_slip_is_asked_for_again_and_both_readings_stay(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any]
) -> None:
    page = new_page(phone=True)
    sign_in(page, own_site, job["meg"])
    take_along(page, own_site, job)
    page.click("#begin")
    page.fill("#room-name", "Study")
    page.click("#add-room")
    choose(page, "dunlin_wood")
    for typed in ("35 3/8", "53 3/8", "35 3/8", "60", "60", "60"):
        press(page, typed)

    expect(page.locator(".doubt")).to_contain_text("Read again: width, middle")
    press(page, "35 3/8")
    expect(page.locator(".entry-spot")).to_have_text("depth")
    press(page, "3 1/2")

    expect(page.locator(".doubt")).to_have_count(0)
    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)
    assert look(own_site, job)["openings"][0][2:5] == [8, 7, ["35 3/8"]]


def test_a_key_that_is_down_while_the_page_is_drawn_anew_counts(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any]
) -> None:
    """The office's answer came between finger down and finger up, and "60" was kept as "6"."""
    page = new_page(phone=True)
    sign_in(page, own_site, job["meg"])
    take_along(page, own_site, job)
    page.click("#begin")
    page.fill("#room-name", "Study")
    page.click("#add-room")
    choose(page, "dunlin_wood")
    page.click(".pad [data-key='6']")

    page.hover(".pad [data-key='0']")
    page.mouse.down()
    page.evaluate("window.dispatchEvent(new Event('online'))")
    page.mouse.up()

    expect(page.locator("#entry")).to_have_value("60")


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("abc", "is not a length"),  # letters
        ("-5", "negative"),
        ("0", "too small"),
        ("1000", "too much; the most is 600 in"),
        ("35 3/7", "the nearest are"),
        ("35 9/8", "an inch or more"),
        ("", "nothing entered"),
    ],
)
def test_a_bad_entry_is_said_at_the_field_and_stays_in_it(
    own_site: Site, new_page: Callable[..., Any], bad_entry_page: Page, typed: str, words: str
) -> None:
    page = bad_entry_page

    page.fill("#entry", typed)
    page.press("#entry", "Enter")

    expect(page.locator("#entry-error")).to_contain_text(words)
    expect(page.locator("#entry")).to_have_value(typed)


def test_a_length_is_typed_as_it_is_spoken(bad_entry_page: Page) -> None:
    """ "35 and 3/8" was refused, though the key says "type or say it"."""
    page = bad_entry_page
    page.click("[data-spot='diagonals.rising:1'], [data-spot='depth:1']")
    before = page.locator(".chip.read").count()

    page.fill("#entry", "35 and 3/8")
    page.press("#entry", "Enter")

    expect(page.locator(".chip.read")).to_have_count(before + 1)
    expect(page.locator(".chip.read")).to_contain_text("35 3/8")
    page.click(".chip.read")
    page.click("#clear-place")
    expect(page.locator(".chip.read")).to_have_count(before)
    page.click("[data-spot='widths.top:1']")


def test_what_is_typed_stays_where_it_was_typed_when_the_page_is_drawn_anew(bad_entry_page: Page) -> None:
    page = bad_entry_page
    page.fill("#entry", "358")
    page.press("#entry", "Home")
    page.press("#entry", "ArrowRight")

    page.evaluate("window.dispatchEvent(new Event('online'))")
    page.keyboard.type("0")

    expect(page.locator("#entry")).to_have_value("3058")
    page.fill("#entry", "")


@pytest.fixture(scope="module")
def bad_entry_page(own_site: Site, chromium: Any) -> Iterator[Page]:
    """A phone at the first field of an opening, with the keyboard out."""
    number = next(_count)
    made = json.loads(own_site.python(SETUP.format(n=number, state="arrived")))
    context = chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    page = context.new_page()
    sign_in(page, own_site, f"meg{number}")
    page.goto(f"{own_site.url}/measure/{made['appointment']}/")
    page.click("#begin")
    page.fill("#room-name", "Bath")
    page.click("#add-room")
    choose(page, "dunlin_wood")
    page.click("#keyboard")
    yield page
    context.close()


def test_every_page_of_a_visit_fits_fingers_and_screen_readers(
    bad_entry_page: Page, fits_fingers: Callable[[Page], None]
) -> None:
    page = bad_entry_page
    page.click("#keyboard") if page.locator(".pad").count() == 0 else None
    assert re.search(r"width, top", page.locator(".entry-spot").inner_text())
    opening = page.url

    for address in (opening, f"{opening}/facts", f"{opening}/more", "#", "#close", "/measure/", "/today/"):
        page.goto(address if address.startswith("http") else urljoin(page.url, address))
        expect(page.locator("h1")).to_be_visible()
        fits_fingers(page)
    page.goto(opening)


def test_nothing_measured_is_said_without_signal(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any]
) -> None:
    """The way there was a page of the office, which a phone without signal does not have; what is unfolded stays so."""
    page = new_page(phone=True, errors_allowed=True)
    sign_in(page, own_site, job["meg"])
    take_along(page, own_site, job)
    page.context.set_offline(True)

    page.click("text=Nothing can be measured today")
    page.evaluate("window.dispatchEvent(new Event('offline'))")  # draws anew
    page.click("text=Close the visit")
    expect(page.locator(".errorlist")).to_have_text("say why, in a few words")
    page.fill("#reason", "nobody home")
    page.click("text=Close the visit")
    expect(page.locator(".state").first).to_have_text("closed out, nothing measured")
    assert look(own_site, job)["closed"] == 0
    page.context.set_offline(False)

    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)
    assert look(own_site, job)["closed"] == 1


SAID_OF_THE_WAY = """
from jobs.models import Appointment
from shared.devices.models import DeviceEntry
import json
one = Appointment.objects.get(pk={appointment})
kinds = DeviceEntry.objects.filter(device__user__username="{meg}", reply_status=200).order_by("pk")
print(json.dumps([one.state, one.on_the_way_at is not None, one.on_the_way_at < one.arrived_at,
                  one.measure_visit.outcome, list(dict(kinds.values_list("entry_id", "kind")).values())]))
"""
EXPIRED = """
from django.contrib.sessions.models import Session
from shared.devices.models import FieldDevice
from django.utils import timezone
FieldDevice.objects.filter(user__username="{meg}").update(revoked_at=timezone.now())
Session.objects.all().delete()
"""
PLAIN_FORM = """
() => {
  const form = Object.assign(document.createElement("form"), { method: "post", action: "/sign-out/" });
  document.body.append(form);
  form.submit();
}
"""
STEPS = """
(facts) => import("/static/jobs/next-action.js")
  .then(({ stepOf }) => facts.map(([state, here, left]) => stepOf({ state, here, left })))
"""


@contextmanager
def never_answering(site: Site) -> Iterator[None]:
    """Every request is taken and none is answered."""
    assert site.web is not None
    os.killpg(site.web.pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.killpg(site.web.pid, signal.SIGCONT)


@under(0, signal=False)
def test_the_way_to_a_visit_is_tapped_where_nothing_answers(
    own_site: Site, new_page: Callable[..., Any], go_out: Callable[[Page], None]
) -> None:
    """
    "Leaving now" and "Arrived" of a measurer were forms: they ended on the browser's error page, as "/" did.

    The taps wait in the phone's queue, and the next action is another at the tap, on each page of the day. The
    office signs the phone out meanwhile: signed in again it sends the same entries.
    """
    number = next(_count)
    job = json.loads(own_site.python(SETUP.format(n=number, state="planned")))
    meg, visit = f"meg{number}", f"{own_site.url}/measure/{job['appointment']}/"
    page = new_page(phone=True)
    sign_in(page, own_site, meg)
    page.goto(visit)
    expect(page.get_by_role("button", name="Leaving now")).to_be_visible(timeout=60_000)
    page.goto(f"{own_site.url}/today/")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    until(lambda: page.evaluate(SHELL_IS_KEPT), what="the page is on the phone")
    page.reload()
    facts = [
        (state, here, left) for state, here, left in product(Appointment.State.values, (True, False), (True, False))
    ]
    go_out(page)
    page.context.set_offline(False)  # it believes that it has signal
    assert page.evaluate(STEPS, facts) == [next_step(state=state, here=here, left=left) for state, here, left in facts]
    main = page.locator(".next-action .action").filter(visible=True)

    with never_answering(own_site):
        main.click()
        expect(main).to_have_text("Arrived")
        expect(page.locator(".call [data-state-said]")).to_contain_text("on the way")
        expect(page.locator("[data-waiting]")).to_contain_text("not sent yet")
        page.goto(visit)
        expect(main).to_have_text("Arrived")
        page.goto(f"{own_site.url}/")
        expect(page.locator("[data-list]")).to_contain_text("Ida Marl")
        expect(page.locator("[data-unsent]")).to_contain_text("Not sent yet: 1")
        page.context.set_offline(True)
    page.goto(f"{own_site.url}/today/")
    expect(main).to_have_text("Arrived")
    box = main.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= page.viewport_size["height"]
    main.click()
    expect(main).to_have_text("Open the visit")
    main.click()
    expect(main).to_have_text("Begin to measure")
    page.click("text=Nothing can be measured today")
    page.fill("#reason", "nobody home")
    page.click("text=Close the visit")
    expect(main).to_have_text("Today")
    main.click()
    expect(page.locator("[data-all-done]")).to_be_visible()
    page.click("text=My calendar address")
    expect(page.locator("h1")).to_have_text("No signal")
    page.evaluate(PLAIN_FORM)
    expect(page.locator("#messages")).to_contain_text("nothing was sent")

    own_site.python(EXPIRED.format(meg=meg))
    page.goto(f"{own_site.url}/measure/")
    page.context.set_offline(False)
    expect(page.locator("#field")).to_contain_text("signed out at the office", timeout=60_000)
    expect(page.locator("#field")).to_contain_text("of its room")
    page.locator("#field").get_by_role("link", name="Sign in").click()
    page.fill("[name=username]", meg)
    page.fill("[name=password]", PASSWORD)
    page.click("main button")
    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)

    taps = [f"measuring.{kind}" for kind in ("on_the_way", "arrived", "not_measured")]
    asked = SAID_OF_THE_WAY.format(appointment=job["appointment"], meg=meg)
    assert json.loads(own_site.python(asked)) == ["done", True, True, "none", taps]


WANTS_PINS = """
from jobs.models import Job
from shared.models import Branch
Branch.objects.filter(pk=Job.objects.get(pk={job}).branch_id).update(phone_pin=True)
"""


def type_pin(page: Page, *typed: str) -> None:
    for box, text in zip(("#pin", "#pin-again"), typed, strict=False):
        page.fill(box, text)
    page.press("#pin", "Enter")


def test_a_shared_phone_asks_for_the_pin_of_whose_day_it_keeps(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], fits_fingers: Callable[[Page], None]
) -> None:
    """What is kept was there for whoever picked the phone up, without signal and without a session."""
    own_site.python(WANTS_PINS.format(job=job["job"]))
    page = new_page(phone=True, errors_allowed=True)
    page.goto(f"{own_site.url}/sign-in/?next=/measure/{job['appointment']}/")
    page.fill("[name=username]", job["meg"])
    page.fill("[name=password]", PASSWORD)
    page.click("main button")
    expect(page.locator("dialog.pin h2")).to_have_text("Choose a PIN for this phone")
    expect(page.locator(".frame")).not_to_be_visible()
    type_pin(page, "2468", "2486")
    expect(page.locator("#pin-said")).to_have_text("The two are not the same.")
    type_pin(page, "2468", "2468")
    expect(page.locator("#begin")).to_be_visible()
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()
    expect(page.locator("#begin")).to_be_visible()
    until(lambda: page.evaluate(SHELL_IS_KEPT), what="the page is on the phone")

    page.context.clear_cookies()
    page.context.set_offline(True)
    found = page.context.new_page()
    found.goto(page.url)
    expect(found.locator("dialog.pin h2")).to_contain_text("PIN of")
    found.keyboard.press("Escape")
    found.keyboard.press("Escape")
    expect(found.locator("dialog.pin")).to_be_visible()
    expect(found.locator(".frame")).not_to_be_visible()
    for left in (4, 3, 2, 1):
        type_pin(found, "1111")
        expect(found.locator("#pin-said")).to_contain_text(f"Tries before a wait: {left}.")
    type_pin(found, "2468")
    expect(found.locator("#begin")).to_be_visible()

    page.context.set_offline(False)
    sign_in(found, own_site, job["meg"])
    page.close()
    other = found.context.new_page()
    other.goto(f"{own_site.url}/measure/")
    fits_fingers(other)
    other.get_by_role("button", name="Choose another").click()
    type_pin(other, "13579", "13579")
    expect(other.locator("dialog.pin")).to_have_count(0)
    expect(other.locator("#unsent")).to_be_visible()


def test_two_readings_apart_are_asked_again_at_once(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any]
) -> None:
    page = new_page(phone=True, errors_allowed=True)
    sign_in(page, own_site, job["meg"])
    take_along(page, own_site, job)
    page.click("#begin")
    page.fill("#room-name", "Hall")
    page.click("#add-room")
    choose(page, "wren")
    for at, typed in {
        "widths.top:1": "35 1/4", "widths.top:2": "35", "heights.left:1": "60", "heights.center:1": "60",
        "heights.right:1": "60", "depth:1": "3 1/2",
    }.items():  # fmt: skip
        page.click(f"[data-spot='{at}']")
        press(page, typed)

    expect(page.locator(".doubt")).to_contain_text("Read twice, 35 1/4 in and 35 in: 1/4 in apart; 35 in counts.")
    press(page, "35 1/4")  # the first came back: the second goes

    expect(page.locator(".doubt")).to_have_count(0)
    expect(page.locator("#order-size")).to_contain_text("35 1/4 × 60")
    page.click(".back")
    expect(page.locator(".opening-state .state")).to_have_text("read")


def test_of_every_two_conditions_each_meets_the_other_in_some_walk() -> None:
    def pairs(rows: list[Condition]) -> set[Any]:
        return {pair for row in rows for pair in combinations(asdict(row).items(), 2)}

    assert pairs(PAIRS) == pairs(EVERY)


OUT_OF_SIGHT = """
() => [...document.querySelectorAll(".entry button, .entry input, .entry .doubt, .entry .entry-spot")].filter((one) => {
  const { left, top, right, bottom } = one.getBoundingClientRect(), line = one.closest(".chips, .toggles");
  const isIn = top >= 0 && bottom <= innerHeight + 0.5 && (line || (left >= 0 && right <= innerWidth + 0.5));
  const x = Math.min(Math.max((left + right) / 2, 2), innerWidth - 2);
  const at = document.elementFromPoint(x, (top + bottom) / 2);
  return !isIn || !(line || one.contains(at) || at?.closest("label"));
}).map((one) => `${one.className} ${one.textContent.slice(0, 40)} ${JSON.stringify(one.getBoundingClientRect())}`)
"""
"""Of the keypad's block what is outside the screen or behind something; lines that scroll aside may go on."""


def at_the_keypad(page: Page, site: Site, job: dict[str, Any], product: str = "dunlin_wood") -> None:
    sign_in(page, site, job["meg"])
    page.goto(f"{site.url}/measure/{job['appointment']}/")
    page.click("#begin")
    page.fill("#room-name", "Study")
    page.click("#add-room")
    choose(page, product)


def key_at(page: Page) -> dict[str, float]:
    box: dict[str, float] = page.evaluate("document.querySelector('.pad [data-key]').getBoundingClientRect().toJSON()")
    return box


@under(4)
def test_the_cursor_goes_on_from_where_it_is_and_never_back(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], go_out: Callable[[Page], None]
) -> None:
    """It went back to the first unread: a height read next to another was kept as a width."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job)
    go_out(page)
    page.click("[data-spot='heights.left:1']")

    press(page, "60")
    expect(page.locator(".entry-spot")).to_have_text("height, center")
    page.click("#skip-place")
    expect(page.locator(".entry-spot")).to_have_text("height, right")
    press(page, "60")
    press(page, "3 1/2")

    expect(page.locator(".entry-spot")).to_have_count(0)
    expect(page.locator("#to-gap")).to_have_text("Not read: width, top")
    page.click("#to-gap")
    expect(page.locator(".entry-spot")).to_have_text("width, top")


@under(1)
def test_a_reading_is_taken_back_and_what_was_read_is_tapped(
    own_site: Site,
    job: dict[str, Any],
    new_page: Callable[..., Any],
    go_out: Callable[[Page], None],
    has_signal_again: Callable[[Page], None],
) -> None:
    """No key took a reading back; neither the drawing nor what was read last led to its place."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job)
    go_out(page)
    for typed in ("35 3/8", "35 1/2"):
        press(page, typed)

    page.click(".just-read")
    expect(page.locator(".entry-spot")).to_have_text("width, middle")
    page.click("#clear-place")
    expect(page.locator(".chip.read")).to_have_count(1)
    expect(page.locator(".entry-spot")).to_have_text("width, middle")
    page.locator(".drawn [data-spot='widths.top'] .hit").dispatch_event("click")
    expect(page.locator(".entry-spot")).to_have_text("width, top")

    has_signal_again(page)
    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)
    assert look(own_site, job)["openings"][0][2:4] == [2, 1]


DISK_IS_BUSY = """
(user) => new Promise((held) => {
  indexedDB.open(`jambwise-${user}`, 1).onsuccess = ({ target }) => {
    const store = target.result.transaction(["meta", "deeds"], "readwrite").objectStore("meta");
    const again = () => { store.get("place").onsuccess = again; };
    again();
    held();
  };
})
"""
"""Nothing else gets onto the phone's disk until the page is left, which takes along what waits."""
KEPT_READINGS = """
(user) => new Promise((told) => {
  indexedDB.open(`jambwise-${user}`, 1).onsuccess = ({ target }) => {
    const all = target.result.transaction("deeds").objectStore("deeds").getAll();
    all.onsuccess = () => told(all.result.filter((one) => one.kind === "measuring.reading"));
  };
})
"""


@under(1)
def test_a_tap_counts_though_the_page_is_left_before_it_is_on_the_disk(
    own_site: Site,
    job: dict[str, Any],
    new_page: Callable[..., Any],
    go_out: Callable[[Page], None],
    has_signal_again: Callable[[Page], None],
) -> None:
    """It was shown as being kept, and the page took it along when it went."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job)
    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)
    user, address = page.evaluate("Number(document.getElementById('field').dataset.user)"), page.url
    go_out(page)
    page.evaluate(DISK_IS_BUSY, user)
    press(page, "35 3/8")
    expect(page.locator("#unsent")).to_contain_text("1 being kept on this phone")

    page.goto("about:blank")
    page.goto(address)

    expect(page.locator(".chip.read")).to_have_count(1)
    expect(page.locator("#unsent")).not_to_contain_text("being kept")
    (entry,) = page.evaluate(KEPT_READINGS, user)
    page.evaluate("([user, one]) => { localStorage[`jambwise ${user} 1-0000`] = JSON.stringify(one); }", [user, entry])
    page.reload()  # a page that was killed between disk and note leaves both
    expect(page.locator(".chip.read")).to_have_count(1)
    assert [one["id"] for one in page.evaluate(KEPT_READINGS, user)] == [entry["id"]]
    assert page.evaluate("Object.keys(localStorage).filter((key) => key.startsWith('jambwise '))") == []
    has_signal_again(page)
    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)
    assert look(own_site, job)["openings"][0][2:4] == [1, 1]


@under(0, 3, 5)
def test_the_keypad_its_question_and_the_answer_are_on_one_screen(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], go_out: Callable[[Page], None]
) -> None:
    """The question lay behind the keypad, the cursor was elsewhere, and text of twice the size pushed keys away."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job)
    go_out(page)
    places = [key_at(page)]
    for typed in ("35 3/8", "53 3/8", "35 3/8", "60", "60", "60"):
        press(page, typed)
        places.append(key_at(page))

    expect(page.locator(".entry-spot")).to_have_text("width, middle")
    expect(page.locator(".entry .doubt")).to_contain_text("Read again: width, middle")
    assert page.evaluate(OUT_OF_SIGHT) == []
    for chip in page.locator(".chip").all():
        chip.click()
        places.append(key_at(page))
    moved = [place for place in places if place != places[0]]
    assert moved == [], "the keys moved under the thumb"
    page.click("[data-spot='widths.middle:1']")

    page.evaluate("document.documentElement.style.fontSize = '200%'")
    assert page.evaluate(OUT_OF_SIGHT) == []
    page.click(".entry .same")
    expect(page.locator(".doubt")).to_have_count(0)


@under(3)
def test_what_cannot_fit_asks_for_an_answer_and_what_repeats_is_said_once(
    own_site: Site,
    job: dict[str, Any],
    new_page: Callable[..., Any],
    go_out: Callable[[Page], None],
    has_signal_again: Callable[[Page], None],
) -> None:
    """The visit closed in one tap, and each opening had a line of its own about the unknown wall."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job)
    go_out(page)
    for typed in ("35 3/8", "35 3/8", "35 3/8", "60", "60", "60", "0 1/2"):
        press(page, typed)
    page.click("text=Copy")
    expect(page.locator("h1")).to_have_text("Study B")
    read_opening(page, "35 3/8", "60")
    expect(page.locator("#go-on")).to_have_text("Next: Study A")
    page.goto(f"{own_site.url}/measure/{job['appointment']}/#close")

    expect(page.locator("#done")).to_have_text("1 missing")
    expect(page.locator("#done")).to_be_disabled()
    expect(page.locator(".findings li", has_text="behind the surface")).to_have_count(1)
    page.click("[aria-label=Missing] a")
    page.click("text=Go on anyway")
    page.click("#cannot-fit button:has-text('Go on')")
    expect(page.locator("#cannot-fit .errorlist")).to_have_text("say why, in a few words")
    page.fill("#reason", "the shop notches the jamb")
    page.click("#cannot-fit button:has-text('Go on')")
    expect(page.locator("#cannot-fit")).to_have_count(0)
    page.goto(f"{own_site.url}/measure/{job['appointment']}/#close")
    page.click("#done")
    expect(page.locator(".main-action a").first).to_have_text("Today")

    has_signal_again(page)
    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)
    assert look(own_site, job)["closed"] == 1


@under(1)
def test_the_keypad_fills_in_lengths_among_the_facts(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], go_out: Callable[[Page], None]
) -> None:
    """They opened the whole keyboard, with no fraction in sight."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job)
    go_out(page)
    page.goto(f"{page.url}/facts")
    page.click("#f-reach_height")
    press(page, "95 1/2")
    expect(page.locator("#f-reach_height")).to_have_value("95 1/2")
    expect(page.locator(".pad")).to_have_count(0)
    page.goto(page.url.replace("/facts", "/more"))
    page.fill("#thing-kind", "crank")
    page.click("#thing-projection")
    assert page.evaluate(OUT_OF_SIGHT) == []
    press(page, "1 1/8")

    page.click("text=Add")

    expect(page.locator(".things li")).to_contain_text("crank, stands out 1 1/8")


def read_at(page: Page, typed: dict[str, str]) -> None:
    """Each of these at its own place, tapped one after the other."""
    for spot, text in typed.items():
        page.click(f".chip[data-spot='{spot}:1']")
        press(page, text)
        expect(page.locator(f".chip.read[data-spot='{spot}:1']")).to_have_count(1)


@under(3)
def test_a_door_to_the_floor_is_ordered_short_of_it_and_cleared_of_its_handle(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], go_out: Callable[[Page], None]
) -> None:
    """Full height, "widen the bottom", still fixed to the jamb outside it, and the handle told nobody anything."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job, "plover")
    go_out(page)
    page.goto(f"{page.url}/facts")
    expect(page.locator("#f-fixed_to option[value=jamb]")).to_have_count(1)
    page.click("[data-mount=outside]")
    expect(page.locator("#f-fixed_to option[value=jamb]")).to_have_count(0)
    page.select_option("#f-sill", "floor")
    page.select_option("#f-floor_type", "hard")
    page.check("#f-door")
    page.click("#f-handle_projection")
    press(page, "6")
    expect(page.locator("#f-handle_projection")).to_have_value("6")
    page.click("#to-readings")

    read_at(page, {"widths.top": "72", "heights.left": "80", "cover.left": "3", "cover.right": "3", "cover.top": "4"})

    expect(page.locator("#order-size .size")).to_have_text("78 × 83 1/2")
    expect(page.locator(".chip[data-spot^='cover.bottom']")).to_have_count(0)
    expect(page.locator("#field")).not_to_contain_text(re.compile("widen", re.IGNORECASE))
    expect(page.locator(".findings", has_text="handle")).not_to_have_count(0)


@under(5)
def test_two_units_in_one_opening_have_a_size_and_a_tube_each(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], go_out: Callable[[Page], None]
) -> None:
    """One size for all, no split, and what was said of the tube of so wide a roller was gone."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job, "wren")
    go_out(page)
    page.goto(f"{page.url}/facts")
    page.fill("#f-units_wanted", "2")
    page.press("#f-units_wanted", "Tab")
    page.fill("#f-mullions", "20")
    page.press("#f-mullions", "Tab")
    page.click("#to-readings")

    sides = dict.fromkeys(("heights.left", "heights.center", "heights.right"), "60")
    read_at(page, {"widths.top": "120", "widths.middle": "120", "widths.bottom": "120", **sides, "depth": "4"})

    expect(page.locator("#unit-sizes")).to_contain_text("2 units, from the left: 19 15/16 · 99 15/16")
    expect(page.locator(".findings").first).to_contain_text("99 13/16 in wide is more than the usual 1 1/2 in tube")


@under(4)
def test_an_arch_is_read_drawn_and_ordered_by_the_rectangle_round_it(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], go_out: Callable[[Page], None]
) -> None:
    """There was no arch: nobody could say so, and it was read as a rectangle."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job, "siskin")
    go_out(page)
    page.goto(f"{page.url}/facts")
    page.select_option("#f-shape", "arch")
    page.click("[data-mount=outside]")
    page.click("#to-readings")

    legs, rises = ("shape.leg_left", "shape.leg_right"), ("shape.rise_left", "shape.rise_right")
    read_at(
        page, {"shape.width": "48", **dict.fromkeys(legs, "36"), "shape.rise": "24", **dict.fromkeys(rises, "20 3/4")}
    )
    read_at(page, dict.fromkeys((f"cover.{side}" for side in ("left", "right", "top", "bottom")), "2"))

    expect(page.locator("#order-size .size")).to_have_text("52 × 64")
    assert "A" in (page.locator(".drawn path.ink").first.get_attribute("d") or "")  # its head is an arc


CALL_OFF = """
from jobs.models import Appointment
from jobs.services.appointments import cancel_appointment
from shared.models import User
one = Appointment.objects.get(pk={appointment})
cancel_appointment(appointment=one, by=one.job.created_by, reason="nobody home")
"""
CANNOT = """
from measuring.models import Opening
from measuring.services import openings
one = Opening.objects.get(job={job})
openings.mark_cannot(opening=one, reason="a wardrobe", by=one.job.created_by)
"""


@under(4, signal=True)
def test_a_visit_called_off_says_so_on_the_open_page(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], go_out: Callable[[Page], None]
) -> None:
    """No page looked for news; the visit was gone the next time somebody loaded one, without a word."""
    page = new_page(phone=True)
    page.clock.install()
    sign_in(page, own_site, job["meg"])
    page.goto(f"{own_site.url}/measure/{job['appointment']}/")
    expect(page.locator("#begin")).to_be_visible(timeout=60_000)
    go_out(page)
    own_site.python(CALL_OFF.format(appointment=job["appointment"]))

    page.clock.fast_forward(30_000)

    expect(page.locator("[data-news]")).to_contain_text("is off your day. It was cancelled or moved")
    page.goto(f"{own_site.url}/measure/")
    page.click("[data-news] button")
    expect(page.locator("[data-news]")).to_have_count(0)
    page.reload()
    expect(page.locator("#unsent")).to_be_visible()
    expect(page.locator("[data-news]")).to_have_count(0)


@under(5, signal=False)
def test_a_refused_entry_is_told_at_its_own_opening(
    own_site: Site, job: dict[str, Any], new_page: Callable[..., Any], go_out: Callable[[Page], None]
) -> None:
    """It stood on every page of the phone, with no name: inside another customer's opening too."""
    page = new_page(phone=True)
    at_the_keypad(page, own_site, job)
    expect(page.locator("#unsent")).to_have_text("All sent.", timeout=60_000)
    go_out(page)
    press(page, "35 3/8")
    own_site.python(CANNOT.format(job=job["job"]))

    page.context.set_offline(False)

    expect(page.locator(".refused")).to_contain_text(
        "Study A: the office did not take this. reading, width, top", timeout=60_000
    )
    page.click(".back")
    expect(page.locator(".refused")).to_have_count(0)
    expect(page.locator("#field")).to_contain_text("The office did not take an entry of Study A")
    page.goto(f"{own_site.url}/measure/")
    expect(page.locator(".refused")).to_have_count(0)
    page.click("text=The office did not take an entry: Ida Marl")
    page.click(".refused button")
    expect(page.locator(".refused")).to_have_count(0)
