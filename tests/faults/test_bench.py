"""The bench under real workers and real browsers, one of them killed: no piece cut twice, stock exact."""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from fabrication.models import Batch, CutPlan, Part, PlannedCut, StockItem
from fabrication.services.batches import open_batch
from fabrication.services.planning import plan_batch
from shared.models import Branch, Run, User
from tests import servers
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.factories import PASSWORD
from tests.servers import Site, Worker

MATERIALS = 5
UNITS = 12


@pytest.fixture
def batch(transactional_db: None, branch: Branch, workroom: User) -> Batch:
    """Twelve units with a part of each of five bar materials; ten bars of each in stock."""
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
    """Two workers on one batch's plans; ``kill -9`` of one as soon as it solves."""
    quick = {"RUN_LEASE_SECONDS": "3"}
    doomed = new_worker(env=quick)
    runs = plan_batch(batch=batch, by=workroom, seconds=2)
    keys = [run.pk for run in runs]
    under_way = Run.objects.filter(pk__in=keys, state=Run.State.UNDER_WAY)
    servers.until(under_way.exists, seconds=40, what="a plan is being solved")

    doomed.kill()
    new_worker(env=quick)
    new_worker(env=quick, beat=True)

    done = Run.objects.filter(pk__in=keys, state=Run.State.DONE)
    servers.until(lambda: done.count() == MATERIALS, seconds=180, what="every plan is there")
    assert Run.objects.filter(pk__in=keys, attempts__gt=1).exists()
    assert Counter(CutPlan.objects.values_list("state", flat=True)) == {"ready": MATERIALS}
    assert CutPlan.objects.filter(unplaced=[]).count() == MATERIALS
    placed = Counter(piece["part"] for cut in PlannedCut.objects.all() for piece in cut.pieces)
    assert placed == Counter(dict.fromkeys(Part.objects.values_list("pk", flat=True), 1))
    for item in StockItem.objects.all():
        assert item.reserved == PlannedCut.objects.filter(item=item).count()


PREPARE = f"""
import json
from fabrication.services.batches import open_batch
from fabrication.services.planning import plan_batch
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.factories import make_branch, make_user
branch = make_branch()
people = [make_user("workroom", branch=branch) for _ in range(3)]
for person in people:
    person.set_password("{PASSWORD}")
    person.save()
bar = make_material(branch)
make_stock(bar, quantity=20)
makes = [make_made_unit(branch, people[0]) for _ in range(9)]
for place, make in enumerate(makes):
    make_part(make, bar, f"{{60 + place}} 1/4", quantity=2)
batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=people[0])
plan_batch(batch=batch, by=people[0], seconds=3)
print(json.dumps([person.username for person in people]))
"""

STATE = """
import json
from fabrication.models import CutPlan
plan = CutPlan.objects.first()
print(json.dumps({"state": plan.state, "pk": plan.pk, "open": plan.cuts.filter(state__in=["to_cut", "begun"]).count()}))
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


def sign_in(page: Any, url: str, name: str) -> None:
    page.goto(f"{url}/sign-in/")
    page.get_by_label("Username").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda address: "/sign-in/" not in address)


@pytest.mark.browser
@pytest.mark.worker
@pytest.mark.slow
def test_three_screens_tapping_the_same_cuts_book_each_once(
    new_site: Callable[..., Site], new_page: Callable[..., Any]
) -> None:
    """Three people, one plan, every tap sent by all three before any page has answered."""
    site = new_site("postgresql")
    names = said(site, PREPARE)
    plan: dict[str, Any] = {}

    def is_ready() -> bool:
        plan.update(said(site, STATE))
        return bool(plan["state"] == "ready")

    servers.until(is_ready, seconds=120, what="the cut plan is there")
    pages = [new_page() for _ in names]
    for page, name in zip(pages, names, strict=True):
        sign_in(page, site.url, name)

    for _ in range(plan["open"] + 3):
        for page in pages:
            page.goto(f"{site.url}/workroom/cutting/{plan['pk']}/")
        taps = [page.locator(".deed.at-saw") for page in pages]
        if not taps[0].count():
            break
        for tap in taps:
            tap.dispatch_event("click")
        time.sleep(0.5)
    expect(pages[0].get_by_text("All of this material is cut.")).to_be_visible()

    books = said(site, BOOKS)
    assert books["bars"] == 20 - books["cuts"]
    assert books["taken"] == [-1] * books["cuts"]
    assert books["reserved"] == 0
    assert books["offcuts"] == books["kept"]
    assert all(done == quantity for done, quantity in books["done"])
