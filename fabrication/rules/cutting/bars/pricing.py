"""The best patterns for given prices: one bounded knapsack for all stock at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from fabrication.rules.cutting.arrays import Floats, Integers
from fabrication.rules.cutting.bars.model import BarModel
from fabrication.rules.cutting.columns.column import Column


class BarPricing:
    """Patterns of bars that make at most `demand` of each type."""

    def __init__(self, model: BarModel, demand: Sequence[int]) -> None:
        self.model = model
        self._credits: dict[int, Floats] = {}
        self._room = max(stock.room for stock in model.stocks)
        self._all_weights = np.array(model.weights, dtype=np.int64)
        self._table = np.zeros((1, self._room + 1))
        self.reset(demand)

    def reset(self, demand: Sequence[int]) -> None:
        """Changes how many of each type a pattern may make."""
        kinds, batches = [], []
        for kind in range(len(demand) - 1, -1, -1):  # shortest first
            left, batch = min(demand[kind], self._room // self.model.weights[kind]), 1
            while left > 0:
                batch = min(batch, left)
                kinds.append(kind)
                batches.append(batch)
                left -= batch
                batch *= 2
        self._kinds = np.array(kinds, dtype=np.int64)
        self._batches = np.array(batches, dtype=np.int64)
        self._weights = self._all_weights[self._kinds] * self._batches
        self.cells = len(kinds) * (self._room + 1)
        if len(kinds) >= len(self._table):
            self._table = np.zeros((len(kinds) + 1, self._room + 1))

    def credit(self, stock: int) -> Floats | None:
        """What is kept is worth, by weight used; None where nothing is."""
        if not self.model.keep:
            return None
        if stock not in self._credits:
            bar = self.model.stocks[stock]
            left = bar.usable - self.model.grid * np.arange(bar.room + 1)
            self._credits[stock] = np.where(left >= self.model.keep, left * float(self.model.worth), 0.0)
        return self._credits[stock]

    def best(
        self, prices: Floats, stock_prices: Mapping[int, float], most: int, tolerance: float
    ) -> tuple[list[Column], list[float]]:
        """
        Patterns that cost less than their pieces are worth, and the least reduced cost of each stock.

        `prices` by type and `stock_prices` by limited stock are in cost units. At most
        `most` patterns come back, the best first for each stock.
        """
        parts = np.nonzero(prices[self._kinds] > 0)[0]
        weights = self._weights[parts]
        gains = prices[self._kinds[parts]] * self._batches[parts]
        table, top = self._table, self._room + 1
        for k, (weight, gain) in enumerate(zip(weights.tolist(), gains.tolist(), strict=True)):
            row, above = table[k], table[k + 1]
            above[:weight] = row[:weight]
            np.add(row[: top - weight], gain, out=above[weight:top])
            np.maximum(above[weight:top], row[weight:top], out=above[weight:top])
        return self._read(parts, weights, gains, stock_prices, most, tolerance)

    def _read(
        self,
        parts: Integers,
        weights: Integers,
        gains: Floats,
        stock_prices: Mapping[int, float],
        most: int,
        tolerance: float,
    ) -> tuple[list[Column], list[float]]:
        table, count = self._table, len(parts)
        least: list[float] = []
        starts: list[tuple[float, int, int, int]] = []  # (reduced cost, stock, level, weight limit)
        for t, stock in enumerate(self.model.stocks):
            price = stock.price + stock_prices.get(t, 0.0)
            credit = self.credit(t)
            earned = table[count, : stock.room + 1]
            if credit is None:
                limits = [stock.room]
                least.append(price - float(earned[stock.room]))
            else:
                earned = earned + credit
                fullest = int(np.argmax(earned))
                least.append(price - float(earned[fullest]))
                limits = sorted({fullest, stock.room})
            if least[-1] >= -tolerance or not count:
                continue
            share = most if stock.endless else 2
            for limit in limits:
                bonus = 0.0 if credit is None else float(credit[limit])
                room = limit - weights
                fits = np.nonzero(room >= 0)[0]
                values = price - bonus - table[fits, room[fits]] - gains[fits]
                order = np.argsort(values, kind="stable")[:share]
                starts.extend(
                    (float(values[j]), t, int(fits[j]), limit) for j in order.tolist() if values[j] < -tolerance
                )
        starts.sort()
        return self._columns(starts[:most], parts, weights), least

    def _columns(
        self,
        starts: list[tuple[float, int, int, int]],
        parts: Integers,
        weights: Integers,
    ) -> list[Column]:
        """Reads the patterns back from the table, all at once, level by level."""
        if not starts:
            return []
        level = np.array([start[2] for start in starts])
        room = np.array([start[3] for start in starts]) - weights[level]
        rows = [{int(self._kinds[parts[k]]): int(self._batches[parts[k]])} for k in level.tolist()]
        table = self._table
        for k in range(int(level.max()) - 1, -1, -1):
            taken = np.nonzero((level > k) & (table[k + 1, room] != table[k, room]))[0]
            if len(taken):
                room[taken] -= weights[k]
                kind, batch = int(self._kinds[parts[k]]), int(self._batches[parts[k]])
                for j in taken.tolist():
                    rows[j][kind] = rows[j].get(kind, 0) + batch
        return [
            self.model.column(start[1], tuple(sorted(row.items()))) for start, row in zip(starts, rows, strict=True)
        ]
