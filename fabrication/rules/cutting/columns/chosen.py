"""The best plan out of the patterns priced so far: quick where there are few, and blind to all others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

import highspy
import numpy as np

from fabrication.rules.cutting.columns.column import Column, Loading
from fabrication.rules.cutting.columns.solver import Quiet, run_within
from fabrication.rules.cutting.watch import Watch


def chosen(
    columns: Sequence[Column],
    demand: Sequence[int],
    limits: Sequence[int | None],
    unit: float,
    watch: Watch,
    seed: int = 0,
    nodes: int = 10**8,
) -> Loading:
    """
    Patterns that cover every demand within the limits, at least cost; none when there was no time.

    After so many `nodes` of the search the best so far is taken. Some pieces may be made too
    often (`thinned` takes them out). The restricted master heuristic: an integer program over
    the patterns of the linear program.

    References
    ----------
    .. [1] C. Joncour, S. Michel, R. Sadykov, D. Sverdlov, F. Vanderbeck (2010). Column
           generation based primal heuristics. Electronic Notes in Discrete Mathematics 36.
    """
    usable = [column for column in columns if all(count <= demand[kind] for kind, count in column.rows)]
    limited = [stock for stock, limit in enumerate(limits) if limit is not None]
    row_of = {stock: len(demand) + position for position, stock in enumerate(limited)}
    starts: list[int] = [0]
    index: list[int] = []
    value: list[float] = []
    for column in usable:
        index.extend(kind for kind, _ in column.rows)
        value.extend(float(count) for _, count in column.rows)
        if column.stock in row_of:
            index.append(row_of[column.stock])
            value.append(float(column.use))
        starts.append(len(index))
    infinity = highspy.kHighsInf
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(usable), len(demand) + len(limited)
    lp.col_cost_ = np.array([column.cost / unit for column in usable])
    lp.col_lower_, lp.col_upper_ = np.zeros(len(usable)), np.full(len(usable), float(max(demand)))
    lp.row_lower_ = np.array([*map(float, demand), *[-infinity] * len(limited)])
    lp.row_upper_ = np.array([*[infinity] * len(demand), *[float(limits[stock] or 0) for stock in limited]])
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_, lp.a_matrix_.index_, lp.a_matrix_.value_ = starts, index, value
    lp.integrality_ = [highspy.HighsVarType.kInteger] * len(usable)
    highs = Quiet()
    highs.setOptionValue("random_seed", seed)
    highs.setOptionValue("mip_rel_gap", 0.0)
    highs.setOptionValue("mip_max_nodes", nodes)
    highs.passModel(lp)
    if not run_within(highs, watch):
        return Counter()
    values = np.array(highs.getSolution().col_value)
    if len(values) != len(usable):
        return Counter()
    times = np.rint(values).astype(np.int64)
    return Counter({usable[position]: int(times[position]) for position in np.nonzero(times > 0)[0].tolist()})


def thinned(loading: Loading, demand: Sequence[int], without: Callable[[Column, int], Column | None]) -> Loading | None:
    """
    The plan without the pieces it makes too often, each taken where that saves most; None when some are missing.

    `without` takes one piece of a type from a pattern (None: that was its only piece).
    """
    over = [-need for need in demand]
    for column, times in loading.items():
        for kind, count in column.rows:
            over[kind] += count * times
    if min(over) < 0:
        return None
    loading = Counter(loading)
    for kind, extra in enumerate(over):
        for _ in range(extra):
            able = [column for column in loading if any(kind == other for other, _ in column.rows)]
            rests = [(column, without(column, kind)) for column in able]
            column, rest = max(rests, key=lambda pair: (pair[0].cost - (pair[1].cost if pair[1] else 0), pair[0]))
            loading = loading - Counter([column])
            if rest is not None:
                loading[rest] += 1
    return loading
