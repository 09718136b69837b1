"""
The acceptance table of the cut plans, measured.

``python -m tests.benchmarks.cutting [--benchmarks FOLDER] [--quick] [--only NAME ..] [--out FILE]``

FOLDER holds published instances (``1d/manifest.csv`` and the text files it names, ``2d/*.json``);
without it that part is skipped and says so. Every figure in the file written comes from this run.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import platform
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from functools import partial
from math import exp, log
from pathlib import Path
from statistics import mean, median
from typing import Any

from fabrication.rules.cutting import (
    BarPiece,
    BarProblem,
    BarStock,
    Pattern,
    Plan,
    Problem,
    RollPiece,
    RollProblem,
    RollStock,
    first_fit,
    solve,
)
from fabrication.rules.cutting.bars.greedy import first_fit as first_fit_loading
from fabrication.rules.cutting.bars.model import bar_model
from fabrication.rules.cutting.columns.column import loading_cost
from shared.lengths import Length
from tests.benchmarks.cutting_brute import least_bar_cost, least_roll_cost
from tests.benchmarks.cutting_instances import bars_of_one_stock, panels, shade_day, small_bars, small_rolls

Table = list[str]


def percent(share: float) -> str:
    """A share as text."""
    return f"{100 * share:.3f} %"


def timed(problem: Problem, seconds: float) -> tuple[Plan, float, list[tuple[float, float]]]:
    """The plan, its seconds, and (seconds, gap) whenever progress was told."""
    trace: list[tuple[float, float]] = []
    began = time.monotonic()

    def note(progress) -> None:
        gap = float(progress.cost / progress.bound) - 1 if progress.bound > 0 else 1.0
        trace.append((time.monotonic() - began, gap))

    plan = solve(problem, seconds, progress=note)
    return plan, time.monotonic() - began, trace


def gap_at(trace: list[tuple[float, float]], seconds: float) -> float:
    """The gap known after so many seconds."""
    return min((gap for at, gap in trace if at <= seconds), default=1.0)


def two_at_a_time(work, tasks):
    """The results of single-threaded solves, one on each of two cores."""
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(work, tasks))


# -- published -------------------------------------------------------------------


def read_1d(path: Path) -> BarProblem:
    """A text file of types, stock length, then length and demand of each."""
    numbers = list(map(int, path.read_text().split()))
    pairs = zip(numbers[2::2], numbers[3::2], strict=False)
    pieces = tuple(
        BarPiece(f"p{position}", Length(length), demand)
        for position, (length, demand) in enumerate(list(pairs)[: numbers[0]])
    )
    return BarProblem((BarStock("s", Length(numbers[1])),), pieces)


def read_2d(path: Path) -> RollProblem:
    """A JSON file of [width, drop, demand] on one endless roll."""
    data = json.loads(path.read_text())
    pieces = tuple(
        RollPiece(f"p{position}", Length(width), Length(drop), demand, data["rotation"])
        for position, (width, drop, demand) in enumerate(data["items"])
    )
    return RollProblem((RollStock("r", Length(data["roll_width"])),), pieces, Length(data["kerf"]))


def published(folder: Path | None, quick: bool) -> Table:
    """Optimum and proof on instances whose optimum is published."""
    if folder is None or not (folder / "1d" / "manifest.csv").exists():
        return ["Skipped: no folder of published instances was given (`--benchmarks`)."]
    rows = ["| instance | known least | ours | proven | seconds |", "|---|---|---|---|---|"]
    hits, proofs, seconds = 0, 0, []
    with (folder / "1d" / "manifest.csv").open() as file:
        entries = list(csv.DictReader(file))
    for entry in entries:
        problem = read_1d(folder / entry["file"])
        plan, took, _ = timed(problem, 20 if quick else 60)
        bars = plan.material.ticks // problem.stock[0].length.ticks
        hits += bars == int(entry["best_ub"])
        proofs += plan.proven
        seconds.append(took)
        rows.append(f"| {Path(entry['file']).stem} | {entry['best_ub']} | {bars} | {plan.proven} | {took:.2f} |")
    rows.append(
        f"| **{len(entries)} instances** | | {hits} at the least | {proofs} proven | "
        f"median {median(seconds):.2f}, most {max(seconds):.2f} |"
    )
    for path in sorted((folder / "2d").glob("*.json")):
        data = json.loads(path.read_text())
        plan, took, _ = timed(read_2d(path), 20)
        known = f"{data['best_lb']} to {data['best_ub']}"
        rows.append(f"| {path.stem} (roll) | {known} | {plan.material.ticks} | {plan.proven} | {took:.2f} |")
    return rows


# -- against CP-SAT ----------------------------------------------------------------


def cp_sat(problem: BarProblem, seconds: float) -> tuple[float | None, bool, float]:
    """
    (cost in ticks, proven, seconds) of CP-SAT with two workers, given first fit as a hint.

    Its model: so many pieces of each type on each bar that first fit might need, each bar's
    stock chosen, bars of a kind in falling order of load, the area bound as a row.
    """
    from ortools.sat.python import cp_model

    began = time.monotonic()
    start = first_fit(problem)
    hint = [pattern for pattern in start.patterns for _ in range(pattern.times)]
    kerf, trim = problem.kerf.ticks, problem.trim.ticks
    sizes = {piece.id: piece.length.ticks + kerf for piece in problem.pieces}
    model = cp_model.CpModel()
    bars = []
    for number in range(len(hint) + 1):
        made = [model.new_int_var(0, piece.quantity, f"x{number}_{k}") for k, piece in enumerate(problem.pieces)]
        chosen = [model.new_bool_var(f"y{number}_{t}") for t in range(len(problem.stock))]
        model.add(sum(chosen) <= 1)
        load = sum(x * (piece.length.ticks + kerf) for x, piece in zip(made, problem.pieces, strict=True))
        room = sum(y * (bar.length.ticks - 2 * trim + kerf) for y, bar in zip(chosen, problem.stock, strict=True))
        model.add(load <= room)
        if bars:
            model.add(bars[-1][2] >= load)
        bars.append((made, chosen, load))
    for k, piece in enumerate(problem.pieces):
        model.add(sum(bar[0][k] for bar in bars) == piece.quantity)
    for t, stock in enumerate(problem.stock):
        if stock.quantity is not None:
            model.add(sum(bar[1][t] for bar in bars) <= stock.quantity)
    cost = sum(y * stock.length.ticks for _, chosen, _ in bars for y, stock in zip(chosen, problem.stock, strict=True))
    model.add(cost >= sum(sizes[p.id] * p.quantity for p in problem.pieces) - kerf * len(bars))
    model.minimize(cost)
    ordered = sorted(hint, key=lambda pattern: -sum(sizes[cut.piece] for cut in pattern.cuts))
    for (made, chosen, _), pattern in zip(bars, ordered, strict=False):
        _hint_bar(model, problem, made, chosen, pattern)
    return _solved(model, seconds, began)


def _solved(model: Any, seconds: float, began: float) -> tuple[float | None, bool, float]:
    from ortools.sat.python import cp_model

    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 2
    solver.parameters.max_time_in_seconds = seconds
    status = solver.solve(model)
    took = time.monotonic() - began
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None, False, took
    return solver.objective_value, status == cp_model.OPTIMAL, took


def _hint_bar(model: Any, problem: BarProblem, made: list[Any], chosen: list[Any], pattern: Pattern) -> None:
    for is_chosen, stock in zip(chosen, problem.stock, strict=True):
        model.add_hint(is_chosen, stock.id == pattern.stock)
    for count, piece in zip(made, problem.pieces, strict=True):
        model.add_hint(count, sum(cut.piece == piece.id for cut in pattern.cuts))


def against_cp_sat(quick: bool) -> Table:
    """Cost and time to proof beside CP-SAT, same time limit, on realistic batches of one or three stocks."""
    limit = 10.0 if quick else 30.0
    rows = ["| batch | ours | proven | s | CP-SAT | proven | s |", "|---|---|---|---|---|---|---|"]
    worse, ratios = 0, []
    cases: list[tuple[str, BarProblem]] = [
        (f"{count} pieces, one stock", bars_of_one_stock(count, seed=count)) for count in (15, 30, 60, 120)
    ]
    for shades in (15, 40):
        day = shade_day(shades, shades=shades, offcuts=0)
        for name in ("rail A", "bottom bar"):
            free = day[name]
            plain = BarProblem(free.stock, free.pieces, free.kerf, free.trim, None, "in")
            cases.append((f"{sum(p.quantity for p in plain.pieces)} pieces of {name}, three stocks", plain))
    for name, problem in cases[:5] if quick else cases:
        plan, took, _ = timed(problem, limit)
        cost, proven, other = cp_sat(problem, limit)
        worse += cost is not None and float(plan.cost) > cost + 0.5
        ratios.append((other if proven else limit) / max(took, 0.001))
        shown = "none" if cost is None else f"{cost / 8128:.3f}"
        rows.append(
            f"| {name} | {float(plan.cost) / 8128:.3f} | {plan.proven} | {took:.2f} | "
            f"{shown} | {proven} | {other:.2f} |"
        )
    mean_ratio = exp(mean(log(ratio) for ratio in ratios))
    rows.append(
        f"\nWorse than CP-SAT in {worse} of {len(ratios)}; {mean_ratio:.0f} times faster to proof (geometric mean; "
        f"an unfinished CP-SAT counts as its limit of {limit:.0f} s, so the true figure is higher)."
    )
    return rows


# -- our own -----------------------------------------------------------------------


OTHER_RULES = ("longest offcut first", "the shortest new bar after the offcuts", "new bars only, the longest")


def _other_rule(problem: BarProblem, name: str) -> float:
    """Cost in ticks of first fit that opens its bars in another order."""
    model = bar_model(problem)
    offcuts = [position for position, stock in enumerate(model.stocks) if not stock.endless]
    new = [position for position, stock in enumerate(model.stocks) if stock.endless]
    order = dict(zip(OTHER_RULES, (offcuts[::-1] + new[::-1], offcuts + new, new[::-1]), strict=True))[name]
    limits = [stock.limit for stock in model.stocks]
    return loading_cost(first_fit_loading(model, model.demand, limits, order)) / model.scale


def days(quick: bool) -> Table:
    """A 400-shade day, group by group, each with its own time."""
    seconds = 10.0 if quick else 60.0
    rows = [
        "| day | group | pieces | first plan s | gap at 1 s | at 10 s | at the end | proven | saved on first fit |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    others, ceilings, saved = [], [], []
    for seed in (11,) if quick else (11, 12):
        cost = bound = plain = ten = 0.0
        day = shade_day(seed)
        for (name, problem), (plan, _, trace) in zip(
            day.items(), two_at_a_time(partial(timed, seconds=seconds), day.values()), strict=True
        ):
            rule = float(first_fit(problem).cost)
            cost, bound, plain = cost + float(plan.cost), bound + float(plan.bound), plain + rule
            ten += gap_at(trace, 10) * float(plan.bound)
            rows.append(
                f"| {seed} | {name} | {sum(piece.quantity for piece in problem.pieces)} | {trace[0][0]:.2f} | "
                f"{percent(gap_at(trace, 1))} | {percent(gap_at(trace, 10))} | {percent(plan.gap)} | "
                f"{plan.proven} | {percent(1 - float(plan.cost) / rule)} |"
            )
        saved.append(1 - cost / plain)
        ceilings.append(f"day {seed}: {percent(1 - bound / plain)}")
        others.append(
            f"day {seed}: "
            + ", ".join(
                f"{name} {percent(1 - cost / sum(_other_rule(problem, name) for problem in day.values()))}"
                for name in OTHER_RULES
            )
        )
        rows.append(
            f"| **{seed}** | **whole day** | | | | {percent(ten / bound)} | {percent(cost / bound - 1)} | | "
            f"{percent(1 - cost / plain)} |"
        )
    rows.append(
        f"\nEach group {seconds:.0f} s, two at a time. The rule compared with (`first_fit`): longest piece first, each "
        "into the first open bar with room; where none has room, the shortest offcut that holds it is opened, else "
        "the longest new bar. Of the plain rules it is about the best, and the one the "
        "last column and the target go by. The same stock, kerf, trim and worth of offcuts count for both plans."
    )
    rows.append(
        f"Saved on it by the mean of the days: {percent(mean(saved))}. By the bounds no plan can save more than: "
        + "; ".join(ceilings)
        + ".\n"
    )
    rows.append("Saved on first fit with another choice of the next bar: " + "; ".join(others) + ".")
    return rows


def scale(quick: bool) -> Table:
    """Many pieces of one stock."""
    rows = ["| pieces | lengths | bars | bound | above the bound | s |", "|---|---|---|---|---|---|"]
    for count in (1000, 5000) if quick else (400, 1000, 5000, 10000):
        problem = bars_of_one_stock(count, seed=count)
        plan, took, _ = timed(problem, 30)
        stock = problem.stock[0].length.ticks
        bars, bound = plan.material.ticks // stock, int(plan.bound // stock)
        rows.append(f"| {count} | {len(problem.pieces)} | {bars} | {bound} | {bars - bound} | {took:.1f} |")
    return rows


def _roll(task: tuple[int, int, tuple[int, ...], bool, float]) -> tuple[Plan, float, float, float]:
    """One roll planned: the plan, its seconds, what it saves against shelves, and the most any plan can."""
    count, seed, widths, turn, seconds = task
    problem = panels(count, seed, widths, turn)
    plan, took, _ = timed(problem, seconds)
    shelves = first_fit(problem).cost
    return plan, took, 1 - float(plan.cost / shelves), 1 - float(plan.bound / shelves)


def rolls(quick: bool) -> Table:
    """Cross cuts of endless rolls."""
    rows = ["| panels | rolls | turning | gap | proven | saved against shelves | s |", "|---|---|---|---|---|---|---|"]
    kinds = [((118,), False), ((98,), False), ((72,), False), ((118,), True), ((72, 98, 118), False)]
    tasks = [
        (count, seed, widths, turn, seconds)
        for count, seconds, seeds in ((20, 20.0, 1), (100, 20.0, 1 if quick else 3), (500, 30.0, 1 if quick else 2))
        for seed in range(count, count + seeds)
        for widths, turn in (kinds[:2] if quick else kinds)
    ]
    saved: dict[int, list[tuple[float, float]]] = {}
    for (count, _, widths, turn, _), (plan, took, less, ceiling) in zip(
        tasks, two_at_a_time(_roll, tasks), strict=True
    ):
        saved.setdefault(count, []).append((less, ceiling))
        rows.append(
            f"| {count} | {' '.join(map(str, widths))} in | {'yes' if turn else 'no'} | {percent(plan.gap)} | "
            f"{plan.proven} | {percent(less)} | {took:.1f} |"
        )
    rows += [
        "\nSaved against best-fit-decreasing shelves:\n",
        "| panels | mean | least | most that the bounds allow on the mean |",
        "|---|---|---|---|",
    ]
    for count, pairs in saved.items():
        less, ceiling = map(list, zip(*pairs, strict=True))
        rows.append(f"| {count} | {percent(mean(less))} | {percent(min(less))} | {percent(mean(ceiling))} |")
    rows.append(
        "\nThe rule: longest drop first, each panel into the open lay that holds it with the least width left over, "
        "else a new lay on the roll cheapest by area; where panels may be turned, the better of two such plans (as "
        "given, or the wide side across), which is more than the plain rule. Two solves at a time."
    )
    return rows


def burdens(problem: BarProblem, seconds: float) -> tuple[tuple[int, ...], tuple[int, ...], bool] | None:
    """
    Bars opened, offcuts kept and their ages of the cheapest plan as the search left it, then as it is given.

    None where the cost alone says it all: one stock, no offcut kept, or a plan of one bar.
    """
    from fabrication.rules.cutting.columns import fewer

    plain, seen = fewer.fewest_opened, []

    def noted(instance: Any, state: Any, seed: int, burden: Any) -> None:
        before, cost = fewer.total_burden(state.best, burden), loading_cost(state.best)
        plain(instance, state, seed, burden)
        assert loading_cost(state.best) == cost, "a second aim changed the cost"
        seen.append((before, fewer.total_burden(state.best, burden)))

    fewer.fewest_opened = noted
    try:
        plan = solve(problem, seconds)
    finally:
        fewer.fewest_opened = plain
    return (*seen[0], plan.proven) if seen else None


def second_aims(quick: bool) -> Table:
    """At equal cost: what is opened and what is kept, before and after the second aims had their say."""
    rows = ["| plans of | plans | proven | bars opened | before | offcuts kept | before | plans changed |"]
    rows.append("|---|---|---|---|---|---|---|---|")
    tasks: list[tuple[str, list[BarProblem]]] = [
        ("small numbers, up to 7 pieces", [small_bars(seed) for seed in range(7000, 7150 if quick else 8000)])
    ]
    for shades, seeds in ((6, 10), (20, 10), (60, 3 if quick else 10)):
        days = [shade_day(seed, shades=shades, offcuts=8) for seed in range(500, 500 + seeds)]
        tasks.append((f"{shades} shades", [problem for day in days for problem in day.values() if problem.pieces]))
    for shades, problems in tasks:
        found = [pair for problem in problems if (pair := burdens(problem, 5.0)) is not None]
        opened, kept = ([sum(pair[which][aim] for pair in found) for which in (1, 0)] for aim in (0, 1))
        changed, proven = sum(after != before for before, after, _ in found), sum(one[2] for one in found)
        rows.append(
            f"| {shades} | {len(found)} | {proven} | {opened[0]} | {opened[1]} | {kept[0]} | {kept[1]} | {changed} |"
        )
    rows.append(
        "\nEach plan 5 s at most; its cost is the same before and after. Bars of three lengths and eight offcuts."
    )
    return rows


SMALL: dict[str, tuple[Callable[[int], Any], Callable[[Any], Any]]] = {
    "bars": (small_bars, least_bar_cost),
    "rolls": (small_rolls, least_roll_cost),
}


def _judged(name: str, seeds: range) -> tuple[int, int, int]:
    """False proofs, plans that are not the cheapest, and plans left unproven."""
    make, least = SMALL[name]
    wrong = dear = unproven = 0
    for seed in seeds:
        problem = make(seed)
        plan = solve(problem, 5)
        best = least(problem)
        if plan.unplaced:
            wrong += best is not None
            continue
        wrong += plan.bound > best or (plan.proven and plan.cost != best)
        dear += plan.cost > best
        unproven += not plan.proven
    return wrong, dear, unproven


def honesty(quick: bool) -> Table:
    """Small random problems against enumeration."""
    number = 500 if quick else 5000
    rows = ["| problems | number | false proofs | cost not the least | left unproven |", "|---|---|---|---|---|"]
    for name in SMALL:
        marks = two_at_a_time(partial(_judged, name), [range(k, 100_000 + number, 40) for k in range(100_000, 100_040)])
        wrong, dear, open_ = (sum(column) for column in zip(*marks, strict=True))
        rows.append(f"| {name} | {number} | {wrong} | {dear} | {open_} |")
    return rows


def machine() -> str:
    """What this ran on."""
    loads = os.getloadavg()
    load = ", ".join(f"{value:.1f}" for value in loads)
    shared = "; above the number of cores, so seconds are upper figures" if max(loads) > (os.cpu_count() or 1) else ""
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    return (
        f"{now}; {os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}; "
        f"load average at the start {load}{shared}."
    )


def main() -> None:
    """Runs the parts asked for and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    default = os.environ.get("JAMBWISE_BENCHMARKS")
    parser.add_argument("--benchmarks", type=Path, default=Path(default) / "cutting" if default else None)
    parser.add_argument("--quick", action="store_true", help="fewer and shorter runs")
    parser.add_argument("--only", nargs="*", help="published, cp-sat, days, scale, rolls, second, honesty")
    parser.add_argument("--out", type=Path, default=Path("docs/bench-cutting.md"))
    asked = parser.parse_args()
    parts: dict[str, tuple[str, Callable[[], Table]]] = {
        "published": ("Published instances", lambda: published(asked.benchmarks, asked.quick)),
        "cp-sat": ("Against CP-SAT", lambda: against_cp_sat(asked.quick)),
        "days": ("A day of 400 shades", lambda: days(asked.quick)),
        "scale": ("Many pieces of one stock", lambda: scale(asked.quick)),
        "rolls": ("Cross cuts of rolls", lambda: rolls(asked.quick)),
        "second": ("Second aims", lambda: second_aims(asked.quick)),
        "honesty": ("Honesty", lambda: honesty(asked.quick)),
    }
    lines = ["# Cut plans, measured", "", machine(), "" if not asked.quick else "A quick run.\n"]
    for name, (title, run) in parts.items():
        if asked.only and name not in asked.only:
            continue
        print(title, file=sys.stderr, flush=True)
        lines += [f"## {title}", "", *run(), ""]
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    asked.out.write_text("\n".join(lines))
    print("\n".join(lines))


if __name__ == "__main__":
    main()
