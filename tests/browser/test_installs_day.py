"""The install day on a phone: load check, a stop without signal with its signature, a return in dispatch."""

from __future__ import annotations

import json
import os
import re
import signal
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

from tests.browser.conditions import under
from tests.conftest import DESK, PHONE
from tests.servers import Site, until

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SETUP = """
from django.test import Client
from tests.factories import make_branch, make_user, make_job
from tests.installs.makers import make_crew, make_unit, make_visit, stock_up
from measuring.services.readings import add_photo
from PIL import Image
from io import BytesIO
import json

ROLES = ("dispatcher", "installer", "owner")

def enter(user):
    client = Client()
    client.force_login(user)
    return client.cookies["sessionid"].value

def a_day(number):
    branch = make_branch(name=f"Millrace of installs {number}")
    stock_up(branch)
    people = {role: make_user(role, branch=branch, username=f"{role}-of-installs-{number}") for role in ROLES}
    crew = make_crew(branch, people["installer"])
    job, later = (make_job(branch, by=people["dispatcher"]) for _ in range(2))
    units = [make_unit(job, opening={"note": "plaster crumbles on the left"}), make_unit(job, room="Bath")]
    picture = BytesIO()
    Image.new("RGB", (40, 30), "teal").save(picture, "JPEG")
    add_photo(opening=units[0].opening, data=picture.getvalue(), by=people["dispatcher"], caption="the left jamb")
    make_unit(later, options={"control": "chain"})
    later.site.children = True
    later.site.save()
    visit, other = make_visit(job, crew, hour=9), make_visit(later, crew, hour=13)
    return {"visit": visit.pk, "other": other.pk, "codes": [u.code for u in units], "units": [u.pk for u in units],
            "crew": crew.pk, "sessions": {role: enter(user) for role, user in people.items()}}

print(json.dumps([a_day(number) for number in range(DAYS)]))
"""
SHELL_IS_KEPT = """
caches.keys()
  .then((names) => Promise.all(names.map(async (name) => (await caches.open(name)).match("/stops/offline/"))))
  .then((found) => found.some(Boolean))
"""
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
NO_CAMERA = "delete window.BarcodeDetector"
CAMERA = """
const codes = CODES;
navigator.mediaDevices.getUserMedia = async () => {
  const canvas = document.createElement("canvas");
  canvas.getContext("2d").fillRect(0, 0, 9, 9);
  return canvas.captureStream(5);
};
window.BarcodeDetector = class {
  static async getSupportedFormats() { return ["qr_code"]; }
  async detect() { return codes.length ? [{ rawValue: codes.shift() }] : []; }
};
"""
Day = dict[str, Any]
Enter = Callable[..., Page]


@pytest.fixture(scope="module")
def days(site: Site) -> Iterator[Day]:
    """Days of a branch, crew and people of their own each: two stops of today, the shelf full."""
    return iter(json.loads(site.python(SETUP.replace("DAYS", "12"))))


@pytest.fixture
def day(days: Iterator[Day]) -> Day:
    return next(days)


@pytest.fixture
def enter(site: Site, day: Day, new_page: Callable[..., Page]) -> Enter:
    """``enter("installer", phone=True)``: a page of somebody of the day who signed in before."""

    def page_of(role: str, **how: Any) -> Page:
        page = new_page(**how)
        page.context.add_cookies([{"name": "sessionid", "value": day["sessions"][role], "url": site.url}])
        return page

    return page_of


def api(page: Page, site: Site, path: str) -> Any:
    """What the site says over its API to whom this page is signed in as."""
    answer = page.request.get(f"{site.url}/api/{path}")
    assert answer.ok, answer.text()
    return answer.json()


def day_is_kept(page: Page, count: int) -> None:
    """Until the phone has the empty page and so many pages of the day."""
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    user = int(page.locator("[data-user]").first.get_attribute("data-user") or 0)
    until(lambda: page.evaluate(SHELL_IS_KEPT), what="the empty page is on the phone")
    until(lambda: page.evaluate(PAGES_KEPT, user) == count, what=f"{count} pages are on the phone")


