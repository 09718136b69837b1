"""Shelves: lays opened longest drop first, each panel where it leaves least width."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from fabrication.rules.cutting.bars.greedy import OutOfStock
from fabrication.rules.cutting.columns.column import Loading, loading_cost
from fabrication.rules.cutting.rolls.model import RollModel, take

RULES = ("as given", "wide side across", "long side across")
"""How a panel that may be turned lies: as given; turned so that it is wider than long, or the reverse."""


def shelves(model: RollModel, order: Sequence[int], rule: str) -> Loading:
    """
    Best-fit decreasing shelves.

    Longest drop first; each panel into the open lay that holds it with the least width left
    over; else a new lay on the first stock of `order` that holds it. A panel that fits no
    stock in the way of the rule lies the other way. Raises `OutOfStock`.
    """
    menus = [frozenset(model.menu(t)) for t in range(len(model.stocks))]
    chosen = [_way(model, kind, menus, rule) for kind in range(len(model.demand))]
    missing = [0 if place is not None else need for place, need in zip(chosen, model.demand, strict=True)]
    left = [[each.length for each in stock.stretches] for stock in model.stocks]
    lays: list[tuple[int, dict[int, int]]] = []
    rooms: list[int] = []
    some = [(kind, place, model.ways[place]) for kind, place in enumerate(chosen) if place is not None]
    for kind, place, way in sorted(some, key=lambda entry: (-entry[2].drop, -entry[2].width)):
        for done in range(model.demand[kind]):
            best = min(
                (number for number, (stock, _) in enumerate(lays)
                 if rooms[number] >= way.width and place in menus[stock]),
                key=lambda number: rooms[number], default=None,
            )
            if best is None:
                stock = next(
                    (t for t in order if place in menus[t]
                     and (model.stocks[t].limit is None or take(left[t], way.drop))), None,
                )
                if stock is None:
                    missing[kind] = model.demand[kind] - done
                    break
                lays.append((stock, {}))
                rooms.append(model.stocks[stock].room)
                best = len(lays) - 1
            rooms[best] -= way.width
            lays[best][1][place] = lays[best][1].get(place, 0) + 1
    loading = Counter(model.column(stock, lay) for stock, lay in lays)
    if any(missing):
        raise OutOfStock(loading, missing)
    return loading


def _way(model: RollModel, kind: int, menus: list[frozenset[int]], rule: str) -> int | None:
    places = [place for place, way in enumerate(model.ways) if way.kind == kind]
    usable = [place for place in places if any(place in menu for menu in menus)]

    def rank(place: int) -> int:
        way = model.ways[place]
        if rule == "as given":
            return int(way.turned)
        return way.drop if rule == "wide side across" else -way.drop

    return min(usable, key=rank, default=None)


def cheapest_order(model: RollModel) -> list[int]:
    """Stock by price per area; limited stock before endless at the same price."""
    return sorted(
        range(len(model.stocks)),
        key=lambda t: (model.stocks[t].price / model.stocks[t].room, model.stocks[t].limit is None, t),
    )


def baseline(model: RollModel) -> Loading:
    """Shelves on the cheapest stock, by the better of the two rules a person would use."""
    return _best(model, [cheapest_order(model)], RULES[:2])


def best_shelves(model: RollModel) -> Loading:
    """The cheapest of all shelf plans; raises the `OutOfStock` that misses least."""
    base = cheapest_order(model)
    orders = [base, *([t, *(other for other in base if other != t)] for t in base[1:6])]
    return _best(model, orders, RULES)


def _best(model: RollModel, orders: Sequence[Sequence[int]], rules: Sequence[str]) -> Loading:
    best: Loading | None = None
    worst: OutOfStock | None = None
    turns = any(way.turned for way in model.ways)
    for order in orders:
        for rule in rules if turns else rules[:1]:
            try:
                loading = shelves(model, order, rule)
            except OutOfStock as error:
                if worst is None or sum(error.missing) < sum(worst.missing):
                    worst = error
                continue
            if best is None or loading_cost(loading) < loading_cost(best):
                best = loading
    if best is None:
        assert worst is not None
        raise worst
    return best
