"""
The same work of one, two and four branches on one, two and four workers.

``python -m tests.benchmarks.fanout``: each branch releases a batch, has its cut plans worked out and then its papers
printed (cut lists, tickets, labels, pull list), all branches at once. Workers have one process each and take any
kind of work, as several worker machines would; PostgreSQL and the broker stand beside them on this machine, so that
what is left of the cores is told apart from what a worker adds: the processor time that the workers used, and how
long work waited for its turn.

``--units N`` a branch (16 unless told); ``--dry`` prints and writes nothing.
"""

from __future__ import annotations

import argparse
import os
import time
from pathlib import Path
from typing import Any, Final, NamedTuple

from tests.benchmarks.workroom import release, wait_for
from tests.servers import Worker, start_site

DOCUMENT: Final = Path(__file__).resolve().parents[2] / "docs" / "bench-fanout.md"
COUNTS: Final = (1, 2, 4)
TICKS: Final = os.sysconf("SC_CLK_TCK")


class Seen(NamedTuple):
    """One kind of work of so many branches on so many workers; seconds."""

    work: str
    branches: int
    workers: int
    runs: int
    wall_s: float
    processor_s: float
    waited_s: float


def processor_seconds(pid: int) -> float:
    """What a process and all it started have used so far, from Linux's /proc."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    mine = sum(int(ticks) for ticks in fields[11:15]) / TICKS  # user, system, and both of children that have ended
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return mine + sum(processor_seconds(int(child)) for child in children)


def used_by(workers: list[Worker]) -> float:
    """What the workers have used so far."""
    return sum(processor_seconds(worker.process.pid) for worker in workers if worker.process is not None)


def measure(branches: int, workers: list[Worker], units: int) -> list[Seen]:
    """Plans, then papers, of as many branches, each kind asked for at once."""
    from fabrication.services.batches import open_batch
    from fabrication.services.making import make_units
    from fabrication.services.planning import plan_batch
    from shared.documents import request_document
    from shared.models import Run

    batches = []
    for _ in range(branches):
        branch, by, rows = release(units)
        makes = make_units(rows, by)
        batches.append((open_batch(branch=branch, makes=[make.pk for make in makes], by=by), by))

    def timed(work: str, ask: Any) -> Seen:
        before, began = used_by(workers), time.monotonic()
        runs = ask()
        for _ in wait_for(runs, work):
            pass
        wall = time.monotonic() - began
        rows = Run.objects.filter(pk__in=[run.pk for run in runs])
        waits = [(run.started_at - run.created_at).total_seconds() for run in rows]
        used = used_by(workers) - before
        return Seen(work, branches, len(workers), len(waits), wall, used, sum(waits) / len(waits))

    def plans() -> list[Any]:
        return [run for batch, by in batches for run in plan_batch(batch=batch, by=by)]

    def papers() -> list[Any]:
        kinds = ("fabrication.tickets", "fabrication.labels", "fabrication.pull_list")
        of_batches = [(kind, batch, by) for batch, by in batches for kind in kinds]
        of_plans = [
            ("fabrication.cuts", plan, by) for batch, by in batches for plan in batch.plans.filter(state="ready")
        ]
        return [request_document(kind=kind, subject=what, by=by) for kind, what, by in [*of_batches, *of_plans]]

    return [timed("plans", plans), timed("papers", papers)]


def report(seen: list[Seen], units: int, load: tuple[float, float, float]) -> str:
    """The table, with how much sooner than by one worker the same work was done."""
    alone = {(one.work, one.branches): one.wall_s for one in seen if one.workers == 1}
    lines = [
        "# Branches and workers",
        "",
        f"Written by `python -m tests.benchmarks.fanout`; {time.strftime('%Y-%m-%d')}, {os.cpu_count()} cores, load "
        f"before it began {load[0]:.1f}. {units} units a branch; a worker has one process; PostgreSQL and the broker",
        "share the cores with them. *Waited*: from when it was asked for until a worker took it, on average.",
        "",
        "| work | branches | workers | runs | all done, s | processor of the workers, s | cores' worth | waited, s "
        "| times as fast as one worker |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for one in seen:
        faster = alone[one.work, one.branches] / one.wall_s
        lines.append(
            f"| {one.work} | {one.branches} | {one.workers} | {one.runs} | {one.wall_s:.1f} | {one.processor_s:.1f} "
            f"| {one.processor_s / one.wall_s:.2f} | {one.waited_s:.1f} | {faster:.2f} |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--units", type=int, default=16)
    parser.add_argument("--dry", action="store_true")
    asked = parser.parse_args()
    load = os.getloadavg()
    site = start_site("postgresql", worker=False)
    seen: list[Seen] = []
    try:
        os.environ.update(site.env)
        import django

        django.setup()
        for count in COUNTS:
            workers = [Worker(site.env, beat=number == 0) for number in range(count)]
            try:
                for worker in workers:
                    worker.start()
                measure(1, workers, 4)  # compiled search and fonts read, in every one that gets something to do
                for branches in COUNTS:
                    seen += measure(branches, workers, asked.units)
                    print(*seen[-2:], sep="\n", flush=True)
            finally:
                for worker in workers:
                    worker.stop()
    finally:
        site.stop()
    seen.sort(key=lambda one: (one.work, one.branches, one.workers))
    text = report(seen, asked.units, load)
    print(text)
    if not asked.dry:
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
