"""
The bench under real workers and real browsers, one of them killed: no piece cut twice, stock exact.

The browsers meet a site on SQLite, or on PostgreSQL where JAMBWISE_TEST_DATABASE says so.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from fabrication.models import Batch, CutPlan, Part, PlannedCut, StockItem
from fabrication.services.batches import open_batch
from fabrication.services.planning import plan_batch
from shared.models import Branch, Run, User
from tests import servers
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.servers import Site, Worker

MATERIALS = 3
UNITS = 8


@pytest.fixture
def batch(transactional_db: None, branch: Branch, workroom: User) -> Batch:
    """Eight units with a part of each of three bar materials; ten bars of each in stock."""
    bars = [make_material(branch) for _ in range(MATERIALS)]
    for bar in bars:
        make_stock(bar)
    makes = [make_made_unit(branch, workroom) for _ in range(UNITS)]
    for place, make in enumerate(makes):
        for number, bar in enumerate(bars):
            make_part(make, bar, f"{31 + place * 3 + number} 1/4")
    return open_batch(branch=branch, makes=[make.pk for make in makes], by=workroom)


@pytest.mark.worker
@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_a_killed_worker_leaves_every_plan_there_once_and_stock_exact(
    batch: Batch, workroom: User, new_worker: Callable[..., Worker]
) -> None:
    """Workers on one batch's plans; ``kill -9`` of one as soon as it solves, two more take over."""
    quick = {"RUN_LEASE_SECONDS": "2"}
    doomed = new_worker(env=quick)
    runs = plan_batch(batch=batch, by=workroom, seconds=2)
    keys = [run.pk for run in runs]
    under_way = Run.objects.filter(pk__in=keys, state=Run.State.UNDER_WAY)
    servers.until(under_way.exists, what="a plan is being solved")

    doomed.kill()
    heirs = new_worker(env=quick, processes=2, beat=True)

    done = Run.objects.filter(pk__in=keys, state=Run.State.DONE)
    servers.until(lambda: done.count() == MATERIALS, seconds=180, what="every plan is there")
    heirs.kill()
    assert Run.objects.filter(pk__in=keys, attempts__gt=1).exists()
    assert Counter(CutPlan.objects.values_list("state", flat=True)) == {"ready": MATERIALS}
    assert CutPlan.objects.filter(unplaced=[]).count() == MATERIALS
    placed = Counter(piece["part"] for cut in PlannedCut.objects.all() for piece in cut.pieces)
    assert placed == Counter(dict.fromkeys(Part.objects.values_list("pk", flat=True), 1))
    for item in StockItem.objects.all():
        assert item.reserved == PlannedCut.objects.filter(item=item).count()


PREPARE = """
import json
from django.test import Client
from fabrication.models import CutPlan
from fabrication.services.batches import open_batch
from fabrication.services.planning import plan_batch
from shared import runs
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.factories import make_branch, make_user
branch = make_branch()
people = [make_user("workroom", branch=branch) for _ in range(3)]
bar = make_material(branch)
make_stock(bar, quantity=20)
makes = [make_made_unit(branch, people[0]) for _ in range(5)]
for place, make in enumerate(makes):
    make_part(make, bar, f"{60 + place} 1/4", quantity=2)
batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=people[0])
[run] = plan_batch(batch=batch, by=people[0], seconds=3)
assert runs.perform(run.pk) == "done"
keys = []
for person in people:
    client = Client()
    client.force_login(person)
    keys.append(client.cookies["sessionid"].value)
plan = CutPlan.objects.get()
print(json.dumps({"plan": plan.pk, "cuts": plan.cuts.count(), "keys": keys}))
"""

BOOKS = """
import json
from fabrication.models import Part, PlannedCut, StockItem, StockMove
bars = StockItem.objects.get(is_offcut=False)
taken = [move.change for move in StockMove.objects.filter(item=bars)]
offcuts = StockItem.objects.filter(is_offcut=True, quantity=1).count()
print(json.dumps({
    "bars": bars.quantity, "reserved": bars.reserved, "taken": taken,
    "cuts": PlannedCut.objects.filter(state="cut").count(),
    "kept": PlannedCut.objects.filter(keeps_offcut=True).count(),
    "offcuts": offcuts, "done": [[part.done, part.quantity] for part in Part.objects.all()],
}))
"""


def said(site: Site, code: str) -> Any:
    return json.loads(site.python(code).strip().splitlines()[-1])


@pytest.mark.browser
@pytest.mark.slow
def test_three_screens_tapping_the_same_cuts_book_each_once(
    new_site: Callable[..., Site], new_page: Callable[..., Any]
) -> None:
    """Three people, one plan, every tap sent by all three before any page has answered."""
    site = new_site(os.environ.get("JAMBWISE_TEST_DATABASE", "sqlite"), worker=False)
    made = said(site, PREPARE)
    pages: list[Page] = [new_page() for _ in made["keys"]]
    for page, key in zip(pages, made["keys"], strict=True):
        page.context.add_cookies([{"name": "sessionid", "value": key, "url": site.url}])
        page.goto(f"{site.url}/workroom/cutting/{made['plan']}/")

    for number in range(1, made["cuts"] + 1):
        for page in pages:
            expect(page.get_by_role("heading", name=f"Next: {number} of {made['cuts']}")).to_be_visible()
        with ExitStack() as answers:
            for page in pages:
                answers.enter_context(page.expect_navigation())
            for page in pages:
                page.locator(".deed.at-saw").dispatch_event("click")
    for page in pages:
        expect(page.get_by_text("All of this material is cut.")).to_be_visible()

    books = said(site, BOOKS)
    assert books["cuts"] == made["cuts"] > 2
    assert books["bars"] == 20 - books["cuts"]
    assert books["taken"] == [-1] * books["cuts"]
    assert books["reserved"] == 0
    assert books["offcuts"] == books["kept"]
    assert all(done == quantity for done, quantity in books["done"])
