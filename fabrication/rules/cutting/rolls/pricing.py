"""The best lays for given prices: one bounded knapsack, shortest drop first, prices every length at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from fabrication.rules.cutting.arrays import Floats, Integers
from fabrication.rules.cutting.columns.column import Column
from fabrication.rules.cutting.rolls.model import RollModel


class RollPricing:
    """Lays that make at most `demand` of each way."""

    def __init__(self, model: RollModel, demand: Sequence[int]) -> None:
        self.model = model
        menus: dict[tuple[int, ...], list[int]] = {}
        for t in range(len(model.stocks)):
            menus.setdefault(model.menu(t), []).append(t)
        self._menus = {menu: stocks for menu, stocks in menus.items() if menu}
        self._table = np.zeros((1, 1))
        self.reset(demand)

    def reset(self, demand: Sequence[int]) -> None:
        """Changes how many of each type a lay may make of each way."""
        self._parts: list[tuple[list[int], Integers, Integers, Integers, Integers, int]] = []
        self.cells = 0
        for menu, stocks in self._menus.items():
            room = max(self.model.stocks[t].room for t in stocks)
            positions, batches = [], []
            for position in menu:
                way = self.model.ways[position]
                left, batch = min(demand[way.kind], room // way.width), 1
                while left > 0:
                    batch = min(batch, left)
                    positions.append(position)
                    batches.append(batch)
                    left -= batch
                    batch *= 2
            ways = [self.model.ways[position] for position in positions]
            self.cells += len(ways) * (room + 1)
            count = np.array(batches, dtype=np.int64)
            self._parts.append(
                (
                    stocks,
                    np.array(positions, dtype=np.int64),
                    count,
                    np.array([way.kind for way in ways], dtype=np.int64),
                    np.array([way.width for way in ways], dtype=np.int64) * count,
                    room,
                )
            )
            if self._table.shape[0] <= len(positions) or self._table.shape[1] <= room:
                shape = (max(self._table.shape[0], len(positions) + 1), max(self._table.shape[1], room + 1))
                self._table = np.zeros(shape)

    def best(
        self, prices: Floats, stock_prices: Mapping[int, float], most: int, tolerance: float
    ) -> tuple[list[Column], list[float]]:
        """Lays that cost less than their panels are worth, and the least reduced cost of each stock."""
        least = [0.0] * len(self.model.stocks)
        columns: list[Column] = []
        for stocks, positions, batches, kinds, widths, room in self._parts:
            some = np.nonzero(prices[kinds] > 0)[0]
            if not len(some):
                continue
            gains = prices[kinds[some]] * batches[some]
            self._fill(widths[some], gains, room)
            drops = np.array([self.model.ways[position].drop for position in positions[some].tolist()])
            starts = self._starts(stocks, drops, widths[some], gains, stock_prices, least, most, tolerance)
            columns.extend(self._columns(starts, positions[some], batches[some], widths[some]))
        return columns, least

    def _fill(self, widths: Integers, gains: Floats, room: int) -> None:
        table, top = self._table, room + 1
        for k, (width, gain) in enumerate(zip(widths.tolist(), gains.tolist(), strict=True)):
            row, above = table[k], table[k + 1]
            above[:width] = row[:width]
            np.add(row[: top - width], gain, out=above[width:top])
            np.maximum(above[width:top], row[width:top], out=above[width:top])

    def _starts(
        self,
        stocks: list[int],
        drops: Integers,
        widths: Integers,
        gains: Floats,
        stock_prices: Mapping[int, float],
        least: list[float],
        most: int,
        tolerance: float,
    ) -> list[tuple[float, int, int]]:
        """(reduced cost, stock, level): for each level the best lay in which its way is the last."""
        levels = np.arange(len(drops))
        found: list[tuple[float, int, int]] = []
        for t in stocks:
            stock = self.model.stocks[t]
            price = stock.price + stock_prices.get(t, 0.0)
            room = stock.room - widths
            fits = np.nonzero(room >= 0)[0]
            if not len(fits):
                continue
            values = price * drops[fits] - self._table[levels[fits], room[fits]] - gains[fits]
            least[t] = min(0.0, float(values.min()))
            order = np.argsort(values, kind="stable")[:most]
            found.extend((float(values[j]), t, int(fits[j])) for j in order.tolist() if values[j] < -tolerance)
        found.sort()
        return found[:most]

    def _columns(
        self, starts: list[tuple[float, int, int]], positions: Integers, batches: Integers, widths: Integers
    ) -> list[Column]:
        if not starts:
            return []
        level = np.array([start[2] for start in starts])
        room = np.array([self.model.stocks[start[1]].room for start in starts]) - widths[level]
        lays: list[dict[int, int]] = [{int(positions[k]): int(batches[k])} for k in level.tolist()]
        table = self._table
        for k in range(int(level.max()) - 1, -1, -1):
            taken = np.nonzero((level > k) & (table[k + 1, room] != table[k, room]))[0]
            if len(taken):
                room[taken] -= widths[k]
                position, batch = int(positions[k]), int(batches[k])
                for j in taken.tolist():
                    lays[j][position] = lays[j].get(position, 0) + batch
        return [self.model.column(start[1], lay) for start, lay in zip(starts, lays, strict=True)]
