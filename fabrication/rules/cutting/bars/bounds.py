"""Lower bounds that are proved in integers."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import prod
from operator import mul
from typing import Any

import numpy as np

from fabrication.rules.cutting.bars.model import BarModel, StockType, certificate_of
from fabrication.rules.cutting.columns.instance import Bound
from fabrication.rules.cutting.verify import knapsack

LITTLE = 10
"""Stock that holds less than this part of all pieces is little."""

MOST_CHOICES = 20_000


def certified(model: BarModel, duals: Sequence[float], places: int = 20) -> Bound:
    """
    The bound that real dual prices (cost units by type) prove once they are integers.

    Parameters
    ----------
    duals
        Any non-negative prices; good ones come from the linear program over patterns.
    places
        Binary places kept of each.

    Notes
    -----
    Limited stock pays for what its best pattern earns too much; where endless stock would
    earn too much, all prices are scaled down until none does.

    References
    ----------
    .. [1] A. A. Farley (1990). A note on bounding a class of linear programming problems,
           including cutting stock problems. Operations Research 38(5): 922-923.
    """
    places = max(4, min(places, 56 - (model.dearest * 4).bit_length() - model.scale.bit_length()))
    scale = 1 << places
    prices = [max(0, int(dual * scale)) for dual in duals]
    excess = excesses(model, prices, scale)
    for _ in range(3):
        over = [
            (extra, cheapest_pattern(model, stock) * scale)
            for extra, stock in zip(excess, model.stocks, strict=True)
            if stock.endless and extra > 0
        ]
        if not over or min(cost for _, cost in over) <= 0:
            break
        least = min(Fraction(cost, cost + extra) for extra, cost in over)
        prices = [price * least.numerator // least.denominator for price in prices]
        excess = excesses(model, prices, scale)
    stock_duals = [max(0, extra) for extra in excess]
    earned = sum(price * count for price, count in zip(prices, model.demand, strict=True))
    pieces = sum(model.demand)
    paid = sum(
        dual * (pieces if quantity is None else min(pieces, quantity))
        for dual, stock in zip(stock_duals, model.stocks, strict=True)
        if dual
        for _, quantity in stock.members
    )
    exact = earned - paid
    units = -(-exact // (scale * model.quantum)) * model.quantum
    certificate = certificate_of(model, prices, stock_duals, scale)
    return Bound(units, certificate, exact, scale, tuple(prices), tuple(stock_duals))


def least_bound(model: BarModel) -> Bound:
    """What is true without any search."""
    return certified(model, [0.0] * len(model.demand))


def cheapest_pattern(model: BarModel, stock: StockType) -> int:
    """The least a bar with one piece can cost: its price less the most it can leave."""
    return stock.price - model.credit(stock, min(model.weights))


def excesses(model: BarModel, prices: list[int], scale: int) -> list[int]:
    """By how much the best pattern of each stock earns more than it costs (may be negative), or more than that."""
    if not model.is_plain:
        return _excesses_by_rate(model, prices, scale)
    steps = [
        (weight, price, count)
        for weight, price, count in zip(model.weights, prices, model.demand, strict=True)
        if price
    ]
    room = max((stock.room for stock in model.stocks), default=0)
    best = knapsack(steps, room)
    excess = []
    for stock in model.stocks:
        earned: Any = best[: stock.room + 1]
        if model.keep:
            left = stock.usable - model.grid * np.arange(stock.room + 1, dtype=earned.dtype)
            earned = earned + np.where(left >= model.keep, left * (model.worth * scale), 0)
        excess.append(int(max(earned)) - stock.price * scale)
    return excess


def _excesses_by_rate(model: BarModel, prices: list[int], scale: int) -> list[int]:
    """
    `excesses` as if every weight earned the best rate of any type.

    What a pattern earns and keeps is then linear in its weight up to where nothing is kept,
    and beyond: the ends of both stretches are enough.
    """
    rate = max(map(Fraction, prices, model.weights), default=Fraction(0))
    excess = []
    for stock in model.stocks:
        keeping = min(stock.room, (stock.usable - model.keep) // model.grid)
        weights = [0, stock.room, *([keeping] if keeping > 0 else [])]
        earned = max(int(rate * weight) + model.credit(stock, weight) * scale for weight in weights)
        excess.append(earned - stock.price * scale)
    return excess


def whole_bars(model: BarModel) -> int | None:
    """
    The least cost of any whole numbers of bars that together hold all pieces, in cost units.

    As if the pieces could be cut up at will and all that is left were worth keeping, but
    with whole bars: where a plan opens few of them, this is far above the linear program.
    Stock of which there is little (offcuts) is taken as free. None where there are too many
    choices to go through.
    """
    weight: int = sum(map(mul, model.weights, model.demand))
    worth = model.worth if model.keep else 0
    need, fixed, counted = weight, worth * weight * model.grid, []
    for stock in model.stocks:
        # what a bar costs more than all of it would be worth if it were kept
        lost = stock.price - worth * max(stock.usable, stock.room * model.grid)
        if not stock.endless and LITTLE * stock.limit * stock.room < weight:
            need -= stock.limit * stock.room
            fixed += min(0, lost * stock.limit)
        else:
            counted.append((stock.room, lost, stock.limit))
    counted.sort(reverse=True)
    if need <= 0:
        least: int = sum(min(0, lost * limit) for _, lost, limit in counted)
        return -(-(fixed + least) // model.quantum) * model.quantum
    if prod(min(limit, need // room + 1) + 1 for room, _, limit in counted[:-1]) > MOST_CHOICES:
        return None
    found = _least_lost(tuple(counted), need)
    return None if found is None else -(-(fixed + found) // model.quantum) * model.quantum


def _least_lost(counted: tuple[tuple[int, int, int], ...], need: int) -> int | None:
    """Least Σ lost of (room, lost, limit) in whole numbers whose room comes to `need`; None: never."""
    if not counted:
        return 0 if need <= 0 else None
    (room, lost, limit), rest = counted[0], counted[1:]
    if lost < 0:
        return _with(limit, room, lost, rest, need)
    enough = min(limit, max(0, -(-need // room)))
    found = (
        [_with(enough, room, lost, rest, need)]
        if not rest
        else [_with(number, room, lost, rest, need) for number in range(enough + 1)]
    )
    return min((cost for cost in found if cost is not None), default=None)


def _with(number: int, room: int, lost: int, rest: tuple[tuple[int, int, int], ...], need: int) -> int | None:
    least = _least_lost(rest, need - number * room)
    return None if least is None else number * lost + least


def area_duals(model: BarModel) -> list[float]:
    """Each type priced by its weight, at the least price per weight of endless stock."""
    rates = [stock.price / stock.room for stock in model.stocks if stock.endless]
    rates = rates or [max((stock.price / stock.room for stock in model.stocks), default=0.0)]
    return [weight * min(rates) for weight in model.weights]


def volume_duals(model: BarModel) -> list[float]:
    """
    Each type priced by its weight, at the least any pattern of any stock can cost per weight.

    The limited stock then has nothing to pay for, so the bound (the continuous, or volume,
    bound) is above nothing however much of it there is and however few the pieces.
    """
    rate = float("inf")
    least = min(model.weights)
    for stock in model.stocks:
        # the cost per weight only falls, or only rises, up to where nothing is kept, and falls beyond
        keeping = min(stock.room, (stock.usable - model.keep) // model.grid)
        weights = [least, stock.room, *([keeping] if keeping >= least else [])]
        rate = min([rate, *((stock.price - model.credit(stock, weight)) / weight for weight in weights)])
    return [weight * max(0.0, rate) for weight in model.weights]


def threshold_duals(model: BarModel) -> list[list[float]]:
    """
    For one endless stock: prices that count long pieces as whole bars, short ones as nothing.

    References
    ----------
    .. [1] S. Martello, P. Toth (1990). Lower bounds and reduction procedures for the bin
           packing problem. Discrete Applied Mathematics 28(1): 59-70 (bound L2).
    """
    room, price = model.stocks[0].room, model.stocks[0].price
    halves = sorted({weight for weight in model.weights if 2 * weight <= room})
    ways, best = [], 0.0
    for least in halves:
        duals = [
            float(price) if weight > room - least else 0.0 if weight < least else weight / room * price
            for weight in model.weights
        ]
        worth = sum(dual * count for dual, count in zip(duals, model.demand, strict=True))
        if worth > best:
            best = worth
            ways = [duals]
    return ways