def test_a_load_is_checked_without_signal_and_leaves_with_a_reason(
    site: Site, day: Day, enter: Enter, looks_right: Callable[[Page], None], put_away: Callable[[Page], Page]
) -> None:
    office = enter("dispatcher")
    page = enter("installer", phone=True, errors_allowed=True)  # without signal the browser logs each failed request
    page.add_init_script(NO_CAMERA)
    page.goto(f"{site.url}/today/")
    page.get_by_role("link", name="Load", exact=True).click()
    expect(page.locator(".load-count strong")).to_be_visible()
    expect(page.locator("[data-no-camera]")).to_contain_text("type the code")
    looks_right(page)
    page.fill("#code", "WRONGXX")
    page.get_by_role("button", name="Check", exact=True).click()
    expect(page.locator(".message.error")).to_contain_text("read the label again")
    day_is_kept(page, 4)

    page.context.set_offline(True)
    page.goto(f"{site.url}/today/")
    page.get_by_role("button", name="Leaving now").click()
    expect(page.locator("[data-waiting]")).to_contain_text("on the way, not sent yet")
    page.goto(f"{site.url}/load/")
    page.fill("#code", f"{site.url}/u/{day['codes'][0].lower()}/")
    page.get_by_role("button", name="Check", exact=True).click()
    expect(page.locator("li.on", has_text=day["codes"][0])).to_be_visible()
    expect(page.locator("[data-waiting]")).to_contain_text("not sent yet")
    page.get_by_role("button", name="Take back").click()
    expect(page.locator("li.on")).to_have_count(0)
    for part in ("All of Bath", "All of Kitchen", "All of Kitchen", "All hardware"):
        before = page.locator("li.on").count()
        page.get_by_role("button", name=part).filter(visible=True).first.click()
        expect(page.locator("li.on")).not_to_have_count(before)

    page = put_away(page)
    page.goto(f"{site.url}/load/")
    expect(page.locator("li.on", has_text=day["codes"][0])).to_be_visible()
    page.get_by_role("button", name="Leave anyway").click()
    expect(page.locator(".message.error")).to_contain_text("Say why it leaves without")
    page.fill("#reason", "tools are in the other van")
    page.get_by_role("button", name="Leave anyway").click()
    expect(page.locator("[data-waiting]")).to_contain_text("Left the yard.")
    (load,) = api(office, site, f"loads/?crew={day['crew']}")["results"]
    assert load["state"] == "open"
    assert not any(line["checked"] for line in load["lines"])

    page.context.set_offline(False)
    page.evaluate("window.dispatchEvent(new Event('online'))")
    until(lambda: api(office, site, f"loads/{load['id']}/")["state"] == "left", what="the office knows")

    load = api(office, site, f"loads/{load['id']}/")
    assert load["gap_reason"] == "tools are in the other van"
    checked = {line["section"] for line in load["lines"] if line["checked"] == line["quantity"]}
    assert checked == {"stop 1", "stop 2", "hardware"}
    assert api(office, site, f"stops/{day['visit']}/")["state"] == "on_the_way"


def test_one_tap_scans_label_after_label(site: Site, day: Day, enter: Enter) -> None:
    """Chromium on Linux reads no codes itself: a reader of ours stands before a drawn camera."""
    page = enter("installer", phone=True)
    page.add_init_script(CAMERA.replace("CODES", json.dumps([f"{site.url}/u/{code}/" for code in day["codes"]])))
    page.goto(f"{site.url}/load/")

    page.get_by_role("button", name="Scan labels").click()

    for code in day["codes"]:
        expect(page.locator("li.on", has_text=code)).to_be_visible()
    page.get_by_role("button", name="Stop scanning").click()
    expect(page.get_by_role("button", name="Scan labels")).to_be_visible()


def test_what_is_typed_while_a_tap_is_sent_stays(site: Site, day: Day, enter: Enter) -> None:
    page = enter("installer", phone=True)
    page.goto(f"{site.url}/stops/{day['visit']}/")
    page.get_by_role("button", name="Arrived").click()
    expect(page.get_by_role("button", name="Arrived")).to_have_count(0)
    page.wait_for_load_state()  # before its scripts run, a form goes to the office plainly
    sent = "**/api/field/entries/"
    held: list[Route] = []
    page.route(sent, lambda route: held.append(route))
    up = page.locator(f"#unit-{day['units'][0]}")
    with page.expect_request(sent):
        up.get_by_role("button", name="Installed", exact=True).click()
    left_with = page.get_by_label("Or nobody home: left with")
    left_with.fill("the porter")
    note = page.get_by_label("Note for the office")
    note.fill("Bell is broken")
    clean = page.get_by_label("site left clean")
    clean.check()
    held[0].continue_()
    page.unroute(sent)
    expect(up.locator(".waiting-mark")).to_have_count(0)  # the fresh page
    expect(up.locator(".state")).to_have_text("installed")
    expect(left_with).to_have_value("the porter")
    expect(note).to_have_value("Bell is broken")
    page.get_by_role("button", name="Keep the sign-off").click()
    expect(page.get_by_text("Nobody home; left with the porter")).to_be_visible()
    expect(note).to_have_value("Bell is broken")
    expect(clean).to_be_checked()


