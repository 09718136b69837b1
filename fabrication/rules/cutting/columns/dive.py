"""Dives: fix what the linear program is surest of, price anew, until every piece is cut."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from random import Random

import numpy as np

from fabrication.rules.cutting.columns.column import Column, Loading, loading_cost
from fabrication.rules.cutting.columns.generation import Relaxed, relax
from fabrication.rules.cutting.columns.instance import Pricing
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.watch import Watch

FIX_STEPS = 500
"""Steps of one fixing, beside one for each pattern."""


def dive(
    master: Master,
    pricing: Pricing,
    demand: Sequence[int],
    limits: Sequence[int | None],
    start: Relaxed,
    below: float,
    watch: Watch,
    chance: Random | None = None,
    rounds: int = 10**6,
    pace: float = 0.0,
) -> Loading | None:
    """
    One plan rounded from the linear program; None when it would not cost less than `below`.

    Parameters
    ----------
    start
        Solution of the program over the full demand.
    below
        Cost units; the dive ends as soon as its own program says it can't stay below.
    chance
        Perturbs which pattern is fixed first; None takes the largest fraction.
    rounds
        Pricing rounds after each fixing.
    pace
        Share of the bars still to come that may be fixed at once beside whole ones.

    References
    ----------
    .. [1] R. Sadykov, F. Vanderbeck, A. Pessoa, I. Tahiri, E. Uchoa (2019). Primal heuristics
           for branch and price: the assets of diving methods. INFORMS J. on Computing 31(2).
    """
    need = list(demand)
    left = list(limits)
    loading: Loading = Counter()
    relaxed: Relaxed | None = start
    try:
        while relaxed is not None and not watch.out():
            if loading_cost(loading) + relaxed.value > below + 1e-6 * master.unit:
                return None
            fixed = _fix(master.columns, relaxed.used, need, left, chance, pace)
            if not fixed:
                return None  # only leaving pieces out would help
            loading.update(fixed)
            if not any(need):
                return loading
            watch.spend(FIX_STEPS + len(master.columns))
            master.set_rows(need, left)
            pricing.reset(need)
            relaxed = relax(master, pricing, watch, rounds)
        return None
    finally:
        master.set_rows(demand, limits)
        pricing.reset(demand)


def _fix(
    columns: Sequence[Column],
    used: np.ndarray[tuple[int], np.dtype[np.float64]],
    need: list[int],
    left: list[int | None],
    chance: Random | None,
    pace: float,
) -> Loading:
    """Takes whole patterns, else the surest; lowers `need` and `left`."""
    fixed: Loading = Counter()
    positive = np.nonzero(used > 1e-6)[0].tolist()
    for j in positive:
        times = int(used[j] + 1e-6)
        if times:
            _take(columns[j], times, need, left, fixed)
    rest = [(used[j] % 1.0 + (chance.random() * 0.4 if chance else 0.0), j) for j in positive]
    rest.sort(key=lambda entry: (-entry[0], entry[1]))
    extra = max(0 if fixed else 1, int(pace * float(used.sum())))
    for score, j in rest:
        if extra <= 0 or (fixed and score < 0.5):
            break
        extra -= _take(columns[j], 1, need, left, fixed)
    return fixed


def _take(column: Column, times: int, need: list[int], left: list[int | None], fixed: Loading) -> int:
    times = min([times, *(need[kind] // count for kind, count in column.rows)])
    available = left[column.stock]
    if available is not None:
        times = min(times, available // column.use)
    if times <= 0:
        return 0
    for kind, count in column.rows:
        need[kind] -= count * times
    if available is not None:
        left[column.stock] = available - times * column.use
    fixed[column] += times
    return times
