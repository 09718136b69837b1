"""
A firm's first job, walked in one go: what ``./run serve`` ends in on an empty database, set-up, booking, measuring,
approval, stock, batch, cutting, installing. Two people: an owner who runs office and workroom at a desk, and somebody
with a phone who measures and installs.

``python -m tests.benchmarks.first_job``: a click is a press, a tick or a choice; a keystroke is a character typed
(Tab and Enter are not counted); an address is one that the walk opens by itself where a person would follow a link or
a list. ``--out FILE`` writes the table there, ``--pictures FOLDER`` a picture of each step's last page.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import expect, sync_playwright

from tests.conftest import CHROMIUM, CHROMIUM_ARGS, DESK, PHONE
from tests.servers import ROOT, free_port, launch

READINGS = {
    "widths.top": "35 3/8", "widths.middle": "35 3/8", "widths.bottom": "35 1/4", "heights.left": "60",
    "heights.center": "60 1/8", "heights.right": "60", "depth": "3 1/4",
}  # fmt: skip


@dataclass
class Hand:
    """One person at one page: what they press and type is counted."""

    page: Any
    url: str
    clicks: int = 0
    keys: int = 0
    addresses: int = 0

    def open(self, path: str) -> None:
        answer = self.page.goto(f"{self.url}{path}")
        assert answer.status == 200, f"{path}: {answer.status}"
        self.addresses += 1

    def press(self, name: str | re.Pattern[str], role: str = "button", within: Any = None) -> None:
        (within or self.page).get_by_role(role, name=name, exact=isinstance(name, str)).first.click()
        self.clicks += 1

    def type(self, label: str, text: str, *, exact: bool = True) -> None:
        self.page.get_by_label(label, exact=exact).first.fill(text)
        self.keys += len(text)

    def fill(self, box: Any, text: str) -> None:
        box.fill(text)
        self.keys += len(text)

    def tick(self, label: str | re.Pattern[str]) -> None:
        self.page.get_by_label(label).first.check()
        self.clicks += 1

    def choose(self, label: str, option: str, within: Any = None) -> None:
        (within or self.page).get_by_label(label, exact=True).first.select_option(label=option)
        self.clicks += 2

    def pick(self, select: Any, value: str) -> None:
        select.select_option(value)
        self.clicks += 2


@dataclass
class Walk:
    """Both hands, the site's own shell, and what each step took."""

    desk: Hand
    phone: Hand
    data: Path
    pictures: Path | None = None
    steps: list[tuple[str, int, int, int, float]] = field(default_factory=list)
    begun: float = field(default_factory=time.monotonic)
    before: tuple[int, int, int] = (0, 0, 0)

    def counted(self) -> tuple[int, int, int]:
        hands = (self.desk, self.phone)
        return sum(h.clicks for h in hands), sum(h.keys for h in hands), sum(h.addresses for h in hands)

    def done(self, name: str, hand: Hand) -> None:
        """A step is over: what it took."""
        now, clock = self.counted(), time.monotonic()
        took = [new - old for new, old in zip(now, self.before, strict=True)]
        self.steps.append((name, took[0], took[1], took[2], clock - self.begun))
        self.before, self.begun = now, clock
        print(
            f"{name}: {took[0]} clicks, {took[1]} keystrokes, {took[2]} addresses, {self.steps[-1][4]:.1f} s",
            flush=True,
        )
        if self.pictures is not None:
            hand.page.screenshot(path=self.pictures / f"{len(self.steps)}.png", full_page=True)

    def field(self, model: str, name: str, **where: Any) -> str:
        """One value from the site's own database, to address pages by."""
        app, label = model.split(".")
        rows = f"apps.get_model('{app}', '{label}').objects.filter(**{where!r}).order_by('-pk')"
        code = f"from django.apps import apps; print({rows}.values_list('{name}', flat=True)[0])"
        asked = [sys.executable, "manage.py", "shell", "-v0", "-c", code]
        env = {**os.environ, "JAMBWISE_DATA": str(self.data), "JAMBWISE_ENV": ""}
        found = subprocess.run(asked, cwd=ROOT, env=env, capture_output=True, text=True, check=True)
        return found.stdout.strip()


