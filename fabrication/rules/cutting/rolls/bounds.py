"""Lower bounds on what must be run off, proved in integers."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import ceil
from typing import Final

import numpy as np

from fabrication.rules.cutting.arrays import Integers
from fabrication.rules.cutting.columns.instance import Bound
from fabrication.rules.cutting.rolls.model import RollModel, certificate_of

MOST_EARNED: Final = 2.0**53
"""Cost units that the panels of a lay are worth at most, so that integer prices of them fit in 64 bits."""


def certified(model: RollModel, duals: Sequence[float], places: int = 24) -> Bound:
    """
    The bound that real dual prices (cost units by type) prove once they are integers.

    Limited stock pays, per tick of length, for what its best lay earns too much; where
    endless stock would earn too much, all prices are scaled down until none does.
    """
    widest = max(stock.room for stock in model.stocks)
    earned = max(duals[way.kind] * max(1, widest // way.width) for way in model.ways)
    if earned > MOST_EARNED:
        duals = [dual * MOST_EARNED / earned for dual in duals]
    most = max(stock.price for stock in model.stocks) * max(way.drop for way in model.ways)
    places = max(4, min(places, 58 - (max(most, int(min(earned, MOST_EARNED))) * 4).bit_length()))
    scale = 1 << places
    prices, excess = _scaled_down(model, [max(0, int(dual * scale)) for dual in duals], scale)
    by_id: dict[str, int] = {}
    for stock, extra in zip(model.stocks, excess, strict=True):
        by_id[stock.id] = max(by_id.get(stock.id, 0), extra, 0)
    if any(extra and name not in model.clean for name, extra in by_id.items()):
        prices = [0] * len(prices)  # a free roll: nothing can be proved
        by_id = dict.fromkeys(by_id, 0)
    total = sum(price * count for price, count in zip(prices, model.demand, strict=True))
    paid = sum(extra * model.clean[name] for name, extra in by_id.items() if extra)
    exact = total - paid
    units = -(-exact // (scale * model.quantum)) * model.quantum
    certificate = certificate_of(model, prices, by_id, scale)
    stock_prices = tuple(by_id[stock.id] for stock in model.stocks)
    return Bound(units, certificate, exact, scale, tuple(prices), stock_prices)


def _scaled_down(model: RollModel, prices: list[int], scale: int) -> tuple[list[int], list[int]]:
    """The prices, made so low that no lay of an endless stock earns too much, and what each stock then earns over."""
    excess = excesses(model, prices, scale)
    for _ in range(3):
        over = [
            (extra, stock.price * scale)
            for extra, stock in zip(excess, model.stocks, strict=True)
            if stock.id not in model.clean and extra > 0
        ]
        if not over or min(price for _, price in over) == 0:
            break
        least = min(Fraction(price, price + extra) for extra, price in over)
        prices = [price * least.numerator // least.denominator for price in prices]
        excess = excesses(model, prices, scale)
    return prices, excess


def least_bound(model: RollModel) -> Bound:
    """What is true without any search."""
    return certified(model, [0.0] * len(model.demand))


def tables(model: RollModel, menu: Sequence[int], prices: Sequence[int], room: int) -> list[Integers]:
    """After each way of the menu: the most that the ways so far earn, by width."""
    best = np.zeros(room + 1, dtype=np.int64)
    out = [best]
    for position in menu:
        way = model.ways[position]
        price = prices[way.kind]
        best = best.copy()
        left, batch = min(model.demand[way.kind], room // way.width), 1
        while left > 0 and price > 0:
            batch = min(batch, left)
            heavy = way.width * batch
            best[heavy:] = np.maximum(best[heavy:], best[: room + 1 - heavy] + price * batch)
            left -= batch
            batch *= 2
        out.append(best)
    return out


def excesses(model: RollModel, prices: list[int], scale: int) -> list[int]:
    """By stock: the most a lay earns over scale × price, per tick of its length, rounded up (or more than that)."""
    known: dict[tuple[tuple[int, ...], int], list[tuple[int, int]]] = {}
    out = []
    everything = tuple(range(len(model.ways)))
    if not model.is_plain:  # as if every lay were covered with what earns most for its area
        rate = max(Fraction(prices[way.kind], way.width * way.drop) for way in model.ways)
        return [ceil(rate * stock.room) - scale * stock.price for stock in model.stocks]
    for stock in model.stocks:
        # all ways, barred or not: the bound then holds whatever stock a group is given to
        menu = tuple(p for p in everything if model.ways[p].width <= stock.room and model.ways[p].drop <= stock.longest)
        key = (menu, stock.room)
        if key not in known:
            rows = tables(model, menu, prices, stock.room)
            known[key] = [(model.ways[p].drop, int(rows[k + 1][stock.room])) for k, p in enumerate(menu)]
        out.append(max((-(-(earned - scale * stock.price * drop) // drop) for drop, earned in known[key]), default=0))
    return out


def area_duals(model: RollModel) -> list[float]:
    """Each type priced by its area, at the least price of an endless roll per area."""
    rates = [stock.price / stock.room for stock in model.stocks if stock.limit is None]
    return _priced(model, min(rates, default=max(stock.price / stock.room for stock in model.stocks)))


def volume_duals(model: RollModel) -> list[float]:
    """Each type priced by its area, at the least price of any roll per area: no stock has to pay then."""
    return _priced(model, min(stock.price / stock.room for stock in model.stocks))


def _priced(model: RollModel, rate: float) -> list[float]:
    duals = [float("inf")] * len(model.demand)
    for way in model.ways:
        duals[way.kind] = min(duals[way.kind], way.width * way.drop * rate)
    return duals
