"""Rolls as the search over patterns sees them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fabrication.rules.cutting.columns.column import Column, Loading, one_less
from fabrication.rules.cutting.columns.generation import relax
from fabrication.rules.cutting.columns.instance import Bound
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.columns.pool import Pool
from fabrication.rules.cutting.rolls.bounds import certified, least_bound
from fabrication.rules.cutting.rolls.enumerate import lays_within
from fabrication.rules.cutting.rolls.levels import least_lays
from fabrication.rules.cutting.rolls.model import RollModel, fits
from fabrication.rules.cutting.rolls.pricing import RollPricing
from fabrication.rules.cutting.watch import Watch


class RollInstance:
    """A roll model with what the search asks of it."""

    def __init__(self, model: RollModel) -> None:
        self.model = model
        self.demand = model.demand
        self.limits: tuple[int | None, ...] = tuple(stock.limit for stock in model.stocks)
        self.quantum = model.quantum
        self._levels: dict[int, int] = {}
        self.scale = model.scale
        self.complete = not model.barred
        longest = max(way.drop for way in model.ways)
        self.unit = float(max(stock.price for stock in model.stocks) * longest or 1)

    def pricing(self) -> RollPricing:
        """Finds lays."""
        return RollPricing(self.model, self.demand)

    def certified(self, prices: Sequence[float]) -> Bound:
        """The bound that dual prices prove in integers."""
        return certified(self.model, prices)

    def pool(self, bound: Bound, target: int, most: int) -> Pool:
        """All lays a plan of cost <= target can use; raises `TooMany`."""
        slack = target * bound.scale - bound.exact
        return lays_within(self.model, bound.prices, bound.stock_prices, bound.scale, slack, most)

    def narrowed(
        self, demand: Sequence[int], limits: Sequence[int | None]
    ) -> tuple[RollInstance, list[int], list[int]]:
        """The same problem for a part of the demand and stock; its types' and stocks' numbers here."""
        model = self.model
        kinds = [kind for kind, need in enumerate(demand) if need]
        position = {kind: number for number, kind in enumerate(kinds)}
        stocks = [t for t in range(len(model.stocks)) if limits[t] != 0]
        part = replace(
            model,
            ways=tuple(replace(way, kind=position[way.kind]) for way in model.ways if way.kind in position),
            demand=tuple(demand[kind] for kind in kinds),
            members=tuple(model.members[kind] for kind in kinds),
            stocks=tuple(replace(model.stocks[t], limit=limits[t]) for t in stocks),
            barred=frozenset(
                (position[kind], stocks.index(t)) for kind, t in model.barred if kind in position and t in stocks
            ),
        )
        return RollInstance(part), kinds, stocks

    def least_patterns(self, use: int, watch: Watch) -> int:
        """How many lays of at least this length any plan has."""
        if use not in self._levels:
            least = least_lays(self.model, use, watch)
            if watch.out():
                return least
            self._levels[use] = least
        return self._levels[use]

    def fits(self, loading: Loading) -> bool:
        """Whether every lay finds room on some stretch of its stock."""
        return fits(self.model, loading)

    def tidied(self, loading: Loading) -> Loading:
        """Nothing is plain to see."""
        return loading

    def without(self, column: Column, kind: int) -> Column | None:
        """The lay with one panel of a type less, a turned one first; None when that was its only panel."""
        rows, turned = one_less(column.rows, kind), one_less(column.turned, kind)
        if not rows:
            return None
        across = dict(turned)
        ways = {(way.kind, way.turned): position for position, way in enumerate(self.model.ways)}
        lay = {ways[other, True]: count for other, count in turned}
        straight = ((other, count - across.get(other, 0)) for other, count in rows)
        lay |= {ways[other, False]: count for other, count in straight if count}
        return self.model.column(column.stock, lay)


def free_bound(model: RollModel, watch: Watch) -> Bound:
    """A bound over all choices of stock for the groups: as if there were none."""
    free = RollInstance(replace(model, barred=frozenset()))
    relaxed = relax(Master(free.demand, free.limits, free.unit), free.pricing(), watch)
    return least_bound(model) if relaxed is None else free.certified(relaxed.prices.tolist())