@contextmanager
def served() -> Iterator[tuple[str, str, Path]]:
    """What ``./run serve`` ends in, on an empty folder: its address, the one-time code, the folder."""
    with tempfile.TemporaryDirectory(prefix="jw-first-") as folder:
        port = free_port()
        env = {
            **os.environ, "JAMBWISE_DATA": folder, "JAMBWISE_ENV": "", "JAMBWISE_DEBUG": "off",
            "JAMBWISE_PORT": str(port), "DJANGO_SETTINGS_MODULE": "shared.settings",
        }  # fmt: skip
        subprocess.run([sys.executable, "manage.py", "make_ready"], cwd=ROOT, env=env, check=True, capture_output=True)
        told = Path(folder) / "told.txt"
        with told.open("wb") as out:
            argv = [sys.executable, "-m", "shared.serve", "--firm", "--port", str(port)]
            site = launch(argv, cwd=ROOT, env=env, stdout=out)
        try:
            code = None
            deadline = time.monotonic() + 120
            while code is None and time.monotonic() < deadline:
                code = re.search(r"One-time code: (\S+)", told.read_text())
                time.sleep(0.1)
            assert code is not None, told.read_text()
            yield f"http://localhost:{port}", code[1], Path(folder)
        finally:
            site.terminate()
            site.wait(timeout=60)


def main() -> int:
    """Walk, then the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--pictures", type=Path)
    chosen = parser.parse_args()
    if CHROMIUM is None:
        print("skipped: no Chromium is installed")
        return 0
    expect.set_options(timeout=60_000)
    with served() as (url, code, data), sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGS)
        desk = browser.new_context(viewport=DESK, locale="en-US").new_page()
        phone = browser.new_context(viewport=PHONE, locale="en-US", has_touch=True, is_mobile=True).new_page()
        for page in (desk, phone):
            page.set_default_timeout(60_000)
        walk = Walk(Hand(desk, url), Hand(phone, url), data, chosen.pictures)
        for step in (set_up, people, products, book, measure, approve, receive, make, schedule, install):
            step(walk, code)
        browser.close()
    total = [sum(int(row[at]) for row in walk.steps) for at in (1, 2, 3)]
    lines = ["| step | clicks | keystrokes | addresses | s |", "| --- | --- | --- | --- | --- |"]
    lines += [f"| {name} | {c} | {k} | {a} | {s:.1f} |" for name, c, k, a, s in walk.steps]
    lines += [f"| together | {total[0]} | {total[1]} | {total[2]} | {sum(row[4] for row in walk.steps):.1f} |"]
    print("\n".join(lines))
    if chosen.out:
        chosen.out.write_text("\n".join(lines) + "\n")
    return 0


def set_up(walk: Walk, code: str) -> None:
    """The code from the terminal, the firm, its branch, the owner."""
    hand = walk.desk
    hand.open("/")
    hand.type("One-time code", code)
    hand.press("Start")
    hand.type("Name of the firm", "Weir & Daughters")
    hand.press("Save and go on")
    hand.type("Address", "9 Weir Street\nLarkmere 00311")
    hand.type("Place on the map", "41.6180, -91.8720")
    hand.choose("Time zone", "America/Chicago")
    hand.press("Save and go on")
    hand.type("Name", "Olive Orr")
    hand.type("Username", "olive")
    hand.type("Password", "ten brown sills")
    hand.tick("dispatcher")
    hand.tick("workroom")
    hand.press("Save and go on")
    hand.type("Crew", "Una's crew")
    hand.press("Save and go on")
    walk.done("set up firm, branch, owner, crew", hand)


def people(walk: Walk, code: str) -> None:
    """Somebody who measures and installs, with a code for their phone."""
    hand, phone = walk.desk, walk.phone
    hand.open("/setup/people/")
    hand.type("Name", "Una Reed")
    hand.tick("measurer")
    hand.tick("installer")
    hand.choose("Drives with", "Una's crew")
    hand.press("Add and make a code")
    secret = str(hand.page.locator(".secret-code").inner_text())
    hand.press("Done", "link")
    hand.press("That is everybody", "link")
    phone.open("/join/")
    phone.type("One-time code", secret)
    phone.press("Go on")
    phone.type("Password", "nine oak doors")
    phone.press("Sign in")
    phone.page.wait_for_url(lambda address: "/join/" not in address)
    walk.done("one more person, on their phone", hand)


def products(walk: Walk, code: str) -> None:
    """One product under the firm's own name."""
    hand = walk.desk
    hand.tick("Take Wren open roller")
    hand.type("Your name for Wren open roller", "Everyday roller")
    hand.press("Save and go on")
    expect(hand.page.get_by_text("You can book your first job")).to_be_visible()
    walk.done("a product", hand)


