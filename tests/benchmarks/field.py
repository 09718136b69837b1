"""
The field in a browser: whole days without signal, every condition, how light and quick its pages are.

    python -m tests.benchmarks.field [days|pages|firefox|conditions] [--days 10] [--seed 1] [--quick]

`days`: a measurer's and an installer's day (tests/browser/days.py), each of four stops, the tab killed at five random
places; the office must have everything once. `pages`: bytes over the line, first paint from what the phone keeps at a
quarter of the processor. `firefox`: a short day of each in the system's Firefox (`JAMBWISE_FIREFOX`), its tab closed.
`conditions`: the walks of tests/browser under each of the 24 conditions. Without a name all but `conditions`.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

PARTS = ("days", "pages", "firefox", "conditions")
MOST_BYTES, MOST_PAINT_MS, SLOWER = 120_000, 1_500, 4
STOPS, OPENINGS, KILLS = 4, 3, 5
WALKS = ("tests/browser/test_measuring_offline.py", "tests/browser/test_installs_day.py")


@contextmanager
def chromium(playwright: Any) -> Iterator[Any]:
    from tests.conftest import CHROMIUM, CHROMIUM_ARGS

    browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGS)
    yield browser
    browser.close()


# -- days ----------------------------------------------------------------------------------------------


def days(playwright: Any, site: Any, count: int, seed: int) -> int:
    """How many of so many days of each role did not arrive once."""
    from playwright.sync_api import expect

    from tests.browser import days as walks

    failed = 0
    expect.set_options(timeout=30_000)
    with chromium(playwright) as browser:
        for number in range(count):
            for name, made in (("measurer", walks.measurers_day), ("installer", walks.installers_day)):
                began = time.monotonic()
                day = made(site, stops=STOPS, openings=OPENINGS)
                context = browser.new_context(viewport={"width": 390, "height": 664}, has_touch=True, is_mobile=True)
                page = context.new_page()
                walks.kept_on_the_phone(day, page)
                context.set_offline(True)
                kills = walks.places(day, random.Random(f"{seed} {number} {name}"), KILLS)
                page = walks.walk(day, page, kills, walks.crashed)
                context.set_offline(False)
                faults = walks.arrived(day, page)
                context.close()
                failed += bool(faults)
                print(
                    f"{name}, day {number}: {len(day.steps)} taps, killed after {kills}, {day.again} tapped again, "
                    f"{time.monotonic() - began:.0f} s: {faults or 'all once'}",
                    flush=True,
                )
    print(f"days: {2 * count}, of {STOPS} stops, {OPENINGS} openings or units each: {failed} not once")
    return failed


# -- pages ---------------------------------------------------------------------------------------------

BYTES = """
() => {
  const sum = (rows) => rows.reduce((bytes, one) => bytes + one.encodedBodySize, 0);
  const rows = performance.getEntriesByType("resource"), isFile = (one) => /\\.\\w+$/.test(new URL(one.name).pathname);
  const own = [performance.getEntriesByType("navigation")[0], ...rows.filter(isFile)];
  return [sum(own), sum(rows.filter((one) => !isFile(one)))];
}
"""
"""What the page and its files are over the line, and what it takes along of the day: other pages, and data."""
PAINT = """
() => new Promise((told) => {
  const found = () => performance.getEntriesByName("first-contentful-paint")[0]?.startTime;
  const look = () => (found() === undefined ? requestAnimationFrame(look) : told(found()));
  look();
})
"""


def pages(playwright: Any, site: Any, rounds: int) -> int:
    """How many field pages are heavier, or painted later, than they may be."""
    from tests.browser import days as walks

    failed = 0
    with chromium(playwright) as browser:
        for made in (walks.measurers_day, walks.installers_day):
            day = made(site, stops=STOPS, openings=OPENINGS)
            own = f"/measure/{day.visits[0]}/" if made is walks.measurers_day else f"/stops/{day.visits[0]}/"
            paths = ["/today/", "/measure/", own] if made is walks.measurers_day else ["/today/", "/load/", own]
            for path in paths:
                context = browser.new_context(viewport={"width": 390, "height": 664}, has_touch=True, is_mobile=True)
                page = context.new_page()
                context.add_cookies([{"name": "sessionid", "value": day.session, "url": site.url}])
                page.goto(f"{site.url}{path}")
                page.wait_for_load_state("networkidle")
                size, along = page.evaluate(BYTES)
                walks.kept_on_the_phone(day, page)
                context.set_offline(True)
                page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
                painted = []
                for _ in range(rounds):
                    page.goto(f"{site.url}{path}")
                    painted.append(page.evaluate(PAINT))
                context.close()
                bad = size > MOST_BYTES or max(painted) > MOST_PAINT_MS
                failed += bad
                usual, said = sorted(painted)[len(painted) // 2], " TOO MUCH" if bad else ""
                shown = f"first paint from the cache {usual:.0f} ms, at most {max(painted):.0f} ms"
                print(f"{path}: {size / 1000:.0f} kB ({along / 1000:.0f} kB of the day), {shown}{said}", flush=True)
    return failed


# -- Firefox -------------------------------------------------------------------------------------------


UNKNOWN_IS_DONE = """
const parse = JSON.parse;
JSON.parse = (text, revive) => {
  const said = parse(text, revive);
  const isUnknown = said?.error === "unknown command" && said.message.includes("setMediaFeaturesOverride");
  return isUnknown ? { type: "success", id: said.id, result: {} } : said;
};
"""
"""Playwright sets a preferred colour scheme on every page; Firefox 153 does not have that command, and needs none."""


def firefox(site: Any, seed: int) -> int:
    """A short day of each role in the system's own Firefox, without signal, its tab closed twice."""
    with tempfile.NamedTemporaryFile("w", suffix=".cjs") as patch:
        patch.write(UNKNOWN_IS_DONE)
        patch.flush()
        os.environ["NODE_OPTIONS"] = f"--require {patch.name}"
        from playwright.sync_api import sync_playwright

        with sync_playwright() as playwright:
            return walked_in_firefox(playwright, site, seed)