def test_a_page_that_a_later_tap_overtook_is_asked_for_again(site: Site, day: Day, enter: Enter) -> None:
    page = enter("installer", phone=True)
    page.goto(f"{site.url}/stops/{day['visit']}/")
    page.get_by_role("button", name="Arrived").click()
    up, other = (page.locator(f"#unit-{pk}") for pk in day["units"])
    expect(page.get_by_role("button", name="Arrived")).to_have_count(0)
    page.wait_for_load_state("networkidle")
    late: list[tuple[Route, Any]] = []

    def answer_late(route: Route) -> None:
        if late or route.request.resource_type == "document":
            route.continue_()
        else:
            late.append((route, route.fetch()))

    page.route(f"**/stops/{day['visit']}/", answer_late)
    up.get_by_role("button", name="Installed", exact=True).click()
    until(lambda: late or page.wait_for_timeout(20), what="the office drew the page with the first tap")
    other.get_by_role("button", name="Installed", exact=True).click()
    until(
        lambda: (
            page.wait_for_timeout(20) or api(page, site, f"stops/{day['visit']}/")["units"][1]["outcome"] == "installed"
        )
    )
    route, drawn = late[0]
    route.fulfill(response=drawn)

    expect(page.locator(".unit .waiting-mark")).to_have_count(0)
    for unit in (up, other):
        expect(unit.locator(".state")).to_have_text("installed")
    page.unroute_all(behavior="ignoreErrors")


def test_a_kept_page_shows_what_the_office_has_once_it_answers(site: Site, day: Day, enter: Enter) -> None:
    """The office answers later than the phone waits for it: first the page as this phone kept it, then as it is."""
    page = enter("installer", phone=True)
    page.goto(f"{site.url}/load/")
    day_is_kept(page, 4)
    other = enter("dispatcher")
    other.goto(f"{site.url}/stops/{day['visit']}/")
    other.get_by_role("button", name="Arrived").click()
    expect(other.get_by_role("button", name="Arrived")).to_have_count(0)
    page.goto("about:blank")

    assert site.web is not None
    os.killpg(site.web.pid, signal.SIGSTOP)
    try:
        page.goto(f"{site.url}/stops/{day['visit']}/")
        expect(page.get_by_role("button", name="Arrived")).to_be_visible()
    finally:
        os.killpg(site.web.pid, signal.SIGCONT)

    expect(page.get_by_role("button", name="Arrived")).to_have_count(0)


@under(3, signal=False)
def test_a_phone_installs_it_and_opens_the_day_without_signal(
    site: Site, day: Day, enter: Enter, go_out: Callable[[Page], None]
) -> None:
    """No manifest, no icon, and the start page ended on the browser's error page."""
    page = enter("installer", phone=True)
    page.goto(f"{site.url}/today/")
    day_is_kept(page, 3)
    expect(page.locator(".call.next a[href^='tel:']").first).to_be_visible()
    expect(page.get_by_role("link", name="Directions").first).to_have_attribute("href", re.compile(r"^geo:.+\?q=\d"))
    problems = page.context.new_cdp_session(page).send("Page.getInstallabilityErrors")["installabilityErrors"]
    assert [one["errorId"] for one in problems if one["errorId"] != "in-incognito"] == []  # every test's page is

    go_out(page)
    page.goto(f"{site.url}/")

    expect(page.locator("[data-list]")).to_contain_text("Today, as of")
    page.get_by_role("main").get_by_role("link", name="Today", exact=True).click()
    expect(page.locator(".call")).to_have_count(2)


