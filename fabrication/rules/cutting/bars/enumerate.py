"""Every bar pattern whose reduced cost is within a slack, in integers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fabrication.rules.cutting.arrays import Integers
from fabrication.rules.cutting.bars.model import BarModel
from fabrication.rules.cutting.columns.pool import Pool, TooMany, Tree, joined


def patterns_within(
    model: BarModel, prices: Sequence[int], stock_prices: Sequence[int], scale: int, slack: int, most: int
) -> Pool:
    """
    All patterns with scale × cost + stock price − Σ price ≤ slack.

    Raises `TooMany` beyond `most`. Work is proportional to types × patterns found: a
    partial pattern is kept only while an exact knapsack over the types to come can still
    complete it.
    """
    pools, room_left = [], most
    for stock in range(len(model.stocks)):
        pool = _of_stock(model, stock, prices, stock_prices[stock], scale, slack, room_left)
        room_left -= len(pool)
        pools.append(pool)
    return joined(pools)


def _of_stock(
    model: BarModel, number: int, prices: Sequence[int], stock_price: int, scale: int, slack: int, most: int
) -> Pool:
    stock = model.stocks[number]
    least = scale * stock.price + stock_price - slack  # what pieces and credit must be worth
    kinds = [kind for kind, weight in enumerate(model.weights) if weight <= stock.room]
    after = _completions(model, number, prices, scale, kinds)
    tree = Tree(4 * most + 1000)
    room = np.array([stock.room], dtype=np.int64)
    worth = np.zeros(1, dtype=np.int64)
    node = np.full(1, -1, dtype=np.int64)
    if after[0][stock.room] < least:
        room, worth, node = room[:0], worth[:0], node[:0]
    for position, kind in enumerate(kinds):
        if not len(room):
            break
        weight, price, rest = model.weights[kind], prices[kind], after[position + 1]
        rooms, worths, nodes = [], [], []
        for count in range(min(model.demand[kind], stock.room // weight) + 1):
            if count:
                fits = room >= count * weight
                if not fits.any():
                    break
                left, earned, parent = room[fits] - count * weight, worth[fits] + count * price, node[fits]
            else:
                left, earned, parent = room, worth, node
            going = earned + rest[left] >= least
            rooms.append(left[going])
            worths.append(earned[going])
            parent = parent[going]
            nodes.append(tree.add(kind, count, parent) if count else parent)
        room, worth, node = np.concatenate(rooms), np.concatenate(worths), np.concatenate(nodes)
        if len(room) > most:
            raise TooMany
    something = node >= 0
    room, node = room[something], node[something]
    starts, found, counts = tree.patterns(node)
    left = stock.usable - (stock.room - room) * model.grid
    kept = np.where((left >= model.keep) & (model.keep > 0), left * model.worth, 0)
    ones = np.ones(len(node), dtype=np.int64)
    return Pool(ones * number, stock.price - kept, ones, starts, found, counts, np.zeros(len(found), dtype=bool))


def _completions(model: BarModel, number: int, prices: Sequence[int], scale: int, kinds: list[int]) -> list[Integers]:
    """By place among the kinds: the most the kinds from there on can add, by room left."""
    stock = model.stocks[number]
    room = np.arange(stock.room + 1, dtype=np.int64)
    best = np.zeros(stock.room + 1, dtype=np.int64)
    if model.keep:
        left = stock.usable - (stock.room - room) * model.grid
        best = np.where(left >= model.keep, left * (model.worth * scale), 0)
    after = [best]
    for kind in reversed(kinds):
        weight, price = model.weights[kind], prices[kind]
        best = best.copy()
        left_over, batch = min(model.demand[kind], stock.room // weight), 1
        while left_over > 0 and price > 0:
            batch = min(batch, left_over)
            heavy = weight * batch
            best[heavy:] = np.maximum(best[heavy:], best[: stock.room + 1 - heavy] + price * batch)
            left_over -= batch
            batch *= 2
        after.append(best)
    return after[::-1]
