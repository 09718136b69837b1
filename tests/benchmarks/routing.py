"""
Measures the routing engine and writes docs/bench-routing.md.

    python -m tests.benchmarks.routing --benchmarks FOLDER [--quick] [--out FILE]

FOLDER holds the published instances and the branch file (its README tells their origin);
it is not part of the project. Without it only what needs no published data is measured.
Our own plans come from ``manage.py route``, so its start-up counts; PyVRP and VROOM alone
run in the same session on the same machine, with the same wall time.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any
from unittest.mock import patch

from jobs.rules.routing import Problem, crew_drops_out, regret_plan, solve, verify
from jobs.rules.routing.bound import cost_bound
from jobs.rules.routing.documents import plan_from, problem_document, read_answer
from jobs.rules.routing.timing import plan_of
from tests.benchmarks.routing_instances import (
    make_academic,
    make_branch,
    read_academic,
    read_best_known,
    read_branch,
)  # fmt: skip
from tests.benchmarks.routing_pyvrp import plan_with_pyvrp
from tests.benchmarks.routing_vroom import build_with_vroom
from tests.jobs.routing.branches import linked_branch, random_branch

ROOT = Path(__file__).resolve().parents[2]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1])
    parser.add_argument("--benchmarks", type=Path, default=os.environ.get("JAMBWISE_BENCHMARKS"), metavar="FOLDER")
    parser.add_argument("--quick", action="store_true", help="one seed, short runs, no large instances")
    parser.add_argument("--out", type=Path, default=ROOT / "docs" / "bench-routing.md")
    options = parser.parse_args()
    subprocess.run([sys.executable, "-m", "jobs.rules.routing", "--compile"], check=True, cwd=ROOT)
    load = os.getloadavg()[0]
    seeds = (1,) if options.quick else (1, 2, 3)
    parts: list[str] = []
    folder = Path(options.benchmarks) if options.benchmarks else None
    folder = folder / "routing" if folder and (folder / "routing").is_dir() else folder
    if folder is None or not folder.is_dir():
        parts.append("No folder of published instances was given: that part was left out.\n")
    else:
        parts.append(_academic(folder, options.quick, seeds))
        parts.append(_branch(folder, options.quick, seeds))
    parts += [_wide(options.quick), _large(options.quick), _without_numba(options.quick)]
    parts += [_drop_out(options.quick), _random(1000)]
    text = "\n".join([_head(options.quick, seeds, load), _verdicts(), *parts])
    options.out.parent.mkdir(exist_ok=True)
    options.out.write_text(text)
    print(text)


Verdict = tuple[str, str, str, bool]
VERDICTS: list[Verdict] = []
"""What was asked of the engine, what was measured, and whether that is enough."""


def _verdicts() -> str:
    rows = [f"| {what} | {asked} | {found} | {'yes' if met else '**no**'} |" for what, asked, found, met in VERDICTS]
    return (
        "## Asked and measured\n\n| what | asked | measured | met |\n| --- | --- | --- | --- |\n"
        + "\n".join(rows)
        + "\n"
    )


def _at_most(what: str, bound: float, found: float, form: str = ".4f") -> None:
    VERDICTS.append((what, f"≤ {bound:g}", format(found, form), found <= bound))


def _head(quick: bool, seeds: tuple[int, ...], load: float) -> str:
    packages = ", ".join(f"{name} {_version(name)}" for name in ("pyvrp", "pyvroom", "numba", "numpy"))
    return (
        "# Routing, measured\n\n"
        "Written by `python -m tests.benchmarks.routing`; wall time, imports included. "
        f"{os.cpu_count()} processors, {platform.machine()}, Python {platform.python_version()}, {packages}. "
        f"Load before it began: {load:.1f} (an idle machine has 0). "
        f"{'A quick run: ' if quick else ''}median of {len(seeds)} seed{'s' if len(seeds) > 1 else ''}. "
        "Every plan was verified.\n"
    )


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "missing"


# -- the three solvers ------------------------------------------------------------


def ours(problem: Problem, seconds: float, seed: int) -> tuple[int, int, float]:
    """Travel, stops left out and wall seconds of `manage.py route`."""
    document = json.dumps(problem_document(problem, seconds, seed))
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "manage.py", "route"], input=document, capture_output=True, text=True, check=True, cwd=ROOT
    )
    wall = time.monotonic() - began
    plan = plan_from(problem, read_answer(json.loads(done.stdout)))
    return plan.travel, len(plan.unplaced), wall


def alone(engine: str, problem: Problem, seconds: float, seed: int) -> tuple[int, int, float] | None:
    """The same of PyVRP (from a random plan, as it comes) or VROOM alone; None where it is not installed."""
    best: list[Any] = []

    def tell(orders: dict[int, list[int]]) -> None:
        plan = plan_of(problem, orders)
        if plan is not None and not verify(problem, plan) and (not best or plan.rank < best[0].rank):
            best[:] = [plan]

    began = time.monotonic()
    search = build_with_vroom if engine == "vroom" else partial(plan_with_pyvrp, seed=seed)
    search(problem, seconds - 0.5, tell)
    wall = time.monotonic() - began
    return (best[0].travel, len(best[0].unplaced), wall) if best else None


def _median(
    run: Callable[[int], tuple[int, int, float] | None], seeds: tuple[int, ...]
) -> tuple[int, int, float] | None:
    results = [result for seed in seeds if (result := run(seed)) is not None]
    if not results:
        return None
    results.sort(key=lambda result: (result[1], result[0]))
    return results[len(results) // 2]


# -- the parts ------------------------------------------------------------------------


def _academic(folder: Path, quick: bool, seeds: tuple[int, ...]) -> str:
    best = read_best_known(folder)
    rows, gaps = [], []
    larger: dict[str, list[float]] = {}
    for path in sorted(folder.glob("*.txt")):
        if path.stem not in best:
            continue
        problem = read_academic(path)
        size = len(problem.stops)
        if quick and size > 200:
            continue
        seconds = seconds_of(size, quick)
        mine = _median(lambda seed, p=problem, s=seconds: ours(p, s, seed), seeds)
        pyvrp = _median(lambda seed, p=problem, s=seconds: alone("pyvrp", p, s, seed), seeds[:1])
        vroom = _median(lambda seed, p=problem, s=seconds: alone("vroom", p, s, seed), seeds[:1])
        target = best[path.stem]
        if mine is not None and size <= 100:
            gaps.append(mine[0] / target - 1)
        elif mine is not None:
            larger.setdefault(f"{size} customers, {seconds:g} s", []).append(mine[0] / target)
        cells = [_gap(mine, target), _gap(pyvrp, target), _gap(vroom, target)]
        wall = f"{mine[2]:.1f}" if mine else "-"
        cells.append(f"{cost_bound(problem) / target:.2f}")
        rows.append(f"| {path.stem} | {size} | {seconds:g} | {wall} | {' | '.join(cells)} |")
    if gaps:
        _at_most(
            f"100 customers, {seconds_of(100, quick):g} s: mean found / best known", 1.003, 1 + statistics.mean(gaps)
        )
        _at_most("and the worst of them", 1.010, 1 + max(gaps))
    for name, found in larger.items():
        _at_most(f"{name}: found / best known", 1.05 if name.startswith("1000") else 1.025, statistics.mean(found))
    mean = f"Mean of the 100-customer instances {statistics.mean(gaps):.3%}, worst {max(gaps):.3%}.\n" if gaps else ""
    return (
        "## Published instances (time windows, loads; only distance counts)\n\n"
        "Distance above the best known; the last column is what is proved, without any search, of every plan: "
        "none drives less than that share of the best known.\n\n"
        "| instance | customers | seconds asked | wall | Jambwise | PyVRP alone | VROOM alone | proved |\n"
        "| --- | --- | --- | --- | --- | --- | --- | --- |\n" + "\n".join(rows) + "\n\n" + mean
    )


def seconds_of(customers: int, quick: bool) -> float:
    """What the search may take."""
    return 5.0 if quick else 60.0 if customers > 600 else 30.0 if customers > 250 else 10.0


def _gap(result: tuple[int, int, float] | None, target: int) -> str:
    if result is None:
        return "no plan"
    left = f", {result[1]} left out" if result[1] else ""
    return f"{result[0] / target - 1:.3%}{left}"


def _branch(folder: Path, quick: bool, seeds: tuple[int, ...]) -> str:
    rows = []
    for path in sorted(folder.glob("branch-*.json")):
        problem, document = read_branch(path)
        target = document["best_found"]["travel_s"]
        first: list[float] = []
        solve(problem, 0.0, progress=lambda p, first=first: first.append(p.seconds))
        for seconds in (5.0,) if quick else (10.0, 60.0):
            mine = _median(lambda seed, p=problem, s=seconds: ours(p, s, seed), seeds)
            others = [
                _median(lambda seed, e=e, p=problem, s=seconds: alone(e, p, s, seed), seeds[:1])
                for e in ("pyvrp", "vroom")
            ]
            cells = [_ratio(result, target) for result in (mine, *others)]
            cells.append(f"{cost_bound(problem) / target:.2f}")
            rows.append(f"| {path.stem} | {seconds:g} | {first[0]:.2f} | {' | '.join(cells)} |")
            if mine is not None:
                asked = 0.985 if seconds == 60 else 1.005
                _at_most(f"{path.stem}, {seconds:g} s: travel / best found", asked, mine[0] / target)
                VERDICTS.append(("and planned in full", "200 of 200", f"{mine[1]} left out", not mine[1]))
        _at_most("first complete legal plan, s", 0.5, first[0], ".2f")
    return (
        "## A branch, 200 jobs × 10 crews × 5 days\n\n"
        "Travel over the best found in the file (1.000 is as good).\n\n"
        "| branch | seconds asked | first legal plan, s | Jambwise | PyVRP alone | VROOM alone | proved |\n"
        "| --- | --- | --- | --- | --- | --- | --- |\n" + "\n".join(rows) + "\n"
    )


def _ratio(result: tuple[int, int, float] | None, target: int) -> str:
    if result is None:
        return "no plan"
    left = f", {result[1]} left out" if result[1] else ""
    return f"{result[0] / target:.4f}{left}"


def _wide(quick: bool) -> str:
    """Large instances of long routes, made here; nobody's best is known, so the least of three stands for it."""
    customers, seconds = (300, 5.0) if quick else (1000, 60.0)
    rows = []
    for kind in ("r2", "c2"):
        problem = make_academic(1, customers, kind)
        results = [ours(problem, seconds, 1), *(alone(engine, problem, seconds, 1) for engine in ("pyvrp", "vroom"))]
        least = min(result[0] for result in results if result is not None and not result[1])
        rows.append(f"| {kind} | {customers} | {seconds:g} | {' | '.join(_gap(result, least) for result in results)} |")
    return (
        "## Wide windows and long routes (our own instances, seed 1)\n\nDistance above the least of the three.\n\n"
        "| kind | customers | seconds asked | Jambwise | PyVRP alone | VROOM alone |\n"
        "| --- | --- | --- | --- | --- | --- |\n" + "\n".join(rows) + "\n"
    )