@under(0, signal=True)
def test_a_tap_of_the_day_waits_where_the_office_does_not_answer(
    site: Site, day: Day, enter: Enter, go_out: Callable[[Page], None]
) -> None:
    """The phone believed it had signal: the request timed out on the browser's error page, and the tap was lost."""
    page = enter("installer", phone=True, errors_allowed=True)
    page.goto(f"{site.url}/today/")
    day_is_kept(page, 3)
    go_out(page)
    unanswered: list[Route] = []
    answers: list[bool] = []
    asks = re.compile(r"/(visits|api/field)/")
    page.route(asks, lambda route: route.continue_() if answers else unanswered.append(route))

    page.get_by_role("button", name="Leaving now").click()

    expect(page.locator("[data-waiting]")).to_contain_text("not sent yet")
    expect(page.locator(".next-action .action").filter(visible=True)).to_have_text("Arrived")
    answers.append(True)
    for route in unanswered:
        route.abort()
    page.evaluate("window.dispatchEvent(new Event('online'))")
    expect(page.locator(".call").first.locator(".state")).to_have_text("on the way", timeout=60_000)


@under(2, signal=True)
def test_what_the_office_changes_is_said_on_the_open_day_and_stop(
    site: Site, day: Day, enter: Enter, go_out: Callable[[Page], None]
) -> None:
    """A visit that was called off vanished without a word, the next time somebody loaded a page."""
    today, stop = (enter("installer", phone=True, errors_allowed=True) for _ in range(2))
    for page, path in ((today, "/today/"), (stop, f"/stops/{day['other']}/")):
        page.clock.install()
        page.goto(f"{site.url}{path}")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        go_out(page)
    site.python(
        "from jobs.models import Appointment; from jobs.services.appointments import cancel_appointment;"
        f"one = Appointment.objects.get(pk={day['other']}); cancel_appointment(appointment=one, by=one.created_by)"
    )

    for page in (today, stop):
        page.clock.fast_forward(30_000)

    expect(today.locator("[data-news]")).to_contain_text("off your day")
    expect(stop.locator("[data-news]")).to_be_visible()
    today.click("[data-news] button")
    expect(today.locator("[data-news]")).to_have_count(0)


def test_a_stop_without_signal_is_signed_and_what_is_missing_becomes_a_return(
    site: Site, day: Day, enter: Enter, put_away: Callable[[Page], Page]
) -> None:
    office = enter("dispatcher")
    page = enter("installer", phone=True, errors_allowed=True)  # without signal the browser logs each failed request
    stop = f"stops/{day['visit']}/"
    page.goto(f"{site.url}/load/")
    day_is_kept(page, 4)

    page.context.set_offline(True)
    page.goto(f"{site.url}/stops/{day['visit']}/")
    up, down = (page.locator(f"#unit-{pk}") for pk in day["units"])
    page.get_by_role("button", name="Arrived").click()
    up.get_by_role("button", name="Installed", exact=True).click()
    expect(up.locator(".outcome")).to_contain_text("installed not sent yet")
    up.get_by_role("button", name="Take back").click()
    expect(up.locator(".outcome")).to_contain_text("to do")
    up.get_by_role("button", name="Installed", exact=True).click()
    down.locator("summary", has_text="Not installed").click()
    down.locator("select[name=cause]").select_option("missing_part.hardware")
    down.locator("[name=note]").fill("brackets of another size in the bag")
    down.get_by_role("button", name="Not installed").click()
    expect(down.locator(".outcome")).to_contain_text("not installed not sent yet")

    page = put_away(page)
    page.goto(f"{site.url}/stops/{day['visit']}/")
    expect(page.locator(f"#unit-{day['units'][1]} .outcome")).to_contain_text("not installed not sent yet")
    page.fill("#id_name", "Ellery, the payer")
    pad = page.locator("[data-canvas]")
    pad.scroll_into_view_if_needed()
    box = pad.bounding_box()
    assert box is not None
    for begin, end in (((0.2, 0.7), (0.4, 0.3)), ((0.5, 0.4), (0.8, 0.6))):
        page.mouse.move(box["x"] + box["width"] * begin[0], box["y"] + box["height"] * begin[1])
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * end[0], box["y"] + box["height"] * end[1], steps=5)
        page.mouse.up()
    page.get_by_role("button", name="Keep the sign-off").click()
    expect(page.locator("[data-unsigned]")).to_contain_text("Signed by Ellery, the payer, not sent yet")
    page.get_by_role("button", name="Finish stop").click()
    expect(page.locator("[data-waiting]")).to_contain_text("Stop finished.")
    assert {one["outcome"] for one in api(office, site, stop)["units"]} == {"to_do"}

    page.context.set_offline(False)
    page.evaluate("window.dispatchEvent(new Event('online'))")
    until(lambda: api(office, site, stop)["closed_at"])

    found = api(office, site, stop)
    outcomes = {one["unit"]: (one["outcome"], one["cause"]) for one in found["units"]}
    up, down = day["units"]
    assert outcomes == {up: ("installed", ""), down: ("not_installed", "missing_part.hardware")}
    assert (found["signed_name"], found["state"]) == ("Ellery, the payer", "done")
    (owed,) = api(office, site, "returns/")["results"]
    assert (owed["cause"], owed["state"]) == ("missing_part.hardware", "owed")

    office.goto(f"{site.url}/returns/")
    office.get_by_role("link", name="Returns").click()
    office.get_by_role("link", name=day["codes"][1]).click()
    expect(office.locator("h1")).to_contain_text("missing part")
    office.get_by_role("link", name="not scheduled yet").click()
    expect(office.locator("h1")).to_contain_text("Return")
    expect(office.get_by_role("link", name="Choose a time")).to_be_visible()


