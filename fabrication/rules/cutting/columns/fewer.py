"""At equal cost, fewer different patterns: every different one is a set-up at the saw or the table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from random import Random

import highspy
import numpy as np

from fabrication.rules.cutting.columns.column import Column, Loading, loading_cost
from fabrication.rules.cutting.columns.finish import plan_of, program
from fabrication.rules.cutting.columns.improve import part_of, renumbered
from fabrication.rules.cutting.columns.instance import Instance
from fabrication.rules.cutting.columns.pool import Pool, TooMany
from fabrication.rules.cutting.columns.solver import Quiet, run_within
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.watch import Watch

TRIES = 40
"""Neighbourhoods tried, so that the answer hangs on the seed and not on the clock."""

MOST_S = 0.5
"""Seconds after which the tries end all the same."""

SMALL_POOL = 400
NODES = 100
SMALL_PLAN = 6
"""Patterns up to which a plan is taken apart whole."""


def fewer_patterns(instance: Instance, state: State, seed: int, shown: Callable[[Loading], int]) -> None:
    """
    Makes the state's plan from fewer different patterns, at the cost it has.

    Some patterns that share types are taken apart, and an integer program over every
    pattern their pieces could be cut by at that cost looks for fewer. `shown` counts the
    patterns of a plan as people see them, by names; that number never grows either.
    """
    chance = Random(seed)
    watch = state.watch.after(MOST_S)
    stale = 0
    while stale < TRIES and len(state.best) > 1 and not watch.out():
        stale += TRIES if len(state.best) <= SMALL_PLAN else 1
        picked = _alike(state.best, chance)
        if len(picked) < 2 or not _can_repeat(picked):
            continue
        found = _with_fewer(instance, state, picked, watch)
        if found is None:
            continue
        whole = state.best - picked + found
        simpler = len(whole) < len(state.best) and shown(whole) <= shown(state.best)
        if simpler and loading_cost(whole) == state.cost and instance.fits(whole):
            state.best = whole
            stale = 0


def _alike(best: Loading, chance: Random) -> Loading:
    """A pattern and some that make much of the same."""
    columns = sorted(best)
    if len(columns) <= SMALL_PLAN:
        return Counter(best)
    first = chance.choice(columns)
    made = {kind for kind, _ in first.rows}
    scores = {
        column: sum(kind in made for kind, _ in column.rows) + 1.5 * chance.random()
        for column in columns
        if column != first
    }
    others = sorted(scores, key=lambda column: -scores[column])[: chance.randint(1, 10)]
    return Counter({column: best[column] for column in (first, *others)})


def _can_repeat(picked: Loading) -> bool:
    """Fewer patterns need one that is cut at least twice (or fewer bars, at a cost that allows it)."""
    made: Counter[int] = Counter()
    for column, times in picked.items():
        for kind, count in column.rows:
            made[kind] += count * times
    return max(made.values()) > 1 or len({column.stock for column in picked}) > 1


def _with_fewer(instance: Instance, state: State, picked: Loading, watch: Watch) -> Loading | None:
    """A plan for what these patterns make, at their cost, from fewer patterns."""
    part, kinds, stocks = part_of(instance, state.best, picked)
    prices, scale = state.bound.prices, state.bound.scale
    bound = part.certified([prices[kind] / scale for kind in kinds])
    cost = loading_cost(picked)
    try:
        pool = part.pool(bound, cost, SMALL_POOL)
    except TooMany:
        return None
    if not len(pool):
        return None
    found = _fewest(part, pool, cost, len(picked) - 1, watch)
    if found is None:
        return None
    return Counter({renumbered(column, kinds, stocks): times for column, times in found.items()})


def _fewest(part: Instance, pool: Pool, cost: int, most: int, watch: Watch) -> dict[Column, int] | None:
    """Fixed charges: every pattern used costs one, and at most `most` are used."""
    infinity = highspy.kHighsInf
    often = np.minimum.reduceat(np.array(part.demand)[pool.kinds] // pool.counts, pool.starts[:-1])
    lp = program(pool, part.demand, part.limits, (cost + 0.25 * part.quantum) / part.unit, part.unit)
    lp.col_upper_ = often.astype(float)
    lp.col_cost_ = np.where(often > 1, 0.0, 1.0)
    highs = Quiet()
    for option, value in (("mip_abs_gap", 0.5), ("mip_max_nodes", NODES), ("random_seed", 0)):
        highs.setOptionValue(option, value)
    highs.passModel(lp)
    several = np.nonzero(often > 1)[0].tolist()
    for number, position in enumerate(several):
        column = len(pool) + number
        highs.addCol(1.0, 0.0, 1.0, 0, np.empty(0, dtype=np.int32), np.empty(0))
        highs.changeColIntegrality(column, highspy.HighsVarType.kInteger)
        index = np.array([position, column], dtype=np.int32)
        highs.addRow(-infinity, 0.0, 2, index, np.array([1.0, -float(often[position])]))
    charged = np.array([*np.nonzero(often <= 1)[0].tolist(), *range(len(pool), len(pool) + len(several))])
    highs.addRow(-infinity, most + 0.5, len(charged), charged.astype(np.int32), np.ones(len(charged)))
    if not run_within(highs, watch, watch.left()):
        return None
    return plan_of(pool, highs, part.demand, part.limits)
