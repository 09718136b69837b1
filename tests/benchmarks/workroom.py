"""
From released to cut: a batch of 400 units planned, drawn and labelled by two real workers.

Run as ``python -m tests.benchmarks.workroom [--units 400] [--seconds 2] [--dry]``; the figures go to
docs/bench-workroom.md. It starts a PostgreSQL server, a broker and two Celery workers of its own.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import platform
import random
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from tests.servers import Worker, start_site

ROOT = Path(__file__).resolve().parents[2]
DOCUMENT = ROOT / "docs" / "bench-workroom.md"
PRODUCTS: tuple[str, ...] = ("wren", "wren_fascia", "heron", "siskin", "curlew")
MOST_SECONDS = 600


def release(count: int, products: Sequence[str] = PRODUCTS) -> tuple[Any, Any, list[Any]]:
    """A branch with the starting range and stock, and `count` released units in rooms of four."""
    from decimal import Decimal

    from fabrication.models import Material, StockItem
    from fabrication.rules.recipes import starting_recipes
    from fabrication.services.starting_data import load_materials, load_recipes, load_steps, load_work_places
    from measuring.models import Opening, Product, Room, Unit
    from shared.codes import new_code
    from shared.lengths import Length
    from tests.factories import make_branch, make_job, make_user

    rng = random.Random(7)
    branch = make_branch()
    by = make_user("workroom", branch=branch)
    recipes = [starting_recipes()[key] for key in products]
    rows = [
        Product.objects.create(branch=branch, key=recipe.key, name=recipe.name, family=recipe.family)
        for recipe in recipes
    ]
    materials = load_materials(branch)
    load_recipes(branch)
    load_work_places(branch)
    load_steps(branch)
    for material in materials:
        sizes = material.facts.get("stock") or []
        if material.kind == Material.Kind.CLOTH:
            for size in sizes:
                for place in range(12):
                    StockItem.objects.create(
                        material=material, code=new_code(), length=Length.inches(1080), lot=f"L{place % 4}",
                        width=Length.parse(size["width"]), price=Decimal(size["price"]),
                    )  # fmt: skip
        elif material.is_cut_from_bars():
            for size in sizes:
                StockItem.objects.create(
                    material=material, code=new_code(), length=Length.parse(size["length"]), quantity=2000
                )
            for _ in range(30):
                StockItem.objects.create(
                    material=material, code=new_code(), length=Length.inches(rng.randint(26, 110)), is_offcut=True
                )
    units = []
    for number in range(count):
        if number % 20 == 0:
            job = make_job(branch, by=by)
        if number % 4 == 0:
            place = rng.randrange(len(rows))
            room = Room.objects.create(job=job, name=f"Room {number // 4}")
        recipe, product = recipes[place], rows[place]
        opening = Opening.objects.create(job=job, room=room, mark=str(number % 4 + 1), product=product)
        sizes = recipe.sizes
        width = rng.randrange(24 * 16, min(72 * 16, sizes.most_width // Length.inches("1/16")))
        height = rng.randrange(30 * 16, min(90 * 16, sizes.most_height // Length.inches("1/16")))
        units.append(
            Unit.objects.create(
                opening=opening, code=new_code(), product=product, mount="inside", state=Unit.State.RELEASED,
                order_width=Length.inches("1/16") * width, order_height=Length.inches("1/16") * height,
                basis="opening size", due_on=dt.date.today() + dt.timedelta(days=3 + number % 5),
                options=recipe.tried_with(),
            )
        )  # fmt: skip
    return branch, by, units


def wait_for(runs: list[Any], what: str, on_done: Any = None) -> Iterator[str]:
    """Yields how far they are until all have ended; a run that failed ends the bench. `on_done` gets each one done."""
    from shared.models import Run

    keys = [run.pk for run in runs]
    began, said, told = time.monotonic(), -1, set()
    while True:
        rows = list(Run.objects.filter(pk__in=keys))
        bad = [row for row in rows if row.state in {Run.State.FAILED, Run.State.STOPPED}]
        if bad:
            raise SystemExit(f"{bad[0].title} ended as {bad[0].state}: {bad[0].error}")
        done = sum(row.state == Run.State.DONE for row in rows)
        for row in rows:
            if on_done is not None and row.state == Run.State.DONE and row.pk not in told:
                told.add(row.pk)
                on_done(row)
        if done != said:
            yield f"{what}: {done} of {len(rows)}"
            said = done
        if done == len(rows):
            return
        if time.monotonic() - began > MOST_SECONDS:
            raise SystemExit(f"{what} not there after {MOST_SECONDS} s")
        time.sleep(0.2)


def measure(units: int, seconds: int | None) -> dict[str, Any]:
    """The whole way, timed step by step."""
    from django.db.models import Sum

    from fabrication.models import CutPlan, Part, PlannedCut
    from fabrication.services.batches import open_batch
    from fabrication.services.making import make_units
    from fabrication.services.planning import plan_batch
    from shared.documents import request_document
    from shared.models import Document

    branch, by, rows = release(units)
    at = {"start": time.monotonic()}
    makes = make_units(rows, by)
    at["parts"] = time.monotonic()
    batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=by)
    needing_no_plan = ("fabrication.labels", "fabrication.pull_list", "fabrication.tickets")
    sheets = [request_document(kind=kind, subject=batch, by=by) for kind in needing_no_plan]
    plans = plan_batch(batch=batch, by=by, seconds=seconds)

    def draw(run: Any) -> None:
        sheets.append(request_document(kind="fabrication.cuts", subject=run.subject, by=by))

    for line in wait_for(plans, "cut plans", draw):
        print(line, flush=True)
    at["plans"] = time.monotonic()
    for line in wait_for(sheets, "sheets"):
        print(line, flush=True)
    at["sheets"] = time.monotonic()
    ready = CutPlan.objects.filter(batch=batch, state=CutPlan.State.READY)
    parts = Part.objects.filter(make__batch=batch)
    kinds = ("fabrication.cuts", *needing_no_plan)
    papers = {kind: list(Document.objects.filter(kind=kind).values_list("pages", flat=True)) for kind in kinds}
    return {
        "units": len(makes),
        "parts": parts.count(),
        "pieces": parts.aggregate(n=Sum("quantity"))["n"],
        "materials": ready.count(),
        "cuts": PlannedCut.objects.filter(plan__in=ready).count(),
        "proven": sum(bool(plan.answer.get("proven")) for plan in ready),
        "gap": max((plan.answer.get("gap") or 0 for plan in ready), default=0),
        "unplaced": sum(len(plan.unplaced) for plan in ready),
        "parts_s": at["parts"] - at["start"],
        "plans_s": at["plans"] - at["parts"],
        "sheets_s": at["sheets"] - at["plans"],
        "all_s": at["sheets"] - at["start"],
        "papers": papers,
        "plan_runs_s": run_seconds("fabrication.plan_cuts"),
        "sheet_runs_s": run_seconds("shared.document"),
        "seconds": plans[0].params["seconds"],
        "asked": f" --seconds {seconds}" if seconds else "",
    }


def run_seconds(kind: str) -> float:
    """Seconds the workers spent in runs of a kind, added up."""
    from shared.models import Run

    ended = Run.objects.filter(kind=kind, ended_at__isnull=False)
    return sum((run.ended_at - run.started_at).total_seconds() for run in ended)


def limits(found: dict[str, Any]) -> str:
    """What takes the time: how busy two workers were, a plan and a page on the mean."""
    busy = (found["plan_runs_s"] + found["sheet_runs_s"]) / (2 * max(0.1, found["plans_s"] + found["sheets_s"]))
    pages = sum(sum(several) for several in found["papers"].values())
    return (
        f"What limits it: the two workers were busy {100 * busy:.0f} % of the time after the release. A plan took "
        f"{found['plan_runs_s'] / max(1, found['materials']):.1f} s\nof one worker on the mean, a page "
        f"{1000 * found['sheet_runs_s'] / max(1, pages):.0f} ms."
    )


def report(found: dict[str, Any], load: tuple[float, float, float]) -> str:
    """The page for docs."""
    cores = os.cpu_count() or 1
    shared = " (more than its cores: the machine was shared, so seconds are upper figures)" if load[0] > cores else ""
    now = dt.datetime.now(dt.UTC)
    papers = {kind.partition(".")[2].replace("_", " "): pages for kind, pages in found["papers"].items()}
    pages = "; ".join(f"{name} {sum(several)} ({len(several)} files)" for name, several in papers.items())
    return f"""# A batch through the workroom, measured

