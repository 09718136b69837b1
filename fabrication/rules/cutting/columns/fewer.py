"""
At equal cost, what a cutter would rather: less stock opened, then fewer different patterns.

Every piece of stock opened is fetched and measured; every different pattern is a set-up at the saw.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

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
TRIES_IN_ALL = 60
"""Neighbourhoods tried in vain in a row, and in all, so that the answer hangs on the seed and not on the clock."""

MOST_S = 3.0
"""Seconds after which the tries end all the same."""

SMALL_POOL = 400
NODES = 100
SMALL_PLAN = 6
"""Patterns up to which a plan is taken apart whole."""

Burden = Callable[[Column], tuple[int, ...]]
"""What one pattern of the whole adds to each of the second aims, the weightiest first."""

Integers = np.ndarray[Any, np.dtype[np.int64]]


def fewest_opened(instance: Instance, state: State, seed: int, burden: Burden) -> None:
    """
    Makes the state's plan of the least burden that is found, at the cost it has: the weightiest aim first.

    Parts of the plan are taken apart and put together anew, a small plan whole.
    """

    def lighter(whole: Loading) -> bool:
        return total_burden(whole, burden) < total_burden(state.best, burden)

    _put_together_anew(instance, state, seed, burden, _lightest, bool, lighter)


def fewer_patterns(
    instance: Instance, state: State, seed: int, shown: Callable[[Loading], int], burden: Burden = lambda _: (0,)
) -> None:
    """
    Makes the state's plan from fewer different patterns, at the cost it has and no heavier a burden.

    Some patterns that share types are taken apart, and an integer program over every
    pattern their pieces could be cut by at that cost looks for fewer. `shown` counts the
    patterns of a plan as people see them, by names; that number never grows either.
    """

    def simpler(whole: Loading) -> bool:
        is_simpler = len(whole) < len(state.best) and shown(whole) <= shown(state.best)
        return is_simpler and total_burden(whole, burden) <= total_burden(state.best, burden)

    _put_together_anew(instance, state, seed, burden, _fewest, _can_repeat, simpler)


def total_burden(loading: Loading, burden: Burden) -> tuple[int, ...]:
    """What a plan's patterns add up to, aim by aim."""
    rows = ([times * amount for amount in burden(column)] for column, times in loading.items())
    return tuple(map(sum, zip(*rows, strict=True)))


def _put_together_anew(
    instance: Instance,
    state: State,
    seed: int,
    burden: Burden,
    solve: Callable[[_Taken], Loading | None],
    can_help: Callable[[Loading], bool],
    is_better: Callable[[Loading], bool],
) -> None:
    """Neighbourhood by neighbourhood, until so many in a row or in all came to nothing."""
    chance = Random(seed)
    watch = state.watch.after(MOST_S)
    stale, tries = 0, 0
    while stale < TRIES and tries < TRIES_IN_ALL and not watch.out():
        tries += 1
        watch.spend(2 * SMALL_POOL)
        stale += TRIES if len(state.best) <= SMALL_PLAN else 1
        picked = _alike(state.best, chance)
        if not can_help(picked):
            continue
        found = _anew(instance, state, picked, burden, watch, solve)
        if found is None:
            continue
        whole = state.best - picked + found
        if is_better(whole) and loading_cost(whole) == state.cost and instance.fits(whole):
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
    return len(picked) > 1 and (max(made.values()) > 1 or len({column.stock for column in picked}) > 1)


@dataclass(frozen=True, slots=True)
class _Taken:
    """Patterns taken apart: what they make as a problem of its own, and all patterns that can make it at their cost."""

    part: Instance
    pool: Pool
    cost: int
    patterns: int
    weights: Integers
    """The burden of each pattern of the pool as one number."""
    weight: int
    """The burden there is now."""
    watch: Watch


def _anew(
    instance: Instance,
    state: State,
    picked: Loading,
    burden: Burden,
    watch: Watch,
    solve: Callable[[_Taken], Loading | None],
) -> Loading | None:
    """A plan for what these patterns make, at their cost."""
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
    shares = [burden(renumbered(pool.column(position), kinds, stocks)) for position in range(len(pool))]
    now = total_burden(picked, burden)
    weigh = _weighing([*shares, *map(burden, picked)], sum(picked.values()))
    weights = np.array([weigh(share) for share in shares], dtype=np.int64)
    found = solve(_Taken(part, pool, cost, len(picked), weights, weigh(now), watch))
    if found is None:
        return None
    return Counter({renumbered(column, kinds, stocks): times for column, times in found.items()})


def _weighing(shares: Sequence[tuple[int, ...]], patterns: int) -> Callable[[tuple[int, ...]], int]:
    """Several aims as one number: no amount of a lighter one in so many patterns outweighs a weightier."""
    bases = [1]
    for amounts in reversed(list(zip(*shares, strict=True))[1:]):
        bases.append(bases[-1] * (patterns * max(amounts) + 1))
    return lambda share: sum(base * amount for base, amount in zip(reversed(bases), share, strict=True))


def _lightest(taken: _Taken) -> Loading | None:
    """The least burden."""
    if not taken.weights.any():
        return None
    lp = _at_cost(taken)
    lp.col_cost_ = taken.weights.astype(float)
    highs = _solver()
    highs.passModel(lp)
    return _made(taken, highs)


def _fewest(taken: _Taken) -> Loading | None:
    """Fixed charges: every pattern used costs one, one less are used than there are, the burden grows no heavier."""
    infinity = highspy.kHighsInf
    pool = taken.pool
    often = np.minimum.reduceat(np.array(taken.part.demand)[pool.kinds] // pool.counts, pool.starts[:-1])
    lp = _at_cost(taken)
    lp.col_upper_ = often.astype(float)
    lp.col_cost_ = np.where(often > 1, 0.0, 1.0)
    highs = _solver()
    highs.passModel(lp)
    heavy = np.nonzero(taken.weights)[0].astype(np.int32)
    highs.addRow(-infinity, taken.weight + 0.5, len(heavy), heavy, taken.weights[heavy].astype(float))
    several = np.nonzero(often > 1)[0].tolist()
    for number, position in enumerate(several):
        column = len(pool) + number
        highs.addCol(1.0, 0.0, 1.0, 0, np.empty(0, dtype=np.int32), np.empty(0))
        highs.changeColIntegrality(column, highspy.HighsVarType.kInteger)
        index = np.array([position, column], dtype=np.int32)
        highs.addRow(-infinity, 0.0, 2, index, np.array([1.0, -float(often[position])]))
    charged = np.array([*np.nonzero(often <= 1)[0].tolist(), *range(len(pool), len(pool) + len(several))])
    highs.addRow(-infinity, taken.patterns - 0.5, len(charged), charged.astype(np.int32), np.ones(len(charged)))
    return _made(taken, highs)


def _at_cost(taken: _Taken) -> highspy.HighsLp:
    part = taken.part
    return program(taken.pool, part.demand, part.limits, (taken.cost + 0.25 * part.quantum) / part.unit, part.unit)


def _solver() -> Quiet:
    highs = Quiet()
    for option, value in (("mip_abs_gap", 0.5), ("mip_max_nodes", NODES), ("random_seed", 0)):
        highs.setOptionValue(option, value)
    return highs


def _made(taken: _Taken, highs: Quiet) -> Loading | None:
    if not run_within(highs, taken.watch):
        return None
    return plan_of(taken.pool, highs, taken.part.demand, taken.part.limits)
