"""The end of a search: an integer program over every pattern that a cheaper plan could use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np

from fabrication.rules.cutting.arrays import Small
from fabrication.rules.cutting.columns.column import Loading
from fabrication.rules.cutting.columns.pool import Pool
from fabrication.rules.cutting.columns.solver import Quiet, run_within
from fabrication.rules.cutting.watch import Watch

HEURISTICS = ("rins", "rens", "root_reduced_cost", "feasibility_jump")
"""Those of the solver that plan a part anew by integer programs of their own, or by chance."""

Cut = tuple[Small, int]


@dataclass(frozen=True, slots=True)
class Finished:
    """The cheapest plan found, and whether the search was complete (no plan: there is none)."""

    loading: Loading | None
    complete: bool


def best_of_pool(
    pool: Pool,
    demand: Sequence[int],
    limits: Sequence[int | None],
    target: int,
    unit: float,
    watch: Watch,
    *,
    presolve: bool = True,
    seed: int = 0,
    nodes: int = 10**8,
    quantum: int = 1,
    cuts: Sequence[Cut] = (),
    goal: int | None = None,
    heuristics: bool = True,
) -> Finished:
    """
    The cheapest exact plan out of the pool that costs at most `target` cost units.

    Every demand is met exactly: a plan that makes more can be thinned at no cost, and the
    patterns of the thinned plan are within the same slack, so they are in the pool too.
    `cuts`: rows Σ coefficient × times ≤ side that every such plan satisfies. `goal`: a cost
    known to be least, with which the search may stop. Without `heuristics` a program that has
    no answer is through in half the time.
    """
    if not _can_cover(pool, demand):
        return Finished(None, True)
    highs = Quiet()
    for option, value in (
        ("mip_rel_gap", 0.0),
        ("random_seed", seed),
        ("mip_abs_gap", 0.5 * quantum / unit),
        ("presolve", "choose" if presolve else "off"),
        ("mip_max_nodes", nodes),
        *((f"mip_heuristic_run_{name}", heuristics) for name in HEURISTICS),
    ):
        highs.setOptionValue(option, value)
    highs.passModel(program(pool, demand, limits, (target + 0.25 * quantum) / unit, unit))
    _add_cuts(highs, cuts)
    _count_by_use(highs, pool, sum(demand))
    if goal is not None:
        highs.setOptionValue("objective_target", (goal + 0.25 * quantum) / unit)
    if not run_within(highs, watch):
        return Finished(None, False)
    status = highs.getModelStatus()
    if status == highspy.HighsModelStatus.kInfeasible:
        return Finished(None, True)
    done = status == highspy.HighsModelStatus.kOptimal
    loading = plan_of(pool, highs, demand, limits)
    return Finished(loading, done and loading is not None)


def _can_cover(pool: Pool, demand: Sequence[int]) -> bool:
    covered = np.bincount(pool.kinds, minlength=len(demand)) > 0
    return bool(covered[np.array(demand) > 0].all())


def program(
    pool: Pool, demand: Sequence[int], limits: Sequence[int | None], target: float, unit: float
) -> highspy.HighsLp:
    """Demands met exactly within the limits and the target, at least cost; costs in `unit`s."""
    count, kinds = len(pool), len(demand)
    limited = [stock for stock, limit in enumerate(limits) if limit is not None]
    row_of = {stock: kinds + position for position, stock in enumerate(limited)}
    budget = kinds + len(limited)
    owner = np.repeat(np.arange(count), np.diff(pool.starts))
    stock_row = np.full(len(limits), -1, dtype=np.int64)
    for stock, row in row_of.items():
        stock_row[stock] = row
    in_limited = stock_row[pool.stock] >= 0
    cost = pool.cost / unit
    columns = np.concatenate([owner, np.nonzero(in_limited)[0], np.arange(count)])
    rows = np.concatenate([pool.kinds, stock_row[pool.stock][in_limited], np.full(count, budget)])
    values = np.concatenate([pool.counts.astype(float), pool.use[in_limited].astype(float), cost])
    height = budget + 1
    keys, position = np.unique(columns * height + rows, return_inverse=True)  # a type as it is and turned: one entry
    entries = np.bincount(position, weights=values)
    need = np.array(demand, dtype=float)
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = count, budget + 1
    lp.col_cost_ = cost
    lp.col_lower_, lp.col_upper_ = np.zeros(count), np.full(count, float(max(demand)))
    lp.row_lower_ = np.concatenate([need, np.full(len(limited) + 1, -highspy.kHighsInf)])
    lp.row_upper_ = np.concatenate([need, [float(limits[stock] or 0) for stock in limited], [target]])
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    starts = np.append(0, np.cumsum(np.bincount(keys // height, minlength=count)))
    matrix: Any = lp.a_matrix_  # its stubs know only lists of floats
    matrix.start_, matrix.index_, matrix.value_ = starts, keys % height, entries
    lp.integrality_ = [highspy.HighsVarType.kInteger] * count
    return lp


def _add_cuts(highs: Quiet, cuts: Sequence[Cut]) -> None:
    for coefs, side in cuts:
        index = np.nonzero(coefs)[0].astype(np.int32)
        highs.addRow(-highspy.kHighsInf, float(side), len(index), index, coefs[index].astype(float))


def _count_by_use(highs: Quiet, pool: Pool, most: int) -> None:
    """
    Whole variables for how many patterns take at least so much of their stock.

    Where patterns differ in what they take, the cost of a plan hangs on these counts alone:
    to branch on them, or to cut them, tells more than any single pattern does.
    """
    uses = np.unique(pool.use)[::-1]
    if len(uses) < 2:
        return
    first = len(pool)
    for position, use in enumerate(uses.tolist(), start=first):
        highs.addCol(0.0, 0.0, float(most), 0, np.empty(0, dtype=np.int32), np.empty(0))
        highs.changeColIntegrality(position, highspy.HighsVarType.kInteger)
        longer = [position - 1] if position > first else []
        index = np.array([*np.nonzero(pool.use == use)[0], *longer, position], dtype=np.int32)
        value = np.ones(len(index))
        value[-1] = -1.0
        highs.addRow(0.0, 0.0, len(index), index, value)


def plan_of(pool: Pool, highs: highspy.Highs, demand: Sequence[int], limits: Sequence[int | None]) -> Loading | None:
    """The solver's solution, if in whole numbers it makes exactly the demand within the limits."""
    values = np.array(highs.getSolution().col_value)[: len(pool)]
    if len(values) != len(pool):
        return None
    times = np.rint(values).astype(np.int64)
    if (times < 0).any():
        return None
    made = np.bincount(
        pool.kinds, weights=(pool.counts * np.repeat(times, np.diff(pool.starts))), minlength=len(demand)
    )
    if made.astype(np.int64).tolist() != list(demand):
        return None
    for stock, limit in enumerate(limits):
        if limit is not None and int((times * pool.use)[pool.stock == stock].sum()) > limit:
            return None
    return pool.loading([(position, int(times[position])) for position in np.nonzero(times)[0].tolist()])