def _without_numba(quick: bool) -> str:
    """What the engine does where numba is missing, against the whole of it."""
    seconds = 5.0 if quick else 10.0
    rows = []
    for jobs, crews in ((20, 2), (60, 4), (200, 10)):
        problem = make_branch(3, jobs, crews, 5)
        whole = solve(problem, seconds, 1)
        first = solve(problem, 0.0, 1)
        with patch.dict(sys.modules, numba=None):
            engines: dict[str, str] = {}
            bare = solve(problem, seconds, 1, engines=engines)
        used = ", ".join(name for name, what in engines.items() if what == "used")
        cells = [f"{plan.travel / whole.travel:.3f} ({len(plan.unplaced)})" for plan in (first, bare)]
        rows.append(f"| {jobs} | {len(whole.unplaced)} | {' | '.join(cells)} | {used} |")
    return (
        "## Where numba is missing\n\n"
        f"Travel over the whole engine's in {seconds:g} s (own branch, seed 3); in brackets what is left out.\n\n"
        "| jobs | left out by the whole engine | insertion at once | all there is without numba | engines |\n"
        "| --- | --- | --- | --- | --- |\n" + "\n".join(rows) + "\n"
    )


def _large(quick: bool) -> str:
    size = (300, 15, 5) if quick else (1000, 25, 10)
    problem = make_branch(7, *size)
    vroom: list[tuple[float, int, int]] = []
    began = time.monotonic()

    def tell(orders: dict[int, list[int]]) -> None:
        plan = plan_of(problem, orders)
        if plan is not None:
            vroom.append((time.monotonic() - began, plan.travel, len(plan.unplaced)))

    build_with_vroom(problem, 120, tell, levels=(0,))
    steps: list[tuple[float, int, int]] = []
    plan = solve(problem, 15, 1, progress=lambda p: steps.append((p.seconds, p.plan.travel, len(p.plan.unplaced))))
    text = f"## {size[0]} jobs × {size[1]} crews × {size[2]} days (our own branch, seed 7)\n\n"
    text += f"First plan after {steps[0][0]:.1f} s, {steps[0][2]} left out. "
    text += f"After 15 s: travel {plan.travel}, {len(plan.unplaced)} left out. "
    if vroom:
        seconds, travel, left = vroom[0]
        reached = next((step[0] for step in steps if (step[2], step[1]) <= (left, travel)), None)
        text += f"VROOM level 0: {travel}, {left} left out, in {seconds:.1f} s; "
        text += f"reached after {reached:.1f} s.\n" if reached is not None else "not reached in 15 s.\n"
        found = f"{reached:.1f} s" if reached is not None else "not in 15 s"
        VERDICTS.append((f"{size[0]} jobs: VROOM level 0's travel, all planned", "≤ 15 s", found, reached is not None))
    else:
        text += "VROOM gave no plan.\n"
    return text


