"""Plans at once: first fit, and bars filled as full as their pieces can make them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from random import Random

from fabrication.rules.cutting.bars.model import BarModel
from fabrication.rules.cutting.columns.column import Loading, loading_cost
from fabrication.rules.cutting.rooms import Rooms
from fabrication.rules.cutting.watch import Watch


class OutOfStock(Exception):
    """No stock is left that holds a piece; `loading` is what could be cut, `missing` the rest by type."""

    def __init__(self, loading: Loading, missing: list[int]) -> None:
        super().__init__("out of stock")
        self.loading = loading
        self.missing = missing


def first_fit(model: BarModel, demand: Sequence[int], limits: Sequence[int], order: Sequence[int]) -> Loading:
    """
    Longest piece first, each into the first open bar with room.

    When none has room, the first stock of `order` that is left and holds the piece is
    opened. Raises `OutOfStock` when there is none.
    """
    left = list(limits)
    rooms = Rooms()
    bars: list[tuple[int, list[tuple[int, int]]]] = []
    missing = [0] * len(demand)
    for kind, weight in enumerate(model.weights):
        need = demand[kind]
        while need and (position := rooms.first(weight)) is not None:
            count = min(need, rooms[position] // weight)
            rooms.lower(position, count * weight)
            bars[position][1].append((kind, count))
            need -= count
        while need:
            stock = next((t for t in order if left[t] and model.stocks[t].room >= weight), None)
            if stock is None:
                missing[kind] = need
                break
            left[stock] -= 1
            count = min(need, model.stocks[stock].room // weight)
            rooms.add(model.stocks[stock].room - count * weight)
            bars.append((stock, [(kind, count)]))
            need -= count
    loading = Counter(model.column(stock, tuple(rows)) for stock, rows in bars)
    if any(missing):
        raise OutOfStock(loading, missing)
    return loading


def baseline_order(model: BarModel) -> list[int]:
    """Offcuts and other limited stock first, shortest first; then endless stock, longest first."""
    limited = [t for t, stock in enumerate(model.stocks) if not stock.endless]
    endless = [t for t, stock in enumerate(model.stocks) if stock.endless]
    return limited + endless[::-1]


def orders(model: BarModel) -> list[list[int]]:
    """Ways of choosing the next bar: limited stock before or after, each endless stock first once."""
    limited = [t for t, stock in enumerate(model.stocks) if not stock.endless]
    endless = [t for t, stock in enumerate(model.stocks) if stock.endless]
    ways = [baseline_order(model)]
    for first in endless:
        rest = [t for t in endless[::-1] if t != first]
        ways.append([*limited, first, *rest])
        ways.append([*limited[::-1], first, *rest])
        ways.append([first, *rest, *limited])
    if not endless:
        ways.append(limited[::-1])
    return ways


MOST_SWAPS = 500_000
"""Bars times stocks up to which each bar is tried on each stock."""


def swapped_stock(model: BarModel, loading: Loading, limits: Sequence[int]) -> Loading:
    """The same patterns, each on the cheapest stock that is left for it (as they are, of very many)."""
    if loading.total() * len(limits) > MOST_SWAPS:
        return loading
    left = list(limits)
    bars = sorted(loading.elements(), key=lambda column: (-model.weight(column.rows), column))
    for column in bars:
        left[column.stock] -= 1
    out: Loading = Counter()
    for column in bars:
        left[column.stock] += 1
        weight = model.weight(column.rows)
        best = min(
            (t for t, stock in enumerate(model.stocks) if left[t] and stock.room >= weight),
            key=lambda t: (model.stocks[t].price - model.credit(model.stocks[t], weight), t),
        )
        left[best] -= 1
        out[model.column(best, column.rows)] += 1
    return out


def best_first_fit(model: BarModel, watch: Watch) -> Loading:
    """
    The cheapest of the first-fit plans; raises the `OutOfStock` that misses least.

    Once time has long been out no further way is tried.
    """
    limits = [stock.limit for stock in model.stocks]
    best: Loading | None = None
    worst: OutOfStock | None = None
    for order in orders(model):
        if watch.late() and (best is not None or worst is not None):
            break
        watch.spend(5 * sum(model.demand))
        try:
            loading = swapped_stock(model, first_fit(model, model.demand, limits, order), limits)
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


def fill(
    model: BarModel,
    demand: Sequence[int],
    limits: Sequence[int],
    worth: float,
    chance: Random | None = None,
    is_out: Callable[[], bool] = lambda: False,
) -> Loading | None:
    """
    Bar by bar: the longest piece left, then whatever fills a bar of some stock best.

    All sums of the pieces left are kept as the bits of one integer, so the best filling of
    every stock is read off at once. The bar chosen costs least above `worth` cost units
    per grid unit of pieces. None when the stock runs out, or the time by `is_out`.
    """
    need, left = list(demand), list(limits)
    loading: Loading = Counter()
    kinds = [kind for kind, count in enumerate(need) if count]
    while kinds:
        if is_out():
            return None
        longest = kinds[0]
        choice = _best_bar(model, need, left, kinds, longest, worth)
        if choice is None:
            return None
        stock, filling, sums = choice
        rows = {longest: 1}
        for kind, count in _taken(model, need, kinds, filling, sums, longest, chance):
            rows[kind] = rows.get(kind, 0) + count
        column = model.column(stock, tuple(sorted(rows.items())))
        times = min(left[stock], *(need[kind] // count for kind, count in column.rows))
        loading[column] += times
        left[stock] -= times
        for kind, count in column.rows:
            need[kind] -= count * times
        kinds = [kind for kind in kinds if need[kind]]
    return loading


def _best_bar(
    model: BarModel, need: list[int], left: list[int], kinds: list[int], longest: int, worth: float
) -> tuple[int, int, list[int]] | None:
    """The stock, the weight its other pieces add, and all sums by how many kinds they use."""
    weight = model.weights[longest]
    open_stock = [t for t, stock in enumerate(model.stocks) if left[t] and stock.room >= weight]
    if not open_stock:
        return None
    room = max(model.stocks[t].room for t in open_stock) - weight
    sums = _sums(model, need, kinds, longest, room)
    best: tuple[float, int, int] | None = None
    for t in open_stock:
        stock = model.stocks[t]
        for filling in _fillings(model, stock.room - weight, stock.usable, weight, sums[-1]):
            full = weight + filling
            loss = stock.price - model.credit(stock, full) - worth * full
            if best is None or loss < best[0]:
                best = (loss, t, filling)
    assert best is not None
    return best[1], best[2], sums


def _fillings(model: BarModel, room: int, usable: int, weight: int, sums: int) -> list[int]:
    """The fullest filling, and the fullest that leaves something to keep."""
    fillings = [(sums & ((1 << (room + 1)) - 1)).bit_length() - 1]
    if model.keep:
        keeping = (usable - model.keep) // model.grid - weight
        if 0 <= keeping < fillings[0]:
            fillings.append((sums & ((1 << (keeping + 1)) - 1)).bit_length() - 1)
    return fillings


def _sums(model: BarModel, need: list[int], kinds: list[int], longest: int, room: int) -> list[int]:
    """Bit s of entry k: the k shortest kinds can weigh s together."""
    mask = (1 << (room + 1)) - 1
    reach = 1
    sums = [reach]
    for kind in reversed(kinds):
        weight = model.weights[kind]
        most = min(need[kind] - (kind == longest), room // weight)
        batch = 1
        while most > 0:
            batch = min(batch, most)
            reach |= (reach << (weight * batch)) & mask
            most -= batch
            batch *= 2
        sums.append(reach)
    return sums


def _taken(
    model: BarModel,
    need: list[int],
    kinds: list[int],
    filling: int,
    sums: list[int],
    longest: int,
    chance: Random | None,
) -> list[tuple[int, int]]:
    """Pieces that weigh `filling`, long ones preferred (or passed over by chance)."""
    taken = []
    for position, kind in enumerate(kinds):
        weight, shorter = model.weights[kind], sums[len(kinds) - position - 1]
        most = min(need[kind] - (kind == longest), filling // weight)
        counts = [count for count in range(most, -1, -1) if shorter >> (filling - count * weight) & 1]
        count = counts[0]
        if chance is not None and len(counts) > 1 and chance.random() < 0.3:
            count = counts[1]
        if count:
            taken.append((kind, count))
            filling -= count * weight
    return taken