def book(walk: Walk, code: str) -> None:
    """The first call, to a promised time."""
    hand = walk.desk
    hand.press(re.compile("book your first job"), "link")
    hand.type("Name", "Wilhelmina Overbury")
    hand.type("Phone", "555-0142")
    hand.type("Street", "4 Plover Close")
    hand.type("Town", "Larkmere")
    hand.type("Openings", "1")
    hand.press("Show times")
    offer = hand.page.locator(".offer:not(.risky)").first
    offer.wait_for()
    offer.locator("input").check()
    hand.clicks += 1
    hand.press("Book")
    hand.page.wait_for_url(re.compile(r"/visits/\d+/$"))
    hand.press("Promise it")
    expect(hand.page.locator(".state").first).to_have_text("promised")
    walk.done("first call to a promised time", hand)


def measure(walk: Walk, code: str) -> None:
    """One inside-mount roller, read and closed out."""
    hand = walk.phone
    visit = walk.field("jobs.Appointment", "pk")
    hand.open(f"/measure/{visit}/")
    hand.press("Begin to measure")
    hand.type("room", "Study")
    hand.press("Add the room")
    opening = walk.field("measuring.Opening", "pk")
    hand.open(f"/openings/{opening}/")
    facts = hand.page.get_by_role("region", name="Product and mount")
    hand.choose("Product", "Everyday roller", facts)
    hand.choose("Mount", "inside mount", facts)
    hand.choose("Substrate", "wood", facts)
    hand.press("Keep", within=facts)
    for spot, typed in READINGS.items():
        hand.fill(hand.page.locator(f"form.readings input[name='{spot}:1']"), typed)
    hand.fill(hand.page.locator("form.readings input[name='widths.top:2']"), READINGS["widths.top"])
    hand.press("Keep the readings")
    expect(hand.page.locator(".size-block").first).to_contain_text("35")
    options = hand.page.get_by_role("region", name="Options")
    for select in options.locator("select").all():
        values = [option.get_attribute("value") for option in select.locator("option").all()]
        wanted = next((value for value in ("spring", "right", "standard") if value in values), None)
        hand.pick(select, wanted or next(value for value in values if value))
    hand.press("Keep", within=options)
    hand.open(f"/measure/{visit}/close/")
    hand.press("Close out the visit")
    expect(hand.page.get_by_text(re.compile("closed out")).first).to_be_visible()
    walk.done("measured and closed out", hand)


def approve(walk: Walk, code: str) -> None:
    """The customer's yes, and the release."""
    hand = walk.desk
    hand.open(f"/jobs/{walk.field('jobs.Job', 'pk')}/sizes/")
    hand.type("Who said yes", "Wilhelmina Overbury", exact=False)
    hand.press("Record the approval")
    hand.press("Release what is ticked")
    expect(hand.page.locator("table.sizes .state").first).to_have_text("released")
    walk.done("approved and released", hand)


def receive(walk: Walk, code: str) -> None:
    """What the first unit needs comes onto the shelf, as the buying page says it is short."""
    hand = walk.desk
    hand.open("/workroom/buying/")
    rows = hand.page.locator("form[action$='/buying/stock/'] tbody tr").all()
    short = [
        (
            row.locator("input[name=material]").get_attribute("value"),
            *(_value(row, name) for name in ("quantity", "length", "width")),
        )
        for row in rows
    ]
    assert short, "the first unit needs something that nobody bought yet"
    for material, quantity, length, width in short:
        hand.open("/workroom/stock/receive/")
        hand.pick(hand.page.locator("select[name=material]"), material)
        hand.fill(hand.page.locator("input[name=quantity]"), quantity or "1")
        if length:
            hand.fill(hand.page.locator("input[name=length]"), length)
            hand.pick(hand.page.locator("select[name=length_in]"), "in")
        if width:
            hand.fill(hand.page.locator("input[name=width]"), width)
        hand.press("Receive")
        sure = hand.page.locator("input[name=sure]")
        if sure.count():
            sure.check()
            hand.clicks += 1
            hand.press("Receive")
    walk.done(f"{len(short)} materials onto the shelf", hand)


