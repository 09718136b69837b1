"""The bench on screen: a bar cut piece by piece, undone, miscut and planned anew, the unit checked."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.conftest import PHONE
from tests.servers import Site

PREPARE = """
import json, time
from django.test import Client
from fabrication.models import CutPlan
from fabrication.services.batches import open_batch
from fabrication.services.planning import plan_batch
from shared import runs
from shared.models import Run
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.factories import make_branch, make_user
branch = make_branch(name="Millrace of the bench")
by = make_user("workroom", branch=branch, username="bench-hand")
bar = make_material(branch, name="tube 38")
make_stock(bar, quantity=5)
makes = [make_made_unit(branch, by) for _ in range(3)]
for make in makes:
    make_part(make, bar, "60 1/4")
batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=by)
[run] = plan_batch(batch=batch, by=by, seconds=3)
runs.perform(run.pk)  # unless the site's own worker has it already
while Run.objects.filter(pk=run.pk, state__in=["waiting", "under way"]).exists():
    time.sleep(0.1)
client = Client()
client.force_login(by)
plan = CutPlan.objects.get(batch=batch)
codes = [make.unit.code for make in makes]
print(json.dumps({"plan": plan.pk, "batch": batch.pk, "codes": codes, "key": client.cookies["sessionid"].value}))
"""


@pytest.fixture
def made(site: Site) -> dict[str, Any]:
    """A planned batch: three tubes out of one bar of five; the key of the workroom's session."""
    return json.loads(site.python(PREPARE).strip().splitlines()[-1])


def test_a_bar_is_cut_undone_and_planned_anew_on_the_screen(
    site: Site, page: Page, made: dict[str, Any], looks_right: Callable[[Any], None]
) -> None:
    page.context.add_cookies([{"name": "sessionid", "value": made["key"], "url": site.url}])
    page.goto(f"{site.url}/workroom/cutting/{made['plan']}/")
    expect(page.get_by_role("heading", name="Next: 1 of 1")).to_be_visible()
    looks_right(page)
    page.set_viewport_size(PHONE)
    looks_right(page)

    page.get_by_role("button", name="Cut piece 2", exact=True).click()
    expect(page.get_by_role("heading", name="Under way: 1 of 1")).to_be_visible()
    page.get_by_role("button", name="Undo").first.click()
    expect(page.get_by_role("heading", name="Next: 1 of 1")).to_be_visible()

    page.get_by_text("Miscut", exact=True).click()
    for position, said in enumerate(("scrapped", "cut, good", "cut, good"), 1):
        page.get_by_role("group", name=f"{position}: ").get_by_label(said).check()
    page.get_by_label("Left on the table").fill("0")
    page.get_by_label("Why").fill("blade wandered")
    page.get_by_role("button", name="Book as miscut and plan anew").click()
    expect(page.get_by_text("Planned anew, miscut: blade wandered")).to_be_visible()
    page.get_by_role("button", name="Cut", exact=True).click()
    expect(page.get_by_text("All of this material is cut.")).to_be_visible()
    expect(page.get_by_text("label it before it goes on the rack")).to_be_visible()
    looks_right(page)

    page.goto(f"{site.url}/workroom/checking/")
    page.get_by_role("link", name=made["codes"][0]).click()
    page.get_by_label("Width").fill("35 1/4")
    page.get_by_label("Height").fill("60")
    page.get_by_role("button", name="Record the check").click()
    expect(page.get_by_text(f"{made['codes'][0]} is made.")).to_be_visible()