{now:%Y-%m-%d %H:%M} UTC; {cores} cores, {platform.machine()}, Python {platform.python_version()}, PostgreSQL,
two Celery workers of one process each; load average at the start {load[0]:.1f}, {load[1]:.1f}, {load[2]:.1f}{shared}.
Made by `python -m tests.benchmarks.workroom --units {found["units"]}{found["asked"]}`:
random rollers, solars, cellulars and romans in rooms of four; stock of every size, 30 offcuts a bar
material, four dye lots a cloth; {found["seconds"]:.1f} s a plan at most.

| what | figure |
| --- | --- |
| units, rows of parts, pieces | {found["units"]}, {found["parts"]}, {found["pieces"]} |
| materials planned, stock pieces and cross cuts | {found["materials"]}, {found["cuts"]} |
| plans proven least, widest gap of the others | {found["proven"]} of {found["materials"]}, {100 * found["gap"]:.2f} % |
| parts without stock | {found["unplaced"]} |
| released: finished sizes, parts, weights | {found["parts_s"]:.1f} s |
| batch opened, every cut plan there and its stock reserved | {found["plans_s"]:.1f} s |
| then the rest of the cut lists (begun with their plans), labels, pull list, tickets | {found["sheets_s"]:.1f} s |
| pages | {pages} |
| all of it | {found["all_s"]:.1f} s (aim: 30 s) |
| seconds of one worker: all plans, all sheets | {found["plan_runs_s"]:.0f} s, {found["sheet_runs_s"]:.0f} s |

{limits(found)}
"""


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=400)
    parser.add_argument(
        "--seconds", type=int, help="each plan may take; the product's own share of a batch's time unless given"
    )
    parser.add_argument("--dry", action="store_true", help="print only")
    asked, _ = parser.parse_known_args()
    load = os.getloadavg()
    site = start_site("postgresql", worker=False)
    workers: list[Worker] = []
    try:
        os.environ.update(site.env)
        import django

        django.setup()
        workers = [Worker(site.env, beat=first).start() for first in (True, False)]
        text = report(measure(asked.units, asked.seconds), load)
    finally:
        for worker in workers:
            worker.stop()
        site.stop()
    print(text)
    if not asked.dry:
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