def _value(row: Any, name: str) -> str:
    box = row.locator(f"input[name$={name}]")
    return str(box.first.input_value()) if box.count() else ""


def make(walk: Walk, code: str) -> None:
    """One batch: planned, cut, pulled, assembled, checked."""
    hand, unit = walk.desk, walk.field("measuring.Unit", "code")
    hand.open("/workroom/batches/")
    if not hand.page.get_by_label(unit).is_checked():
        hand.tick(unit)
    hand.press(re.compile("Open a batch of these"))
    hand.press(re.compile("Plan the cuts"))
    batch = hand.page.url
    expect(hand.page.get_by_text("least material (proven)").first).to_be_visible(timeout=120_000)
    addresses = dict.fromkeys(re.findall(r'href="(/workroom/cutting/\d+/)"', hand.page.request.get(batch).text()))
    for address in addresses:
        hand.open(address)
        while hand.page.locator(".action.at-saw").count():
            hand.page.locator(".action.at-saw").click()
            hand.clicks += 1
        expect(hand.page.get_by_text("All of this material is cut.")).to_be_visible()
    hand.open(batch.removeprefix(hand.url))
    hand.press(re.compile("Pull list"), "link")
    pulled = hand.page.get_by_role("button", name="Pulled")
    for left in range(pulled.count(), 0, -1):
        pulled.first.click()
        hand.clicks += 1
        expect(pulled).to_have_count(left - 1)
    hand.open("/workroom/checking/")
    hand.press(unit, "link")
    hand.press("All done")
    hand.type("Width", "35 1/4", exact=False)
    hand.type("Height", "60", exact=False)
    hand.press("Record the check")
    expect(hand.page.get_by_text(f"{unit} is made.")).to_be_visible()
    walk.done("batched, cut, made, checked", hand)


def schedule(walk: Walk, code: str) -> None:
    """An install visit with a promised time."""
    hand = walk.desk
    hand.open(f"/jobs/{walk.field('jobs.Job', 'pk')}/")
    panel = hand.page.get_by_role("region", name="Install", exact=True)
    hand.press(re.compile("install"), within=panel)
    hand.page.wait_for_load_state()
    visit = walk.field("jobs.Appointment", "pk", purpose="install")
    hand.open(f"/visits/{visit}/windows/")
    offer = hand.page.locator(".offer:not(.risky)").first
    offer.wait_for()
    offer.locator("input").check()
    hand.clicks += 1
    hand.press(re.compile("Hold|Take"))
    hand.open(f"/visits/{visit}/")
    if hand.page.get_by_role("button", name="Promise it").count():
        hand.press(re.compile("Promise it"))
    expect(hand.page.locator(".state").first).to_have_text("promised")
    walk.done("install promised", hand)


def install(walk: Walk, code: str) -> None:
    """Hung, signed, done: the job is closed."""
    hand = walk.phone
    hand.open(f"/stops/{walk.field('jobs.Appointment', 'pk', purpose='install')}/")
    hand.press("Arrived")
    hand.press(re.compile("All 1 installed"))
    expect(hand.page.locator("article.unit .state")).to_have_text("installed")
    hand.type("Or nobody home: left with", "the neighbour")
    hand.press("Keep the sign-off")
    expect(hand.page.get_by_text("Nobody home; left with the neighbour")).to_be_visible()
    hand.press("Finish stop")
    expect(hand.page.locator("main .state").first).to_have_text("done")
    walk.desk.open(f"/jobs/{walk.field('jobs.Job', 'pk')}/")
    expect(walk.desk.page.locator(".stages [aria-current=step]")).to_have_text("closed")
    walk.done("installed, job closed", hand)


if __name__ == "__main__":
    sys.exit(main())
