"""The install day on a phone: load check, a stop without signal with its signature, a return in dispatch."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.factories import PASSWORD
from tests.servers import Site, until

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SETUP = """
from tests.factories import make_branch, make_user, make_job
from tests.installs.makers import make_crew, make_unit, make_visit, stock_up
import json
branch = make_branch(name="Millrace of installs {n}")
stock_up(branch)
dispatcher = make_user("dispatcher", branch=branch, username="dan{n}")
installer = make_user("installer", branch=branch, username="ida{n}")
owner = make_user("owner", branch=branch, username="oda{n}")
crew = make_crew(branch, installer)
job, later = make_job(branch, by=dispatcher), make_job(branch, by=dispatcher)
units = [make_unit(job), make_unit(job, room="Bath")]
make_unit(later)
visit = make_visit(job, crew, hour=9)
other = make_visit(later, crew, hour=13)
print(json.dumps({{"visit": visit.pk, "other": other.pk, "job": job.number, "codes": [u.code for u in units],
                   "units": [u.pk for u in units]}}))
"""
LOOK = """
from installs.models import Load, ReturnOwed, Stop, StopPhoto, VisitUnit
from jobs.models import Appointment
import json
visit = Appointment.objects.get(pk={visit})
stop = Stop.objects.filter(appointment=visit).first()
print(json.dumps({{
    "outcomes": list(VisitUnit.objects.filter(appointment=visit).order_by("unit").values_list("outcome", "cause")),
    "signed": stop.signed_name if stop else "", "strokes": len(stop.signature) if stop else 0,
    "closed": bool(stop and stop.closed_at), "state": visit.state, "stage": visit.job.stage,
    "owed": list(ReturnOwed.objects.filter(job=visit.job).values_list("cause", "state")),
    "loads": list(Load.objects.filter(crew=visit.crew).values_list("state", "gap_reason")),
}}))
"""
SHELL_IS_KEPT = """
caches.keys()
  .then((names) => Promise.all(names.map(async (name) => (await caches.open(name)).match("/stops/offline/"))))
  .then((found) => found.some(Boolean))
