"""Bars as the search over patterns sees them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fabrication.rules.cutting.bars.bounds import certified
from fabrication.rules.cutting.bars.enumerate import patterns_within
from fabrication.rules.cutting.bars.greedy import swapped_stock
from fabrication.rules.cutting.bars.model import BarModel
from fabrication.rules.cutting.bars.pricing import BarPricing
from fabrication.rules.cutting.columns.column import Column, Loading, one_less
from fabrication.rules.cutting.columns.instance import Bound
from fabrication.rules.cutting.columns.pool import Pool
from fabrication.rules.cutting.watch import Watch


class BarInstance:
    """A bar model with what the search asks of it."""

    def __init__(self, model: BarModel) -> None:
        self.model = model
        self.demand = model.demand
        self.limits: tuple[int | None, ...] = tuple(
            stock.limit if not stock.endless or model.credit(stock, 0) > stock.price else None for stock in model.stocks
        )
        self.quantum = model.quantum
        self.scale = model.scale
        self.complete = True
        self.unit = float(max(stock.price for stock in model.stocks) or 1)

    def pricing(self) -> BarPricing:
        """Finds patterns."""
        return BarPricing(self.model, self.demand)

    def certified(self, prices: Sequence[float]) -> Bound:
        """The bound that dual prices prove in integers."""
        return certified(self.model, prices)

    def pool(self, bound: Bound, target: int, most: int) -> Pool:
        """All patterns a plan of cost <= target can use; raises `TooMany`."""
        slack = target * bound.scale - bound.exact
        return patterns_within(self.model, bound.prices, bound.stock_prices, bound.scale, slack, most)

    def narrowed(self, demand: Sequence[int], limits: Sequence[int | None]) -> tuple[BarInstance, list[int], list[int]]:
        """The same problem for a part of the demand and stock; its types' and stocks' numbers here."""
        model = self.model
        kinds = [kind for kind, need in enumerate(demand) if need]
        shortest = min(model.weights[kind] for kind in kinds)
        stocks = [t for t, stock in enumerate(model.stocks) if limits[t] != 0 and stock.room >= shortest]
        pieces = sum(demand)
        part = replace(
            model,
            weights=tuple(model.weights[kind] for kind in kinds),
            demand=tuple(demand[kind] for kind in kinds),
            members=tuple(model.members[kind] for kind in kinds),
            stocks=tuple(replace(model.stocks[t], limit=min(pieces, limits[t] or pieces)) for t in stocks),
        )
        return BarInstance(part), kinds, stocks

    def least_patterns(self, use: int, watch: Watch) -> int:
        """Bars of one stock are counted by the linear program; of several, their number says little."""
        return 0

    def fits(self, loading: Loading) -> bool:
        """A bar holds its pattern whatever the others are."""
        return True

    def tidied(self, loading: Loading) -> Loading:
        """Each pattern on the cheapest stock that is left for it."""
        return swapped_stock(self.model, loading, [stock.limit for stock in self.model.stocks])

    def without(self, column: Column, kind: int) -> Column | None:
        """The pattern with one piece of a type less; None when that was its only piece."""
        rows = one_less(column.rows, kind)
        return self.model.column(column.stock, rows) if rows else None
