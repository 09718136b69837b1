"""
One batch under real workers and real browsers, a worker killed: no piece cut twice, stock exact.

The site and its database are the test's own, on SQLite and on PostgreSQL where it is installed.
"""

from __future__ import annotations

import json
import os
import re
import signal
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests import servers
from tests.servers import Site, Worker

PREPARE = """
import json
from django.test import Client
from fabrication.models import StockItem
from fabrication.services.batches import open_batch
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.factories import make_branch, make_user
branch = make_branch()
people = [make_user("workroom", branch=branch) for _ in range(3)]
makes = [make_made_unit(branch, people[0]) for _ in range(3)]
bars = []
for inches in (60, 52, 44):  # of bars of 192: three and three, the same with offcuts, four and two
    bar = make_material(branch)
    bars.append(bar.name)
    make_stock(bar)
    for more, make in enumerate(makes):
        make_part(make, bar, f"{inches + more} 1/4", quantity=2)
batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=people[0])
keys = []
for person in people:
    client = Client()
    client.force_login(person)
    keys.append(client.cookies["sessionid"].value)
print(json.dumps({"batch": batch.pk, "materials": bars, "keys": keys}))
"""

UNDER_WAY = """
from shared.models import Run
print(Run.objects.filter(state=Run.State.UNDER_WAY).count())
"""

BOOKS = """
import json
from collections import Counter
from fabrication.models import CutPlan, Material, Part, PlannedCut, StockItem
from shared.models import Run
from tests.fabrication.test_conservation import cut_into_parts, in_stock, spent_otherwise
bars, offcuts = StockItem.objects.filter(is_offcut=False), StockItem.objects.filter(is_offcut=True)
cuts, parts = PlannedCut.objects.all(), Part.objects.all()
print(json.dumps({
    "attempts": max(Run.objects.values_list("attempts", flat=True)),
    "plans": list(CutPlan.objects.values_list("state", "unplaced")),
    "states": [cut.state for cut in cuts],
    "pieces": Counter(piece["part"] for cut in cuts for piece in cut.pieces),
    "done": {part.pk: part.done for part in parts},
    "wanted": {part.pk: part.quantity for part in parts},
    "bars": [[bar.quantity, bar.reserved, [move.change for move in bar.moves.all()]] for bar in bars],
    "offcuts": [offcut.quantity for offcut in offcuts],
    "kept": cuts.filter(keeps_offcut=True).count(),
    "ticks": [in_stock(bar) + cut_into_parts(bar) + spent_otherwise(bar, 0) for bar in Material.objects.all()],
    "ticks_before": [10 * bar.length.ticks for bar in bars],
}))
"""


@pytest.fixture(params=["sqlite", "postgresql"])
def site(request: pytest.FixtureRequest, new_site: Callable[..., Site]) -> Site:
    """A site without workers, where a dead worker's run is free again after two seconds."""
    return new_site(request.param, worker=False, RUN_LEASE_SECONDS="2")


@pytest.fixture
def doomed(site: Site) -> Worker:
    """The worker to be killed; another, with the clock, works beside it to the end."""
    site.worker = Worker(site.env, beat=True).start()
    return Worker(site.env).start()


@pytest.mark.browser
@pytest.mark.worker
@pytest.mark.slow
def test_two_workers_and_three_screens_book_each_piece_once_though_one_worker_is_killed(
    site: Site, doomed: Worker, new_page: Callable[..., Any]
) -> None:
    """Each material is cut as soon as its plan is there, all three screens tapping at the same pieces."""
    made = said(site, PREPARE)
    screens = [signed_in(new_page(), site, key) for key in made["keys"]]
    watch = screens[0].context.new_page()
    watch.goto(f"{site.url}/workroom/batches/{made['batch']}/")
    with held_still(site.worker):  # or it plans all three while the other is looked at
        watch.get_by_role("button", name="Plan the cuts", exact=True).click()
        servers.until(lambda: killed_while_it_plans(site, doomed), what="the worker to be killed plans")

    uncut = set(made["materials"])
    while uncut:
        ready = watch.get_by_role("link", name=re.compile("|".join(uncut))).first
        expect(ready).to_be_visible(timeout=120_000)
        plan = ready.get_attribute("href")
        for screen in screens:
            screen.goto(f"{site.url}{plan}")
        uncut.remove(screens[0].get_by_role("heading", level=1).inner_text())
        cut_together(screens)

    assert_books_are_right(said(site, BOOKS))


def said(site: Site, code: str) -> Any:
    return json.loads(site.python(code).strip().splitlines()[-1])


def signed_in(page: Page, site: Site, key: str) -> Page:
    page.context.add_cookies([{"name": "sessionid", "value": key, "url": site.url}])
    return page


@contextmanager
def held_still(worker: Worker | None) -> Iterator[None]:
    """The worker with all that it started does nothing meanwhile."""
    assert worker is not None
    assert worker.process is not None
    os.killpg(worker.process.pid, signal.SIGSTOP)
    yield
    if worker.process.poll() is None:
        os.killpg(worker.process.pid, signal.SIGCONT)


def killed_while_it_plans(site: Site, doomed: Worker) -> bool:
    """Kills the worker if it has a plan in hand; it is held still for the look, so that it stays so."""
    with held_still(doomed):
        planning = said(site, UNDER_WAY) == 1
        if planning:
            doomed.kill()
    return planning


def cut_together(screens: list[Page]) -> None:
    """Both bars of a plan: one piece, then the rest."""
    for bar in (1, 2):
        tap_together(screens, f"Next: {bar} of 2", ".tap >> nth=0")
        tap_together(screens, f"Under way: {bar} of 2", ".action.at-saw")
    for screen in screens:
        expect(screen.get_by_text("All of this material is cut.")).to_be_visible()


def tap_together(screens: list[Page], heading: str, button: str) -> None:
    """The same tap on every screen, all sent before any of them has its answer."""
    for screen in screens:
        expect(screen.get_by_role("heading", name=heading)).to_be_visible()
    with ExitStack() as answers:
        for screen in screens:
            answers.enter_context(screen.expect_navigation())
        for screen in screens:
            screen.locator(button).dispatch_event("click")


def assert_books_are_right(books: dict[str, Any]) -> None:
    assert books["attempts"] > 1, "the killed worker's plan was taken up again"
    assert books["plans"] == [["ready", []]] * 3
    assert books["states"] == ["cut"] * 6
    assert books["pieces"] == books["done"] == books["wanted"]
    assert books["bars"] == [[8, 0, [-1, -1]]] * 3
    assert books["offcuts"] == [1] * books["kept"] != []
    assert books["ticks"] == books["ticks_before"]
