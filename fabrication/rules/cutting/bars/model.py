"""A bar problem in whole numbers: equal pieces and equal stock merged, weights on their common grid."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import gcd, lcm

from fabrication.rules.cutting.columns.column import Column, Loading
from fabrication.rules.cutting.effort import MOST_BITS, MOST_CELLS, MOST_LENGTHS, MOST_TYPES, cells
from fabrication.rules.cutting.problem import (
    OFFCUT_WORTH,
    BarProblem,
    BarStock,
    Certificate,
    Cut,
    Pattern,
    ticks_per_unit,
)
from fabrication.rules.cutting.verify import cost_quantum, stock_price
from shared.lengths import Length


@dataclass(frozen=True, slots=True)
class StockType:
    """
    Bars that are the same to the search.

    `room` is the capacity on the grid, for weights of piece + kerf; `usable` in ticks is
    length − 2 × trim; `price` in cost units; `limit` how many can be opened.
    """

    room: int
    usable: int
    price: int
    limit: int
    endless: bool
    members: tuple[tuple[str, int | None], ...]


@dataclass(frozen=True, slots=True)
class BarModel:
    """
    The whole-number problem.

    `weights` (grid units of piece + kerf, longest first) and `demand` by type; `members`
    names the pieces of each type with their quantities. One cost unit is 1/`scale` tick,
    every cost is a multiple of `quantum` units; a tick kept is worth `worth` units where
    at least `keep` ticks are left (`keep` 0: nothing is ever kept).
    """

    grid: int
    weights: tuple[int, ...]
    demand: tuple[int, ...]
    members: tuple[tuple[tuple[str, int], ...], ...]
    stocks: tuple[StockType, ...]
    scale: int
    quantum: int
    keep: int
    worth: int

    @property
    def is_plain(self) -> bool:
        """Whether tables over all lengths, and what is searched with them, are within reach."""
        room = max((stock.room for stock in self.stocks), default=0)
        table = cells(zip(self.weights, self.demand, strict=True), room)
        by_stock = (room + 1) * (len(self.stocks) if self.keep else 1)
        return (
            len(self.weights) <= MOST_TYPES
            and room <= MOST_LENGTHS
            and table + by_stock <= MOST_CELLS
            and self.dearest.bit_length() + self.scale.bit_length() <= MOST_BITS
        )

    @property
    def dearest(self) -> int:
        """Cost units: the most that any bar costs, or that what is left of one is worth."""
        worth = self.worth if self.keep else 0
        return max((max(stock.price, worth * stock.usable) for stock in self.stocks), default=1)

    def credit(self, stock: StockType, weight: int) -> int:
        """Cost units earned by what `weight` leaves of a bar."""
        left = stock.usable - weight * self.grid
        return left * self.worth if self.keep and left >= self.keep else 0

    def weight(self, rows: tuple[tuple[int, int], ...]) -> int:
        """Grid units of a pattern's pieces, kerfs included."""
        return sum(self.weights[kind] * count for kind, count in rows)

    def column(self, stock: int, rows: tuple[tuple[int, int], ...]) -> Column:
        """The pattern with its cost."""
        bar = self.stocks[stock]
        return Column(stock, rows, bar.price - self.credit(bar, self.weight(rows)))