"""
STOPS_KEPT = """
(user) => new Promise((resolve) => {
  const ask = indexedDB.open(`jambwise-stops-${user}`, 1);
  ask.onupgradeneeded = () => ask.result.createObjectStore("pages", { keyPath: "path" });
  ask.onsuccess = () => {
    const rows = ask.result.transaction("pages").objectStore("pages").getAllKeys();
    rows.onsuccess = () => { ask.result.close(); resolve(rows.result.length); };
  };
})
"""
_count = iter(range(1, 100))


@pytest.fixture(scope="module")
def own_site() -> Iterator[Site]:
    """A site without demo data; the tests add their own crews."""
    from tests.servers import start_site

    site = start_site("sqlite", jobs=0, worker=False)
    yield site
    site.stop()


@pytest.fixture
def day(own_site: Site) -> dict[str, Any]:
    """Two stops of today for one crew, the shelf full."""
    number = next(_count)
    made = json.loads(own_site.python(SETUP.format(n=number)))
    return made | {"installer": f"ida{number}", "dispatcher": f"dan{number}", "owner": f"oda{number}"}


def look(site: Site, day: dict[str, Any]) -> dict[str, Any]:
    return json.loads(site.python(LOOK.format(visit=day["visit"])))  # type: ignore[no-any-return]


def sign_in(page: Page, site: Site, name: str) -> None:
    page.goto(f"{site.url}/sign-in/")
    page.fill("[name=username]", name)
    page.fill("[name=password]", PASSWORD)
    page.click("main button")
    expect(page.locator(".me")).to_be_visible()


def test_a_load_is_checked_by_code_by_room_and_by_part_before_it_leaves(
    own_site: Site, day: dict[str, Any], new_page: Callable[..., Page], looks_right: Callable[[Page], None]
) -> None:
    page = new_page(phone=True, errors_allowed=True)  # a refused code answers 422, which the browser logs
    sign_in(page, own_site, day["installer"])
    page.get_by_role("link", name="Load", exact=True).click()
    expect(page.locator(".load-count strong")).to_be_visible()
    looks_right(page)

    page.fill("#code", "WRONGXX")
    page.get_by_role("button", name="Check", exact=True).click()
    expect(page.locator(".message.error")).to_contain_text("read the label again")
    page.fill("#code", day["codes"][0].lower())
    page.get_by_role("button", name="Check", exact=True).click()
    expect(page.locator("li.on", has_text=day["codes"][0])).to_be_visible()
    page.get_by_role("button", name="Take back").click()
    expect(page.locator("li.on")).to_have_count(0)
    for part in ("All of Bath", "All of Kitchen", "All of Kitchen", "All hardware", "All spares"):
        before = page.locator("li.on").count()
        page.get_by_role("button", name=part).first.click()
        expect(page.locator("li.on")).not_to_have_count(before)
    page.get_by_role("button", name="Leave all the same").click()
    expect(page.locator(".message.error")).to_contain_text("Say why it leaves without")
    page.fill("#reason", "tools are in the other van")
    page.get_by_role("button", name="Leave all the same").click()
    expect(page).to_have_url(f"{own_site.url}/my-day/")

    assert look(own_site, day)["loads"] == [["left", "tools are in the other van"]]


def test_a_stop_without_signal_is_signed_and_what_is_missing_becomes_a_return(
    own_site: Site, day: dict[str, Any], new_page: Callable[..., Page]
) -> None:
    page = new_page(phone=True, errors_allowed=True)  # without signal the browser logs each failed request
    sign_in(page, own_site, day["installer"])
    page.goto(f"{own_site.url}/load/")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    user = int(page.locator("[data-user]").first.get_attribute("data-user") or 0)
    until(lambda: page.evaluate(SHELL_IS_KEPT))
    until(lambda: page.evaluate(STOPS_KEPT, user) == 2)

    page.context.set_offline(True)
    page.goto(f"{own_site.url}/stops/{day['visit']}/")
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

    page.close()  # the phone is put away, and taken out again, still without signal
    page = page.context.new_page()
    page.goto(f"{own_site.url}/stops/{day['visit']}/")
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
    page.get_by_role("button", name="Done here").click()
    expect(page.locator("[data-waiting]")).to_contain_text("Done here.")
    assert look(own_site, day)["outcomes"] == [["to_do", ""], ["to_do", ""]]

    page.context.set_offline(False)
    page.evaluate("window.dispatchEvent(new Event('online'))")
    until(lambda: look(own_site, day)["closed"], seconds=30)

    found = look(own_site, day)
    assert found["outcomes"] == [["installed", ""], ["not_installed", "missing_part.hardware"]]
    assert (found["signed"], found["strokes"], found["state"]) == ("Ellery, the payer", 2, "done")
    assert found["owed"] == [["missing_part.hardware", "open"]]

    office = new_page()
    sign_in(office, own_site, day["dispatcher"])
    office.get_by_role("link", name="Returns").click()
    office.get_by_role("link", name=day["codes"][1]).click()
    expect(office.locator("h1")).to_contain_text("missing part")
    office.get_by_role("link", name="not placed yet").click()
    expect(office.locator("h1")).to_contain_text("Return")
    expect(office.get_by_role("link", name="Choose a window")).to_be_visible()


def test_the_pages_of_the_day_look_right(
    own_site: Site, day: dict[str, Any], new_page: Callable[..., Page], looks_right: Callable[[Page], None]
) -> None:
    for name, paths in (
        ("installer", ["/load/", f"/stops/{day['visit']}/"]),
        ("dispatcher", ["/loads/", "/returns/", f"/installs/visits/{day['visit']}/hardware/"]),
        ("owner", ["/figures/", "/hardware/"]),
    ):
        for phone in (True, False):
            page = new_page(phone=phone)
            sign_in(page, own_site, day[name])
            for path in paths:
                page.goto(f"{own_site.url}{path}")
                expect(page.locator("h1")).to_be_visible()
                looks_right(page)