@under(1)
def test_a_unit_that_stayed_in_the_yard_is_said_at_its_stop(
    site: Site, day: Day, enter: Enter, go_out: Callable[[Page], None]
) -> None:
    """
    The van left without it, and load and stop still said that it was there.

    What the measurer left for whoever installs, photo and note, is there too: of a stop that was never opened.
    """
    page = enter("installer", phone=True)
    page.goto(f"{site.url}/load/")
    day_is_kept(page, 4)
    go_out(page)
    there, left = day["codes"]
    page.fill("#code", there)
    page.get_by_role("button", name="Check", exact=True).click()
    expect(page.locator("li.on", has_text=there)).to_be_visible()
    page.fill("#reason", "the rod is bent")
    page.get_by_role("button", name="Leave anyway").click()
    page.wait_for_function("document.querySelector('form[data-entry=leave]')?.closest('section').inert !== false")

    page.goto(f"{site.url}/stops/{day['visit']}/")

    missing = page.locator(".caution", has_text="Not on the truck")
    expect(missing).to_contain_text(left)
    expect(missing).to_contain_text("the rod is bent")
    expect(missing).not_to_contain_text(there)
    expect(page.locator(".note")).to_have_text("Measurer: plaster crumbles on the left")
    photo = page.get_by_alt_text("the left jamb")
    photo.scroll_into_view_if_needed()
    until(lambda: photo.evaluate("one => one.naturalWidth") == 40, what="the measurer's photo is shown")


@under(5)
def test_children_and_a_loop_are_asked_about_before_a_stop_is_finished(
    site: Site, day: Day, enter: Enter, go_out: Callable[[Page], None], has_signal_again: Callable[[Page], None]
) -> None:
    """STOP for the measurer, nothing for the installer; what paper has to be ticked was not on the phone."""
    page = enter("installer", phone=True)
    page.goto(f"{site.url}/stops/{day['other']}/")
    day_is_kept(page, 3)
    go_out(page)
    expect(page.locator(".caution[data-children]")).to_contain_text("Children live or visit here")
    page.get_by_role("button", name="Arrived").click()
    page.get_by_role("button", name="Installed", exact=True).click()
    expect(page.locator(".unit .outcome")).to_contain_text("installed")

    page.get_by_role("button", name="Finish stop").click()
    expect(page.locator("[data-waiting]")).to_contain_text("tick that cords are held")
    for asked in ("cords", "shown", "clean"):
        page.check(f"#check-{asked}")
    page.get_by_role("button", name="Finish stop").click()
    expect(page.get_by_role("button", name="Finish stop")).to_have_count(0)
    has_signal_again(page)

    until(lambda: api(page, site, f"stops/{day['other']}/")["closed_at"])


def test_the_pages_of_the_day_look_right(
    site: Site, day: Day, enter: Enter, looks_right: Callable[[Page], None], fits_fingers: Callable[[Page], None]
) -> None:
    for role, paths in (
        ("installer", ["/today/", "/load/", f"/stops/{day['visit']}/"]),
        ("dispatcher", ["/loads/", "/returns/", f"/installs/visits/{day['visit']}/hardware/"]),
        ("owner", ["/figures/", "/hardware/"]),
    ):
        page = enter(role, phone=True)
        for path in paths:
            page.goto(f"{site.url}{path}")
            expect(page.locator("h1")).to_be_visible()
            for size in (DESK, PHONE):
                page.set_viewport_size(size)
                fits_fingers(page) if role == "installer" else looks_right(page)