def walked_in_firefox(playwright: Any, site: Any, seed: int) -> int:
    from playwright.sync_api import expect

    from tests.browser import days as walks
    from tests.browser.conditions import Line

    program = os.environ.get("JAMBWISE_FIREFOX") or shutil.which("firefox-esr") or shutil.which("firefox")
    if program is None:
        print("firefox: none is installed (apt-get install firefox-esr), nothing was walked")
        return 0
    line, failed = Line(), 0
    host, _, port = line.address.partition(":")
    over = {
        "network.proxy.type": 1, "network.proxy.http": host, "network.proxy.http_port": int(port),
        "network.proxy.allow_hijacking_localhost": True, "network.proxy.no_proxies_on": "",
    }  # fmt: skip
    browser = playwright.firefox.launch(channel="moz-firefox", executable_path=program, firefox_user_prefs=over)
    expect.set_options(timeout=30_000)

    def closed(page: Any) -> Any:
        context = page.context
        page.close()
        return context.new_page()

    for name, made in (("measurer", walks.measurers_day), ("installer", walks.installers_day)):
        day = made(site, stops=1, openings=1 if name == "measurer" else 2)
        context = browser.new_context(viewport={"width": 390, "height": 664})
        page = context.new_page()
        line.is_cut = False
        walks.kept_on_the_phone(day, page)
        line.cut()
        page = walks.walk(day, page, walks.places(day, random.Random(f"{seed} {name}"), 2), closed)
        line.is_cut = False
        faults = walks.arrived(day, page)
        failed += bool(faults)
        print(f"firefox {browser.version}, {name}: {len(day.steps)} taps: {faults or 'all once'}", flush=True)
        context.close()
    browser.close()
    line.stop()
    return failed


# -- conditions ----------------------------------------------------------------------------------------


def conditions(chosen: str) -> int:
    """The walks that say what they run under, each under all there are."""
    env = {**os.environ, "JAMBWISE_FIELD": "all"}
    argv = [sys.executable, "-m", "pytest", *WALKS, "-k", chosen or "cpu", "-p", "no:cacheprovider"]
    return subprocess.run(argv, env=env, check=False).returncode


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("part", nargs="?", choices=PARTS)
    parser.add_argument("--days", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="which of the walks or conditions, as pytest's -k")
    parser.add_argument("--quick", action="store_true", help="one day of each")
    asked = parser.parse_args()
    if asked.part == "conditions":
        return conditions(asked.only)
    from playwright.sync_api import sync_playwright

    from tests.servers import start_site

    site, failed = start_site("sqlite", jobs=0, worker=False), 0
    try:
        with sync_playwright() as playwright:
            if asked.part in (None, "days"):
                failed += days(playwright, site, 1 if asked.quick else asked.days, asked.seed)
            if asked.part in (None, "pages"):
                failed += pages(playwright, site, 3 if asked.quick else 9)
        if asked.part in (None, "firefox"):
            failed += firefox(site, asked.seed)
    finally:
        site.stop()
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
