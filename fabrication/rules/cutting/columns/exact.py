"""A small search in integers, for plans that differ by less than a solver in floats can tell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from fabrication.rules.cutting.columns.finish import Finished
from fabrication.rules.cutting.columns.instance import Bound
from fabrication.rules.cutting.columns.pool import Pool
from fabrication.rules.cutting.watch import Watch

MOST_PATTERNS = 2_000
MOST_PIECES = 60
MOST_NODES = 100_000


def cheapest(
    pool: Pool, demand: Sequence[int], limits: Sequence[int | None], target: int, bound: Bound, watch: Watch
) -> Finished:
    """
    A plan out of the pool that costs at most `target` cost units, or that there is none.

    Depth first: a type not yet covered, in every pattern that makes it. Over a whole plan
    the reduced costs by the bound's prices, none below 0, come to no more than
    scale × target − exact; a branch that spends more is left.
    """
    if not len(pool) or len(pool) > MOST_PATTERNS or sum(demand) > MOST_PIECES:
        return Finished(None, False)
    return _Tree(pool, demand, limits, target, bound, watch).run()


class _Tree:
    def __init__(
        self, pool: Pool, demand: Sequence[int], limits: Sequence[int | None], target: int, bound: Bound, watch: Watch
    ) -> None:
        self.pool, self.target, self.watch = pool, target, watch
        self.left, self.free = list(demand), list(limits)
        self.slack = bound.scale * target - bound.exact
        self.cost, self.stock, self.use = pool.cost.tolist(), pool.stock.tolist(), pool.use.tolist()
        self.rows: list[dict[int, int]] = []
        for start, end in pairwise(pool.starts.tolist()):
            made: Counter[int] = Counter()
            for kind, count in zip(pool.kinds[start:end].tolist(), pool.counts[start:end].tolist(), strict=True):
                made[kind] += count
            self.rows.append(dict(made))
        self.reduced = [
            bound.scale * self.cost[j]
            + bound.stock_prices[self.stock[j]] * self.use[j]
            - sum(bound.prices[kind] * count for kind, count in row.items())
            for j, row in enumerate(self.rows)
        ]
        by_reduced = sorted(range(len(pool)), key=lambda j: self.reduced[j])
        self.makers = [[j for j in by_reduced if kind in self.rows[j]] for kind in range(len(demand))]
        self.order = sorted(range(len(demand)), key=lambda kind: len(self.makers[kind]))
        self.taken: list[int] = []
        self.nodes = 0

    def run(self) -> Finished:
        if min(self.reduced) < 0:
            return Finished(None, False)
        found = self._cover(0, 0, 0, 0)
        plan = self.pool.loading([(j, times) for j, times in Counter(self.taken).items()]) if found else None
        return Finished(plan, self.nodes <= MOST_NODES)

    def _cover(self, position: int, first: int, spent: int, cost: int) -> bool:
        while position < len(self.order) and not self.left[self.order[position]]:
            position, first = position + 1, 0
        if position == len(self.order):
            return cost <= self.target
        makers = self.makers[self.order[position]]
        for number in range(first, len(makers)):
            j = makers[number]
            if spent + self.reduced[j] > self.slack:
                return False
            if not self._fits(j):
                continue
            self.nodes += 1
            self.watch.spend(5)
            if self.nodes % 1000 == 0 and self.watch.out():
                self.nodes = MOST_NODES + 1
            if self.nodes > MOST_NODES:
                return False
            self._take(j, 1)
            if self._cover(position, number, spent + self.reduced[j], cost + self.cost[j]):
                return True
            self._take(j, -1)
        return False

    def _fits(self, j: int) -> bool:
        free = self.free[self.stock[j]]
        return (free is None or free >= self.use[j]) and all(
            self.left[kind] >= count for kind, count in self.rows[j].items()
        )

    def _take(self, j: int, times: int) -> None:
        for kind, count in self.rows[j].items():
            self.left[kind] -= times * count
        free = self.free[self.stock[j]]
        if free is not None:
            self.free[self.stock[j]] = free - times * self.use[j]
        if times > 0:
            self.taken.append(j)
        else:
            self.taken.pop()