def bar_model(problem: BarProblem) -> BarModel:
    """The whole-number problem of pieces that each fit some stock."""
    kerf = problem.kerf.ticks
    by_length: dict[int, list[tuple[str, int]]] = {}
    for piece in problem.pieces:
        by_length.setdefault(piece.length.ticks + kerf, []).append((piece.id, piece.quantity))
    sizes = sorted(by_length, reverse=True)
    grid = gcd(*sizes) or 1
    pieces = sum(piece.quantity for piece in problem.pieces)
    unit = ticks_per_unit(problem.unit)
    prices = [stock_price(stock, problem.unit) * unit for stock in problem.stock]
    quantum = cost_quantum(problem)
    scale = lcm(*(price.denominator for price in prices), OFFCUT_WORTH.denominator, quantum.denominator)
    return BarModel(
        grid=grid,
        weights=tuple(size // grid for size in sizes),
        demand=tuple(sum(quantity for _, quantity in by_length[size]) for size in sizes),
        members=tuple(tuple(by_length[size]) for size in sizes),
        stocks=_stock_types(problem, [int(price * scale) for price in prices], grid, pieces),
        scale=scale,
        quantum=int(quantum * scale),
        keep=problem.keep.ticks if problem.keep is not None else 0,
        worth=int(OFFCUT_WORTH * scale),
    )


def _stock_types(problem: BarProblem, prices: list[int], grid: int, pieces: int) -> tuple[StockType, ...]:
    """One type for each length and price that can hold the shortest piece, dearest use of it first."""
    kerf, trim = problem.kerf.ticks, problem.trim.ticks
    shortest = min((piece.length.ticks for piece in problem.pieces), default=0)
    groups: dict[tuple[int, int], list[BarStock]] = {}
    for stock, price in zip(problem.stock, prices, strict=True):
        usable = stock.length.ticks - 2 * trim
        if usable >= shortest and stock.quantity != 0:
            groups.setdefault((stock.length.ticks, price), []).append(stock)
    types = []
    for (length, price), bars in sorted(groups.items()):
        counts = [bar.quantity for bar in bars]
        endless = None in counts
        limit = pieces if endless else min(pieces, sum(count or 0 for count in counts))
        members = sorted(((bar.id, bar.quantity) for bar in bars), key=lambda entry: entry[1] is None)
        usable = length - 2 * trim
        types.append(StockType((usable + kerf) // grid, usable, price, limit, endless, tuple(members)))
    return tuple(types)


def certificate_of(model: BarModel, duals: list[int], stock_duals: list[int], scale: int) -> Certificate:
    """Duals by type turned into duals by piece and stock; `scale` is per cost unit."""
    pieces = {name: dual for dual, names in zip(duals, model.members, strict=True) for name, _ in names}
    stock = {name: dual for dual, bar in zip(stock_duals, model.stocks, strict=True) if dual for name, _ in bar.members}
    return Certificate(pieces, stock, scale * model.scale)


def patterns_of(problem: BarProblem, model: BarModel, loading: Loading) -> tuple[Pattern, ...]:
    """
    The plan in the words of the problem: named pieces at their places on named bars.

    Within a bar the longest piece comes first. Patterns that come out alike are one
    pattern cut several times; the most used come first.
    """
    makers = [list(names) for names in model.members]
    bars = [list(stock.members) for stock in model.stocks]
    alike: Counter[tuple[str, tuple[str, ...]]] = Counter()
    for column, times in sorted(loading.items(), key=lambda entry: (-entry[1], entry[0])):
        left = times
        while left:
            names = [_next_names(makers, kind, count) for kind, count in column.rows]
            name, most = bars[column.stock][0]
            run = min(left, *(_runs(makers, kind, count) for kind, count in column.rows))
            run = run if most is None else min(run, most)
            _take(makers, column.rows, run)
            _take_bars(bars, column.stock, run)
            alike[name, tuple(piece for entry in names for piece in entry)] += run
            left -= run
    lengths = {piece.id: piece.length.ticks for piece in problem.pieces}
    stock_lengths = {bar.id: bar.length.ticks for bar in problem.stock}
    return tuple(
        _pattern(problem, name, stock_lengths[name], [(piece, lengths[piece]) for piece in pieces], times)
        for (name, pieces), times in alike.items()
    )


def _next_names(makers: list[list[tuple[str, int]]], kind: int, count: int) -> list[str]:
    names: list[str] = []
    for name, available in makers[kind]:
        names.extend([name] * min(available, count - len(names)))
        if len(names) == count:
            break
    return names


def _runs(makers: list[list[tuple[str, int]]], kind: int, count: int) -> int:
    """How often the same names can be cut again: at least once."""
    return max(1, makers[kind][0][1] // count)


def _take(makers: list[list[tuple[str, int]]], rows: tuple[tuple[int, int], ...], run: int) -> None:
    for kind, count in rows:
        need = count * run
        while need:
            name, available = makers[kind][0]
            used = min(available, need)
            need -= used
            if used == available:
                makers[kind].pop(0)
            else:
                makers[kind][0] = (name, available - used)


def _take_bars(bars: list[list[tuple[str, int | None]]], stock: int, run: int) -> None:
    name, most = bars[stock][0]
    if most is not None:
        bars[stock][0] = (name, most - run)
        if most == run:
            bars[stock].pop(0)


def _pattern(problem: BarProblem, stock: str, length: int, pieces: list[tuple[str, int]], times: int) -> Pattern:
    kerf, trim = problem.kerf.ticks, problem.trim.ticks
    cuts, at = [], trim
    for name, size in pieces:
        cuts.append(Cut(name, Length(at)))
        at += size + kerf
    return Pattern(stock, times, tuple(cuts), Length(max(0, length - trim - at)))
