"""A roll problem in whole numbers: equal panels merged, a clean stretch of a roll as a stock of its own."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from math import gcd, lcm

from fabrication.rules.cutting.columns.column import Column, Loading
from fabrication.rules.cutting.effort import MOST_BITS, MOST_CELLS, MOST_LENGTHS, MOST_TYPES, cells
from fabrication.rules.cutting.problem import (
    Certificate,
    Cut,
    Pattern,
    RollPiece,
    RollProblem,
    RollStock,
)
from fabrication.rules.cutting.rooms import Rooms
from fabrication.rules.cutting.verify import cost_quantum, stock_price
from shared.lengths import Length

MOST_STRETCHES = 24
"""Up to so many stretches of finite roll are planned one by one; beyond, by their total and a check."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way of laying a type: its width + kerf on the grid, its drop in ticks."""

    kind: int
    width: int
    drop: int
    turned: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """A clean stretch of one roll, in ticks from its free end."""

    roll: int
    start: int
    length: int


@dataclass(frozen=True, slots=True)
class RollType:
    """
    Cloth that is the same to the search.

    `room` on the grid (roll width + kerf), `price` in cost units per tick of length,
    `longest` the longest lay in ticks, `limit` ticks of length there are (None: endless).
    """

    id: str
    room: int
    price: int
    longest: int
    limit: int | None
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class RollModel:
    """
    The whole-number problem.

    `ways` shortest drop first; `demand` and `members` by type; `barred` holds (type, stock)
    that must not meet, so that a group stays on the stock chosen for it. One cost unit is
    1/`scale` tick; every cost is a multiple of `quantum`. `clean` is the length of each
    stock id that a bound may count on.
    """

    grid: int
    ways: tuple[Way, ...]
    demand: tuple[int, ...]
    members: tuple[tuple[tuple[str, int], ...], ...]
    stocks: tuple[RollType, ...]
    scale: int
    quantum: int
    clean: Mapping[str, int]
    barred: frozenset[tuple[int, int]] = frozenset()

    @property
    def is_plain(self) -> bool:
        """Whether tables over all widths, and what is searched with them, are within reach."""
        room = max(stock.room for stock in self.stocks)
        dearest = max(stock.price for stock in self.stocks) * max(way.drop for way in self.ways)
        widths = len({stock.room for stock in self.stocks})
        tables = widths * cells(((way.width, self.demand[way.kind]) for way in self.ways), room)
        is_small = len(self.ways) <= MOST_TYPES and room <= MOST_LENGTHS and tables <= MOST_CELLS
        return is_small and dearest.bit_length() <= MOST_BITS

    def menu(self, stock: int) -> tuple[int, ...]:
        """The ways that one stock can hold."""
        roll = self.stocks[stock]
        return tuple(
            position
            for position, way in enumerate(self.ways)
            if way.width <= roll.room and way.drop <= roll.longest and (way.kind, stock) not in self.barred
        )

    def column(self, stock: int, lay: Mapping[int, int]) -> Column:
        """The lay (way -> count) with its cost."""
        rows: Counter[int] = Counter()
        turned: Counter[int] = Counter()
        drop = 0
        for position, count in lay.items():
            way = self.ways[position]
            rows[way.kind] += count
            if way.turned:
                turned[way.kind] += count
            drop = max(drop, way.drop)
        return Column(
            stock, tuple(sorted(rows.items())), self.stocks[stock].price * drop, drop, tuple(sorted(turned.items()))
        )


