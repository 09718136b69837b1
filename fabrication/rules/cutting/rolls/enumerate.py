"""Every lay whose reduced cost is within a slack, in integers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fabrication.rules.cutting.columns.pool import Pool, TooMany, Tree, joined
from fabrication.rules.cutting.rolls.bounds import tables
from fabrication.rules.cutting.rolls.model import RollModel


def lays_within(
    model: RollModel, prices: Sequence[int], stock_prices: Sequence[int], scale: int, slack: int, most: int
) -> Pool:
    """
    All lays with (scale × price + stock price) × length − Σ price ≤ slack.

    Raises `TooMany` beyond `most`. One sweep from the longest way down: at each way new
    lays begin with it as their longest, and the lays begun before may add it; a lay is kept
    only while an exact knapsack over the shorter ways can still complete it.
    """
    pools, left = [], most
    for stock in range(len(model.stocks)):
        pool = _of_stock(model, stock, prices, stock_prices[stock], scale, slack, left)
        left -= len(pool)
        pools.append(pool)
    return joined(pools).within(model.demand).distinct()


def _of_stock(
    model: RollModel, number: int, prices: Sequence[int], stock_price: int, scale: int, slack: int, most: int
) -> Pool:
    stock, menu = model.stocks[number], model.menu(number)
    before = tables(model, menu, prices, stock.room)
    tree = Tree(4 * most + 1000)
    room = np.zeros(0, dtype=np.int64)
    need = np.zeros(0, dtype=np.int64)  # what the rest of the lay must still earn
    node = np.zeros(0, dtype=np.int64)
    drop = np.zeros(0, dtype=np.int64)
    for level in range(len(menu) - 1, -1, -1):
        way = model.ways[menu[level]]
        price, shorter = prices[way.kind], before[level]
        begun = (scale * stock.price + stock_price) * way.drop - slack
        rooms, needs, nodes, drops = [room], [need], [node], [drop]
        for count in range(1, min(model.demand[way.kind], stock.room // way.width) + 1):
            wide = count * way.width
            fits = room >= wide
            rooms.append(np.append(room[fits] - wide, stock.room - wide))
            needs.append(np.append(need[fits] - count * price, begun - count * price))
            parents = np.append(node[fits], -1)
            nodes.append(tree.add(menu[level], count, parents))
            drops.append(np.append(drop[fits], way.drop))
        room, need = np.concatenate(rooms), np.concatenate(needs)
        node, drop = np.concatenate(nodes), np.concatenate(drops)
        going = shorter[room] >= need
        room, need, node, drop = room[going], need[going], node[going], drop[going]
        if len(room) > most:
            raise TooMany
    starts, positions, counts = tree.patterns(node)
    kinds = np.array([way.kind for way in model.ways], dtype=np.int64)
    turned = np.array([way.turned for way in model.ways], dtype=bool)
    return Pool(
        np.full(len(node), number, dtype=np.int64),
        stock.price * drop,
        drop,
        starts,
        kinds[positions],
        counts,
        turned[positions],
    )
