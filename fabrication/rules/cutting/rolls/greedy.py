"""Shelves: lays opened longest drop first, each panel where it leaves least width."""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import product

from fabrication.rules.cutting.bars.greedy import OutOfStock
from fabrication.rules.cutting.columns.column import Loading, loading_cost
from fabrication.rules.cutting.rolls.model import RollModel, Way, fits, take
from fabrication.rules.cutting.rooms import Rooms
from fabrication.rules.cutting.watch import Watch

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
        self._left = [Rooms(each.length for each in stock.stretches) for stock in model.stocks]
        self._lays: list[tuple[int, dict[int, int]]] = []
        self._drops: list[int] = []
        self._open: dict[int, list[tuple[int, int]]] = {}  # of each stock: (room, lay), least room first

    def add(self, kinds: Iterable[int], order: Sequence[int], rule: str) -> Shelves:
        """Lays all panels of these types; returns itself."""
        ways: dict[int, list[int]] = {}
        for usable in sorted(frozenset[int]().union(*self.menus)):
            ways.setdefault(self.model.ways[usable].kind, []).append(usable)
        chosen = {kind: _way(self.model, ways.get(kind, ()), rule) for kind in kinds}
        some = [
            (kind, position, self.model.ways[position]) for kind, position in chosen.items() if position is not None
        ]
        for kind, position in chosen.items():
            if position is None:
                self.missing[kind] = self.model.demand[kind]
        for kind, position, way in sorted(some, key=lambda entry: (-entry[2].drop, -entry[2].width)):
            for done in range(self.model.demand[kind]):
                found = self._lay_for(position, way, order)
                if found is None:
                    self.missing[kind] = self.model.demand[kind] - done
                    break
                room, number = found
                stock, lay = self._lays[number]
                insort(self._open.setdefault(stock, []), (room - way.width, number))
                lay[position] = lay.get(position, 0) + 1
        return self

    def _lay_for(self, position: int, way: Way, order: Sequence[int]) -> tuple[int, int] | None:
        """(room, lay), no longer among the open ones; None when there is none and none can be opened."""
        fitting = (
            (lay, stock)
            for stock in self._open
            if position in self.menus[stock]
            if (lay := self._least(stock, way)) is not None
        )
        best = min(fitting, default=None)
        if best is not None:
            lays = self._open[best[1]]
            del lays[bisect_left(lays, best[0])]
            return best[0]
        stocks = self.model.stocks
        stock = next(
            (
                t
                for t in order
                if position in self.menus[t] and (stocks[t].limit is None or take(self._left[t], way.drop))
            ),
            None,
        )
        if stock is None:
            return None
        self._lays.append((stock, {}))
        self._drops.append(way.drop)
        return stocks[stock].room, len(self._lays) - 1

    def _least(self, stock: int, way: Way) -> tuple[int, int] | None:
        """The open lay of a stock with the least room that is wide and long enough."""
        lays = self._open[stock]
        for position in range(bisect_left(lays, (way.width, -1)), len(lays)):
            if self._drops[lays[position][1]] >= way.drop:
                return lays[position]
        return None

    def beside(self, other: Shelves) -> Shelves:
        """These shelves and those of other types, where no stock holds lays of both."""
        both = Shelves(self.model, self.menus)
        both.missing = [mine + its for mine, its in zip(self.missing, other.missing, strict=True)]
        both._left = [
            (mine if sum(mine) <= sum(its) else its).copy() for mine, its in zip(self._left, other._left, strict=True)
        ]
        both._lays = [(stock, dict(lay)) for stock, lay in self._lays + other._lays]
        both._drops = self._drops + other._drops
        for stock in self._open.keys() | other._open.keys():
            theirs = [(room, number + len(self._lays)) for room, number in other._open.get(stock, ())]
            both._open[stock] = sorted(self._open.get(stock, []) + theirs)
        return both

    def loading(self) -> Loading:
        """The lays as a plan."""
        return Counter(self.model.column(stock, lay) for stock, lay in self._lays)

    def worth(self) -> tuple[int, int]:
        """(panels missed, cost)."""
        return sum(self.missing), loading_cost(self.loading())


def _way(model: RollModel, usable: Sequence[int], rule: str) -> int | None:
    """Which of the ways to lay one type the rule takes."""

    def rank(position: int) -> int:
        way = model.ways[position]
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


def best_shelves(model: RollModel, watch: Watch | None = None) -> Loading:
    """
    The cheapest of all shelf plans; raises the `OutOfStock` that misses least.

    Once time has long been out no further way is tried.
    """
    base, menus = cheapest_order(model), _menus(model)
    orders = [base, *([t, *(other for other in base if other != t)] for t in base[1:6])]
    plans = _simple(model, orders, RULES, menus, watch)
    if model.barred and not _is_late(watch):
        plans += _stock_by_stock(model, orders, menus)
    return _best(plans)


def _menus(model: RollModel) -> list[frozenset[int]]:
    return [frozenset(model.menu(t)) for t in range(len(model.stocks))]


def _rules(model: RollModel, rules: Sequence[str]) -> Sequence[str]:
    return rules if any(way.turned for way in model.ways) else rules[:1]


def _is_late(watch: Watch | None) -> bool:
    return watch is not None and watch.late()


def _simple(
    model: RollModel,
    orders: Sequence[Sequence[int]],
    rules: Sequence[str],
    menus: Sequence[frozenset[int]],
    watch: Watch | None = None,
) -> list[Shelves]:
    kinds = range(len(model.demand))
    plans: list[Shelves] = []
    for order, rule in product(orders, _rules(model, rules)):
        if plans and _is_late(watch):
            break
        if watch is not None:
            watch.spend(20 * sum(model.demand))
        plans.append(Shelves(model, menus).add(kinds, order, rule))
    return plans


def _stock_by_stock(
    model: RollModel, orders: Sequence[Sequence[int]], menus: Sequence[frozenset[int]]
) -> list[Shelves]:
    """What can lie on one stock only is laid first, by the rule best there; the rest beside it."""
    homes: dict[int, set[str]] = {}
    for menu, stock in zip(menus, model.stocks, strict=True):
        for position in menu:
            homes.setdefault(model.ways[position].kind, set()).add(stock.id)
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