def roll_model(problem: RollProblem) -> RollModel:
    """The whole-number problem of panels that each fit some roll."""
    kerf = problem.kerf.ticks
    groups: dict[tuple[int, int, bool, str | None], list[tuple[str, int]]] = {}
    for piece in problem.pieces:
        key = (piece.width.ticks, piece.length.ticks, piece.turn, piece.group)
        groups.setdefault(key, []).append((piece.id, piece.quantity))
    keys = sorted(groups, key=lambda key: (-key[1], -key[0], key[2], key[3] or ""))
    sides = []
    for kind, (width, drop, turn, _) in enumerate(keys):
        sides.append((drop, width + kerf, kind, False))
        if turn and width != drop:
            sides.append((width, drop + kerf, kind, True))
    sides.sort()
    grid = gcd(*(width for _, width, _, _ in sides))
    prices = [stock_price(stock, problem.unit) for stock in problem.stock]
    quantum = cost_quantum(problem)
    scale = lcm(*(price.denominator for price in prices), quantum.denominator)
    longest = max(drop for drop, _, _, _ in sides)
    stocks = _roll_types(problem, [int(price * scale) for price in prices], grid, longest)
    shortest, narrowest = min(side[0] for side in sides), min(side[1] for side in sides)
    return RollModel(
        grid=grid,
        ways=tuple(Way(kind, width // grid, drop, turned) for drop, width, kind, turned in sides),
        demand=tuple(sum(quantity for _, quantity in groups[key]) for key in keys),
        members=tuple(tuple(groups[key]) for key in keys),
        stocks=tuple(stock for stock in stocks if stock.longest >= shortest and stock.room * grid >= narrowest),
        scale=scale,
        quantum=int(quantum * scale),
        clean=_clean(problem),
    )


def fits(model: RollModel, loading: Loading) -> bool:
    """Whether first fit, longest lay first, finds every lay room on the stretches of its stock."""
    free = [Rooms(each.length for each in stock.stretches) for stock in model.stocks]
    for column in sorted(loading.elements(), key=lambda column: -column.use):
        if model.stocks[column.stock].limit is not None and not take(free[column.stock], column.use):
            return False
    return True


def take(free: Rooms, length: int) -> bool:
    """Takes a length off the first stretch that has it."""
    position = free.first(length)
    if position is None:
        return False
    free.lower(position, length)
    return True


def group_of(problem: RollProblem) -> dict[str, str]:
    """The group of each piece that has one."""
    return {piece.id: piece.group for piece in problem.pieces if piece.group is not None}


def stretches_of(roll: RollStock) -> list[tuple[int, int]]:
    """Clean (start, end) of a finite roll, in ticks."""
    assert roll.length is not None
    clean, free = [], 0
    for flaw in sorted(roll.flaws, key=lambda flaw: flaw.start.ticks):
        if flaw.start.ticks > free:
            clean.append((free, flaw.start.ticks))
        free = max(free, flaw.end.ticks)
    if roll.length.ticks > free:
        clean.append((free, roll.length.ticks))
    return clean


def _roll_types(problem: RollProblem, prices: list[int], grid: int, longest: int) -> list[RollType]:
    pieces = sum(piece.quantity for piece in problem.pieces)
    types: list[RollType] = []
    finite: list[tuple[RollStock, int, list[Stretch]]] = []
    for roll, price in zip(problem.stock, prices, strict=True):
        room = (roll.width.ticks + problem.kerf.ticks) // grid
        if roll.length is None:
            if roll.quantity != 0:
                types.append(RollType(roll.id, room, price, longest, None, ()))
            continue
        count = pieces if roll.quantity is None else min(roll.quantity, pieces)
        stretches = [
            Stretch(number, start, end - start) for number in range(1, count + 1) for start, end in stretches_of(roll)
        ]
        finite.append((roll, price, stretches))
    one_by_one = sum(len(stretches) for _, _, stretches in finite) <= MOST_STRETCHES
    for roll, price, stretches in finite:
        room = (roll.width.ticks + problem.kerf.ticks) // grid
        if one_by_one:
            types.extend(
                RollType(roll.id, room, price, min(longest, each.length), each.length, (each,)) for each in stretches
            )
        elif stretches:
            reach = min(longest, max(each.length for each in stretches))
            total = sum(each.length for each in stretches)
            types.append(RollType(roll.id, room, price, reach, total, tuple(stretches)))
    return types


def _clean(problem: RollProblem) -> dict[str, int]:
    return {
        roll.id: sum(end - start for start, end in stretches_of(roll)) * roll.quantity
        for roll in problem.stock
        if roll.length is not None and roll.quantity is not None
    }


def certificate_of(model: RollModel, duals: list[int], stock_duals: Mapping[str, int], scale: int) -> Certificate:
    """Duals by type turned into duals by piece; `scale` is per cost unit."""
    pieces = {name: dual for dual, names in zip(duals, model.members, strict=True) for name, _ in names}
    return Certificate(pieces, {name: dual for name, dual in stock_duals.items() if dual}, scale * model.scale)


def patterns_of(problem: RollProblem, model: RollModel, loading: Loading) -> tuple[Pattern, ...]:
    """
    The plan in the words of the problem: named panels at their places in lays, lays at theirs on rolls.

    Lays of a finite roll follow one another, longest first; within a lay the widest panel is
    at the edge. Lays that come out alike and follow one another are one pattern cut several times.
    """
    makers = [list(names) for names in model.members]
    pieces = {piece.id: piece for piece in problem.pieces}
    widths = {roll.id: roll.width.ticks for roll in problem.stock}
    free = [Rooms(each.length for each in stock.stretches) for stock in model.stocks]
    out: list[Pattern] = []
    for column in sorted(loading.elements(), key=lambda column: (column.stock, -column.use, column.rows)):
        names = _named(makers, column)
        stock = model.stocks[column.stock]
        roll = start = None
        if stock.limit is not None:
            roll, start = _placed(stock, free[column.stock], column.use)
        lay = _lay(problem, widths[stock.id], names, pieces)
        pattern = Pattern(stock.id, 1, lay[0], lay[1], Length(column.use), roll, start)
        out.append(pattern)
    return run_together(out)


def _named(makers: list[list[tuple[str, int]]], column: Column) -> list[tuple[str, bool]]:
    turned = dict(column.turned)
    names: list[tuple[str, bool]] = []
    for kind, count in column.rows:
        for position in range(count):
            name, available = makers[kind][0]
            if available == 1:
                makers[kind].pop(0)
            else:
                makers[kind][0] = (name, available - 1)
            names.append((name, position < turned.get(kind, 0)))
    return names


def _placed(stock: RollType, free: Rooms, length: int) -> tuple[int, Length]:
    """Takes the first stretch with room."""
    position = free.first(length)
    if position is None:
        raise AssertionError("lays were planned beyond the roll")
    stretch = stock.stretches[position]
    start = stretch.start + stretch.length - free[position]
    free.lower(position, length)
    return stretch.roll, Length(start)


def _lay(
    problem: RollProblem, width: int, names: list[tuple[str, bool]], pieces: Mapping[str, RollPiece]
) -> tuple[tuple[Cut, ...], Length]:
    across = sorted(
        (-(pieces[name].length if turned else pieces[name].width).ticks, name, turned) for name, turned in names
    )
    cuts, at = [], 0
    for size, name, turned in across:
        cuts.append(Cut(name, Length(at), turned))
        at += problem.kerf.ticks - size
    return tuple(cuts), Length(max(0, width - at))


def run_together(patterns: list[Pattern]) -> tuple[Pattern, ...]:
    """Lays that are alike and follow one another as one pattern cut several times."""
    out: list[Pattern] = []
    for each in patterns:
        last = out[-1] if out else None
        if last is not None and (last.stock, last.roll, last.cuts, last.length) == (
            each.stock,
            each.roll,
            each.cuts,
            each.length,
        ):
            follows = last.start is None or (
                each.start is not None
                and each.length is not None
                and each.start.ticks == last.start.ticks + last.times * each.length.ticks
            )
            if follows:
                out[-1] = Pattern(last.stock, last.times + 1, last.cuts, last.left, last.length, last.roll, last.start)
                continue
        out.append(each)
    return tuple(out)