def _drop_out(quick: bool) -> str:
    """Two branches, the second with more work; one crew for a day, and one for the whole week."""
    rows, stays, ratios = [], [], []
    for branch in (make_branch(3), make_branch(4, jobs=240)):
        plan = solve(branch, 5 if quick else 10, 1)
        for crew, shifts, when in (
            ("crew 0", [1], "second day"),
            ("crew 5", [1], "second day"),
            ("crew 9", [1], "second day"),
            ("crew 5", None, "all days"),
        ):
            spread = crew_drops_out(branch, plan, crew, shifts, seconds=4, seed=1)
            free = solve(spread.problem, 5 if quick else 10, 1)
            assert not verify(spread.problem, spread.plan)
            ratio = spread.plan.travel / free.travel
            kept, left = f"{spread.kept:.1%}", f"{len(spread.plan.unplaced)} ({len(free.unplaced)})"
            stays.append(spread.kept)
            if spread.plan.placed == free.placed:
                ratios.append(ratio)
            cells = (len(branch.stops), f"{crew}, {when}", len(spread.freed), kept, left, f"{ratio:.4f}")
            rows.append(f"| {' | '.join(map(str, cells))} |")
    worst = f"At least {min(stays):.1%} stay"
    least = min(stays)
    VERDICTS.append(("a crew drops out: others that stay", "≥ 95 %", f"{least:.1%} at least", least >= 0.95))
    if ratios:
        _at_most("and its travel over a free re-plan's, at most", 1.03, max(ratios))
        worst += f"; at most {max(ratios):.4f} of a free re-plan's travel where both place the same"
    return (
        "## A crew drops out\n\n"
        "Its stops are spread within 4 s; the free re-plan may move everything.\n\n"
        "| jobs | who | its stops | others that stay | left out (by the re-plan) | travel over the re-plan's |\n"
        "| --- | --- | --- | --- | --- | --- |\n" + "\n".join(rows) + f"\n\n{worst}.\n"
    )


def _random(count: int) -> str:
    broken = 0
    for seed in range(count):
        problem = random_branch(seed)
        broken += bool(verify(problem, regret_plan(problem)))
    for seed in range(0, count, 50):
        problem = random_branch(seed, 40)
        broken += bool(verify(problem, solve(problem, 0.3, seed)))
    linked = 0
    for seed in range(300):
        problem = linked_branch(seed)
        linked += bool(verify(problem, solve(problem, 0.0, seed)))
    found = f"{broken + linked}"
    VERDICTS.append((f"{count} random branches and 300 with linked stops: plans that fail", "0", found, found == "0"))
    return (
        "## Random branches\n\n"
        f"{count} of every mix of windows, skills, locks, lunch, loads, overtime and promises, and {count // 50} "
        f"of them searched: {broken} plans broke a bound. 300 whose stops hang together (two crews that meet, work "
        f"that keeps its crew): {linked}.\n"
    )


if __name__ == "__main__":
    main()
