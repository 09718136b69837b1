"""Large neighbourhoods: a few bars of the plan are taken apart and planned anew."""

from __future__ import annotations

from collections import Counter
from random import Random

from fabrication.rules.cutting.columns.column import Column, Loading, loading_cost
from fabrication.rules.cutting.columns.dive import dive
from fabrication.rules.cutting.columns.finish import best_of_pool
from fabrication.rules.cutting.columns.generation import Relaxed, relax
from fabrication.rules.cutting.columns.instance import Instance
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.columns.pool import TooMany
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.watch import Watch

TRY_STEPS = 1000
"""Steps of choosing a neighbourhood in a plan of a hundred patterns, half of them whatever its size."""

SMALL_POOL = 1200
"""Patterns up to which a neighbourhood is solved by an integer program as well."""


def improve(instance: Instance, state: State, relaxed: Relaxed, chance: Random, tries: int, watch: Watch) -> int:
    """Plans `tries` neighbourhoods anew; returns how many made the plan cheaper."""
    better = 0
    for _ in range(tries):
        if watch.out() or state.proven:
            break
        watch.spend(TRY_STEPS + TRY_STEPS / 100 * len(state.best))
        picked = _neighbourhood(state.best, relaxed, chance)
        found = _planned_anew(instance, state, picked, chance, watch)
        if found is not None:
            whole = state.best - picked + found
            if instance.fits(whole):
                better += state.offer(instance.tidied(whole), "neighbourhoods")
    return better


def _neighbourhood(best: Loading, relaxed: Relaxed, chance: Random) -> Loading:
    """Some patterns that the dual prices find dear, and some by chance."""
    bars = sorted(best.elements())
    size = min(len(bars), chance.randint(3, 10))
    excess = [
        max(
            1e-9,
            column.cost
            + relaxed.stock_prices.get(column.stock, 0.0)
            - sum(float(relaxed.prices[kind]) * count for kind, count in column.rows),
        )
        for column in bars
    ]
    dear = chance.randint(1, size)
    keys = [(chance.random() ** (1 / share), j) for j, share in enumerate(excess)]
    order = [j for _, j in sorted(keys, reverse=True)]
    rest = order[dear:]
    chance.shuffle(rest)
    return Counter(bars[j] for j in order[:dear] + rest[: size - dear])


def _planned_anew(instance: Instance, state: State, picked: Loading, chance: Random, watch: Watch) -> Loading | None:
    """A cheaper plan for the pieces of these patterns, out of their stock and what is unused."""
    part, kinds, stocks = part_of(instance, state.best, picked)
    found = solved_small(part, loading_cost(picked) - instance.quantum, chance, watch)
    if found is None:
        return None
    return Counter({renumbered(column, kinds, stocks): times for column, times in found.items()})


def part_of(instance: Instance, best: Loading, picked: Loading) -> tuple[Instance, list[int], list[int]]:
    """The problem of what some patterns of a plan make, and its types' and stocks' numbers there."""
    demand = [0] * len(instance.demand)
    for column, times in picked.items():
        for kind, count in column.rows:
            demand[kind] += count * times
    left = list(instance.limits)
    for column, times in (best - picked).items():
        limit = left[column.stock]
        if limit is not None:
            left[column.stock] = limit - column.use * times
    return instance.narrowed(demand, left)


def renumbered(column: Column, kinds: list[int], stocks: list[int]) -> Column:
    """A pattern of a part in the numbers of the whole."""
    rows = tuple((kinds[kind], count) for kind, count in column.rows)
    turned = tuple((kinds[kind], count) for kind, count in column.turned)
    return column._replace(stock=stocks[column.stock], rows=rows, turned=turned)


def solved_small(part: Instance, below: int, chance: Random, watch: Watch) -> Loading | None:
    """A plan of a small problem that costs at most `below`, if it can be had quickly."""
    master = Master(part.demand, part.limits, part.unit)
    pricing = part.pricing()
    relaxed = relax(master, pricing, watch)
    if relaxed is None or not relaxed.converged or relaxed.value > below + 1e-6 * part.unit:
        return None
    for turn in range(2):
        loading = dive(master, pricing, part.demand, part.limits, relaxed, below, watch, chance if turn else None)
        if loading is not None:
            return loading
    bound = part.certified(relaxed.prices.tolist())
    if bound.units > below:
        return None
    watch.spend(2 * SMALL_POOL)
    try:
        pool = part.pool(bound, below, SMALL_POOL)
    except TooMany:
        return None
    return best_of_pool(
        pool, part.demand, part.limits, below, part.unit, watch.share(1.0, 1.0), quantum=part.quantum, nodes=200
    ).loading
