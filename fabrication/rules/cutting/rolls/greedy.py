"""Shelves: lays opened longest drop first, each panel where it leaves least width."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from fabrication.rules.cutting.bars.greedy import OutOfStock
from fabrication.rules.cutting.columns.column import Loading, loading_cost
from fabrication.rules.cutting.rolls.model import RollModel, Way, fits, take

RULES = ("as given", "wide side across", "long side across")
"""How a panel that may be turned lies: as given; turned so that it is wider than long, or the reverse."""


class Shelves:
    """
    Best-fit decreasing shelves.

    Longest drop first; each panel into the open lay that holds it with the least width left
    over; else a new lay on the first stock of the order that holds it. A panel that fits no
    stock in the way of the rule lies the other way. `missing` counts, by type, the panels
    for which no stock was left; `menus` are the ways that each stock can hold.
    """

    def __init__(self, model: RollModel, menus: Sequence[frozenset[int]]) -> None:
        self.model = model
        self.menus = menus
        self.missing = [0] * len(model.demand)
        self._left = [[each.length for each in stock.stretches] for stock in model.stocks]
        self._lays: list[tuple[int, dict[int, int]]] = []
        self._rooms: list[int] = []
        self._drops: list[int] = []

    def add(self, kinds: Iterable[int], order: Sequence[int], rule: str) -> Shelves:
        """Lays all panels of these types; returns itself."""
        chosen = {kind: _way(self.model, kind, self.menus, rule) for kind in kinds}
        some = [(kind, place, self.model.ways[place]) for kind, place in chosen.items() if place is not None]
        for kind, place in chosen.items():
            if place is None:
                self.missing[kind] = self.model.demand[kind]
        for kind, place, way in sorted(some, key=lambda entry: (-entry[2].drop, -entry[2].width)):
            for done in range(self.model.demand[kind]):
                number = self._lay_for(place, way, order)
                if number is None:
                    self.missing[kind] = self.model.demand[kind] - done
                    break
                self._rooms[number] -= way.width
                lay = self._lays[number][1]
                lay[place] = lay.get(place, 0) + 1
        return self

    def _lay_for(self, place: int, way: Way, order: Sequence[int]) -> int | None:
        best = min(
            (number for number, (stock, _) in enumerate(self._lays)
             if self._rooms[number] >= way.width and self._drops[number] >= way.drop and place in self.menus[stock]),
            key=lambda number: self._rooms[number], default=None,
        )
        if best is not None:
            return best
        stocks = self.model.stocks
        stock = next(
            (t for t in order if place in self.menus[t]
             and (stocks[t].limit is None or take(self._left[t], way.drop))), None,
        )
        if stock is None:
            return None
        self._lays.append((stock, {}))
        self._rooms.append(stocks[stock].room)
        self._drops.append(way.drop)
        return len(self._lays) - 1

    def beside(self, other: Shelves) -> Shelves:
        """These shelves and those of other types, where no stock holds lays of both."""
        both = Shelves(self.model, self.menus)
        both.missing = [mine + its for mine, its in zip(self.missing, other.missing, strict=True)]
        both._left = [list(min(mine, its)) for mine, its in zip(self._left, other._left, strict=True)]
        both._lays = [(stock, dict(lay)) for stock, lay in self._lays + other._lays]
        both._rooms, both._drops = self._rooms + other._rooms, self._drops + other._drops
        return both

    def loading(self) -> Loading:
        """The lays as a plan."""
        return Counter(self.model.column(stock, lay) for stock, lay in self._lays)

    def worth(self) -> tuple[int, int]:
        """(panels missed, cost)."""
        return sum(self.missing), loading_cost(self.loading())


def _way(model: RollModel, kind: int, menus: Sequence[frozenset[int]], rule: str) -> int | None:
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
    return _best(_simple(model, [cheapest_order(model)], RULES[:2], _menus(model)))


def best_shelves(model: RollModel) -> Loading:
    """The cheapest of all shelf plans; raises the `OutOfStock` that misses least."""
    base, menus = cheapest_order(model), _menus(model)
    orders = [base, *([t, *(other for other in base if other != t)] for t in base[1:6])]
    plans = _simple(model, orders, RULES, menus)
    if model.barred:
        plans += _stock_by_stock(model, orders, menus)
    return _best(plans)


def _menus(model: RollModel) -> list[frozenset[int]]:
    return [frozenset(model.menu(t)) for t in range(len(model.stocks))]


def _rules(model: RollModel, rules: Sequence[str]) -> Sequence[str]:
    return rules if any(way.turned for way in model.ways) else rules[:1]


def _simple(
    model: RollModel, orders: Sequence[Sequence[int]], rules: Sequence[str], menus: Sequence[frozenset[int]]
) -> list[Shelves]:
    kinds = range(len(model.demand))
    return [
        Shelves(model, menus).add(kinds, order, rule) for order in orders for rule in _rules(model, rules)
    ]


def _stock_by_stock(
    model: RollModel, orders: Sequence[Sequence[int]], menus: Sequence[frozenset[int]]
) -> list[Shelves]:
    """What can lie on one stock only is laid first, by the rule best there; the rest beside it."""
    homes: dict[int, set[str]] = {}
    for menu, stock in zip(menus, model.stocks, strict=True):
        for place in menu:
            homes.setdefault(model.ways[place].kind, set()).add(stock.id)
    bound: dict[str, list[int]] = {}
    for kind in sorted(homes):
        if len(homes[kind]) == 1:
            bound.setdefault(min(homes[kind]), []).append(kind)
    rules = _rules(model, RULES)
    laid = Shelves(model, menus)
    for name, kinds in bound.items():
        own = [t for t in orders[0] if model.stocks[t].id == name]
        ways = [Shelves(model, menus).add(kinds, own, rule) for rule in rules]
        laid = laid.beside(min(ways, key=Shelves.worth))
    loose = [kind for kind in range(len(model.demand)) if len(homes.get(kind, ())) != 1]
    if not loose:
        return [laid]
    none = Shelves(model, menus)
    plans = [laid.beside(none).add(loose, order, rule) for order in orders for rule in rules]
    return [plan for plan in plans if fits(model, plan.loading())]


def _best(plans: Sequence[Shelves]) -> Loading:
    best = min(plans, key=Shelves.worth)
    if any(best.missing):
        raise OutOfStock(best.loading(), best.missing)
    return best.loading()
