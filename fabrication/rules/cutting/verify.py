"""
The independent checker: every plan and every bound passes here before anyone sees it.

Nothing is shared with the search, and everything is integers. A plan is checked piece by
piece at its place on the bar or roll; a bound by an exact knapsack over its dual prices.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from math import gcd, lcm
from typing import TypeVar

import numpy as np

from fabrication.rules.cutting.problem import (
    OFFCUT_WORTH,
    BarPiece,
    BarProblem,
    BarStock,
    Certificate,
    Pattern,
    Plan,
    PlanWrong,
    Problem,
    RollPiece,
    RollProblem,
    RollStock,
    ticks_per_unit,
)

PieceT = TypeVar("PieceT", BarPiece, RollPiece)

_LARGEST_INT64 = 2**62

MOST_CELLS = 48_000_000
"""Entries of an exact knapsack's table up to which it is filled; beyond, every width or length earns the best rate."""
BLOCK = 1_000_000
"""Entries of a table that are looked at together."""
PYTHON_NUMBERS = 40
"""How many times as long an entry takes that is too large for 64 bits."""


def verify(problem: Problem, plan: Plan) -> None:
    """
    Raises `PlanWrong` unless the plan can be cut, costs what it says and its bound holds.

    The bound is recomputed from the certificate when the plan's proof is ``duals``. A
    ``search`` proof rests on the complete search besides; then only bound <= cost and the
    certificate's own (lower) bound are checked.
    """
    if isinstance(problem, BarProblem):
        material, cost = _check_bars(problem, plan)
    else:
        material, cost = _check_rolls(problem, plan)
    _check_pieces(problem, plan)
    _require(material == plan.material.ticks, f"material is {material}, not {plan.material.ticks} ticks")
    _require(cost == plan.cost, f"cost is {cost}, not {plan.cost} ticks")
    _require(plan.bound <= plan.cost, f"bound {plan.bound} is above the cost {plan.cost}")
    problem = _placed(problem, plan)
    certified = certified_bound(problem, plan.certificate)
    quantum = cost_quantum(problem)
    certified = -(-certified // quantum) * quantum
    if plan.proof == "duals":
        _require(certified >= plan.bound, f"the dual prices prove {certified}, not {plan.bound}")
    else:
        _require(plan.proof == "search", f"unknown proof {plan.proof}")
        _require(certified <= plan.cost, f"the dual prices prove {certified}, above the cost")


def certified_bound(problem: Problem, certificate: Certificate) -> Fraction:
    """
    The bound on cost, in ticks, that the certificate proves by an exact integer knapsack.

    Raises `PlanWrong` when some pattern violates it.
    """
    _require(certificate.scale > 0, "the scale is not positive")
    _require(all(u >= 0 for u in certificate.pieces.values()), "a dual price is negative")
    _require(all(s >= 0 for s in certificate.stock.values()), "a stock price is negative")
    if isinstance(problem, BarProblem):
        excess, limits = _bar_excess(problem, certificate), _bar_limits(problem)
    else:
        excess, limits = _roll_excess(problem, certificate), _roll_limits(problem)
    for stock, over in excess.items():
        allowed = certificate.stock.get(stock, 0)
        _require(over <= allowed, f"a pattern of {stock} undercuts the dual prices by {over - allowed}")
        _require(allowed == 0 or limits[stock] is not None, f"{stock} is endless, its price must be 0")
    earned = sum(certificate.pieces.get(piece.id, 0) * piece.quantity for piece in problem.pieces)
    paid = sum(price * (limits[stock] or 0) for stock, price in certificate.stock.items())
    return Fraction(earned - paid, certificate.scale)


def cost_quantum(problem: Problem) -> Fraction:
    """All costs of whole patterns are multiples of this many ticks, so a bound may be rounded up to it."""
    unit = ticks_per_unit(problem.unit)
    if isinstance(problem, RollProblem):
        prices = [stock_price(stock, problem.unit) for stock in problem.stock]
        drops = [
            side.ticks
            for piece in problem.pieces
            for side in ((piece.length, piece.width) if piece.turn else (piece.length,))
        ]
        return _common([price * gcd(*drops) for price in prices])
    steps = [price * unit for price in (stock_price(stock, problem.unit) for stock in problem.stock)]
    if problem.keep is not None and problem.pieces:
        grid = gcd(*(piece.length.ticks + problem.kerf.ticks for piece in problem.pieces))
        steps.append(OFFCUT_WORTH * grid)
        steps.extend(OFFCUT_WORTH * (stock.length.ticks - 2 * problem.trim.ticks) for stock in problem.stock)
    return _common(steps)


def stock_price(stock: BarStock | RollStock, unit: str) -> Fraction:
    """The price of a bar in `unit`, or of a roll per unit of length run off."""
    if stock.price is not None:
        return stock.price
    worth = OFFCUT_WORTH if stock.offcut else Fraction(1)
    return worth if isinstance(stock, RollStock) else worth * Fraction(stock.length.ticks, ticks_per_unit(unit))


def _common(steps: Iterable[Fraction]) -> Fraction:
    common = Fraction(0)
    for step in steps:
        common = Fraction(
            gcd(common.numerator * step.denominator, step.numerator * common.denominator),
            common.denominator * step.denominator,
        )
    return common or Fraction(1)


def _require(truth: bool, otherwise: str) -> None:
    if not truth:
        raise PlanWrong(otherwise)


def _unplaced(plan: Plan) -> Counter[str]:
    missing: Counter[str] = Counter()
    for entry in plan.unplaced:
        missing[entry.piece] += entry.quantity
    return missing


def _placed(problem: Problem, plan: Plan) -> Problem:
    """The problem of the pieces that are in the plan: what the bound is about."""
    missing = _unplaced(plan)
    if isinstance(problem, BarProblem):
        return replace(problem, pieces=_present(problem.pieces, missing))
    return replace(problem, pieces=_present(problem.pieces, missing))


def _present(pieces: Iterable[PieceT], missing: Counter[str]) -> tuple[PieceT, ...]:
    return tuple(
        replace(piece, quantity=piece.quantity - missing[piece.id])
        for piece in pieces
        if piece.quantity > missing[piece.id]
    )


def _check_pieces(problem: Problem, plan: Plan) -> None:
    made: Counter[str] = Counter()
    for pattern in plan.patterns:
        for cut in pattern.cuts:
            made[cut.piece] += pattern.times
    missing = _unplaced(plan)
    for piece in problem.pieces:
        _require(
            made[piece.id] + missing[piece.id] == piece.quantity,
            f"{piece.id}: {made[piece.id]} made and {missing[piece.id]} unplaced of {piece.quantity}",
        )
    _require(set(made) <= {piece.id for piece in problem.pieces}, "a piece nobody asked for")


# -- bars ------------------------------------------------------------------------


def _check_bars(problem: BarProblem, plan: Plan) -> tuple[int, Fraction]:
    """Material in ticks and cost in ticks, having checked every cut."""
    stock = {bar.id: bar for bar in problem.stock}
    lengths = {piece.id: piece.length.ticks for piece in problem.pieces}
    used: Counter[str] = Counter()
    material, cost = 0, Fraction(0)
    for pattern in plan.patterns:
        _require(pattern.stock in stock and pattern.times >= 1 and bool(pattern.cuts), "an empty pattern")
        bar = stock[pattern.stock]
        _check_bar_pattern(problem, lengths, bar, pattern)
        used[bar.id] += pattern.times
        material += 0 if bar.offcut else bar.length.ticks * pattern.times
        price = stock_price(bar, problem.unit) * ticks_per_unit(problem.unit)
        kept = problem.keep is not None and pattern.left >= problem.keep
        cost += pattern.times * (price - (OFFCUT_WORTH * pattern.left.ticks if kept else 0))
    for name, count in used.items():
        limit = stock[name].quantity
        _require(limit is None or count <= limit, f"{count} of {name}, there are {limit}")
    return material, cost


def _check_bar_pattern(problem: BarProblem, lengths: Mapping[str, int], bar: BarStock, pattern: Pattern) -> None:
    kerf, trim = problem.kerf.ticks, problem.trim.ticks
    end = bar.length.ticks - trim
    free = trim
    for cut in sorted(pattern.cuts, key=lambda cut: cut.at.ticks):
        _require(cut.at.ticks >= free, f"{cut.piece} overlaps the cut before it on {bar.id}")
        _require(cut.piece in lengths and not cut.turned, f"{cut.piece} is not a piece of this problem")
        free = cut.at.ticks + lengths[cut.piece] + kerf
    _require(free - kerf <= end, f"{bar.id} is too short for its cuts")
    cut_away = sum(lengths[cut.piece] + kerf for cut in pattern.cuts)
    left = max(0, bar.length.ticks - 2 * trim - cut_away)
    _require(left == pattern.left.ticks, f"left of {bar.id} is {left}, not {pattern.left.ticks}")


def _bar_limits(problem: BarProblem) -> dict[str, int | None]:
    """How many bars of each stock a plan can open: each holds at least one piece."""
    pieces = sum(piece.quantity for piece in problem.pieces)
    return {bar.id: pieces if bar.quantity is None else min(bar.quantity, pieces) for bar in problem.stock}


def _bar_excess(problem: BarProblem, certificate: Certificate) -> dict[str, int]:
    """The most by which a pattern of each stock earns more than scale × its cost, at least 0."""
    steps = _bar_steps(problem, certificate)
    if not problem.stock:
        return {}
    grid = gcd(*(weight for weight, _, _ in steps)) or 1
    steps = [(weight // grid, u, most) for weight, u, most in steps]
    rate = _best_rate(steps)
    # costs in fifths of a tick at worst, times what prices need, so that all is integer
    unit = ticks_per_unit(problem.unit)
    prices = {bar.id: stock_price(bar, problem.unit) * unit for bar in problem.stock}
    factor = lcm(5, *(price.denominator for price in prices.values()))
    worth = 0 if problem.keep is None else int(OFFCUT_WORTH * factor) * certificate.scale
    least = None if problem.keep is None else max(1, problem.keep.ticks)
    bases = {bar.id: bar.length.ticks - 2 * problem.trim.ticks for bar in problem.stock}
    room = {name: (base + problem.kerf.ticks) // grid for name, base in bases.items()}
    best = _best_by_room(problem, steps, room, factor, worth)
    shortest = min((piece.length.ticks for piece in problem.pieces), default=None)
    excess = {}
    for bar in problem.stock:
        base, most = bases[bar.id], room[bar.id]
        if shortest is None or shortest > base or most <= 0 or bar.quantity == 0:
            excess[bar.id] = 0  # no pattern: none is without a piece, or without a bar
            continue
        if best is None:
            at = {0, most, most if least is None else min(most, max(0, (base - least) // grid))}
            earned = max(int(rate * weight) * factor + _worth_left(base - grid * weight, least, worth) for weight in at)
        else:
            earned = _most_earned(best[: most + 1], base, grid, least, worth)
        over = earned - int(prices[bar.id] * factor) * certificate.scale
        excess[bar.id] = max(0, -(-over // factor))
    return excess


def _bar_steps(problem: BarProblem, certificate: Certificate) -> list[tuple[int, int, int]]:
    """(length with its kerf, dual price, how many at most) of the pieces that earn something."""
    merged: Counter[tuple[int, int]] = Counter()
    for piece in problem.pieces:
        if u := certificate.pieces.get(piece.id, 0):
            merged[piece.length.ticks + problem.kerf.ticks, u] += piece.quantity
    return [(weight, u, count) for (weight, u), count in merged.items()]


def _best_rate(steps: Sequence[tuple[int, int, int]]) -> Fraction:
    """The most that one step of length earns."""
    return max((Fraction(u, weight) for weight, u, _ in steps), default=Fraction(0))


def _best_by_room(
    problem: BarProblem, steps: Sequence[tuple[int, int, int]], room: Mapping[str, int], factor: int, worth: int
) -> np.ndarray | None:
    """The exact knapsack over the steps, in `factor` parts; None where it is too much and the best rate must do."""
    widest = max([0, *(room[bar.id] for bar in problem.stock if bar.quantity != 0)])
    rate = _best_rate(steps)
    kept = worth * max(bar.length.ticks for bar in problem.stock)
    by_stock = (widest + 1) * (len(problem.stock) if worth else 1)
    is_large = kept + int(rate * widest * factor) >= _LARGEST_INT64 // 4
    if (_cells(steps, widest) + by_stock) * (PYTHON_NUMBERS if is_large else 1) > MOST_CELLS:
        return None
    kind = object if is_large else np.int64
    return knapsack([(weight, u * factor, most) for weight, u, most in steps], widest).astype(kind, copy=False)


def _worth_left(left: int, least: int | None, worth: int) -> int:
    return left * worth if least is not None and left >= least else 0


def _most_earned(earned: np.ndarray, base: int, grid: int, least: int | None, worth: int) -> int:
    """The most of what a pattern earns and what it leaves is worth, by the weight it uses."""
    if least is None:
        return int(earned.max())
    most = []
    for begin in range(0, len(earned), BLOCK):  # all at once took a gigabyte, and seconds to be given it
        part = earned[begin : begin + BLOCK]
        left = base - grid * np.arange(begin, begin + len(part), dtype=earned.dtype)
        most.append(int((part + np.where(left >= least, left * worth, 0)).max()))
    return max(most)


def _cells(steps: Sequence[tuple[int, int, int]], room: int) -> int:
    """What an exact knapsack over the steps costs, in entries; where it is too much, a rate must do."""
    return sum(min(count, room // weight).bit_length() for weight, _, count in steps) * (room + 1)


def knapsack(steps: list[tuple[int, int, int]], room: int) -> np.ndarray:
    """
    Best value by weight limit 0..room of a bounded knapsack; exact integers.

    Parameters
    ----------
    steps
        (weight, value, how many at most) of each kind; weight > 0, value >= 0.
    room
        Largest weight limit.

    Examples
    --------
    >>> knapsack([(3, 4, 2), (2, 3, 1)], 7).tolist()
    [0, 0, 3, 4, 4, 7, 8, 8]
    """
    most = min(
        sum(value * min(count, room // weight) for weight, value, count in steps),
        max((value * room // weight + 1 for weight, value, _ in steps), default=0),
    )
    best = np.zeros(room + 1, dtype=np.int64 if most < _LARGEST_INT64 // 4 else object)
    for weight, value, count in steps:
        left, batch = min(count, room // weight), 1
        while left > 0:
            batch = min(batch, left)
            heavy, gain = weight * batch, value * batch
            best[heavy:] = np.maximum(best[heavy:], best[: room + 1 - heavy] + gain)
            left -= batch
            batch *= 2
    return best


# -- rolls -----------------------------------------------------------------------


def _check_rolls(problem: RollProblem, plan: Plan) -> tuple[int, Fraction]:
    stock = {roll.id: roll for roll in problem.stock}
    pieces = {piece.id: piece for piece in problem.pieces}
    taken: dict[tuple[str, int], list[tuple[int, int]]] = {}
    homes: dict[str, str] = {}
    groups = {piece.id: piece.group for piece in problem.pieces}
    material, cost = 0, Fraction(0)
    for lay in plan.patterns:
        _require(lay.stock in stock and lay.times >= 1 and bool(lay.cuts), "an empty lay")
        _require(lay.length is not None, "a lay without a length")
        roll, length = stock[lay.stock], lay.length.ticks if lay.length else 0
        _check_lay(problem, pieces, roll, lay, length)
        for group in {groups[cut.piece] for cut in lay.cuts} - {None}:
            _require(homes.setdefault(str(group), roll.id) == roll.id, f"group {group} is on two stocks")
        if roll.length is not None:
            _require(lay.roll is not None and lay.start is not None, f"a lay of {roll.id} has no place")
            _require(1 <= (lay.roll or 0) <= (roll.quantity or lay.roll or 0), f"no such roll of {roll.id}")
            start = lay.start.ticks if lay.start else 0
            taken.setdefault((roll.id, lay.roll or 0), []).extend(
                (start + k * length, start + (k + 1) * length) for k in range(lay.times)
            )
        material += 0 if roll.offcut else length * lay.times
        cost += stock_price(roll, problem.unit) * length * lay.times
    for (name, _), spans in taken.items():
        _check_spans(stock[name], spans)
    return material, cost


def _check_lay(
    problem: RollProblem, pieces: Mapping[str, RollPiece], roll: RollStock, lay: Pattern, length: int
) -> None:
    kerf, free, longest, across = problem.kerf.ticks, 0, 0, 0
    for cut in sorted(lay.cuts, key=lambda cut: cut.at.ticks):
        _require(cut.piece in pieces, f"{cut.piece} is not a piece of this problem")
        piece = pieces[cut.piece]
        _require(piece.turn or not cut.turned, f"{cut.piece} may not be turned")
        width, drop = (piece.length, piece.width) if cut.turned else (piece.width, piece.length)
        _require(cut.at.ticks >= free, f"{cut.piece} overlaps the piece before it on {roll.id}")
        free = cut.at.ticks + width.ticks + kerf
        across += width.ticks + kerf
        longest = max(longest, drop.ticks)
    _require(free - kerf <= roll.width.ticks, f"{roll.id} is too narrow for its lay")
    _require(longest == length, f"a lay of {roll.id} is {longest} long, not {length}")
    left = max(0, roll.width.ticks - across)
    _require(left == lay.left.ticks, f"left of a lay of {roll.id} is {left}, not {lay.left.ticks}")


def _check_spans(roll: RollStock, spans: list[tuple[int, int]]) -> None:
    free = 0
    for start, end in sorted(spans):
        _require(start >= free, f"two lays of {roll.id} overlap")
        free = end
        for flaw in roll.flaws:
            _require(end <= flaw.start.ticks or start >= flaw.end.ticks, f"a lay of {roll.id} is on a flaw")
    _require(roll.length is None or free <= roll.length.ticks, f"{roll.id} is run off past its end")


def _roll_limits(problem: RollProblem) -> dict[str, int | None]:
    """Ticks of clean length there are of each stock; None for endless ones."""
    limits: dict[str, int | None] = {}
    for roll in problem.stock:
        endless = roll.length is None or roll.quantity is None
        limits[roll.id] = None if endless else sum(_clean_stretches(roll)) * (roll.quantity or 0)
    return limits


def _clean_stretches(roll: RollStock) -> list[int]:
    """Ticks between the flaws of a finite roll."""
    assert roll.length is not None
    stretches, reached = [], 0
    for flaw in sorted(roll.flaws, key=lambda flaw: flaw.start.ticks):
        stretches.append(max(0, flaw.start.ticks - reached))
        reached = max(reached, flaw.end.ticks)
    return [*stretches, max(0, roll.length.ticks - reached)]


def _longest_clean(roll: RollStock) -> int:
    return max(_clean_stretches(roll))


def _roll_excess(problem: RollProblem, certificate: Certificate) -> dict[str, int]:
    """The most by which a lay of each stock earns over scale × price, per tick of length, at least 0."""
    sides = _sides(problem, certificate)
    grid = gcd(*(width for _, width, _, _ in sides)) or 1
    holding = [
        roll for roll in problem.stock
        if roll.quantity != 0 and any(_holds(roll, problem.kerf.ticks, side) for side in sides)
    ]  # fmt: skip
    rooms = {roll.id: (roll.width.ticks + problem.kerf.ticks) // grid for roll in holding}
    steps = [(width // grid, u, count) for _, width, u, count in sides]
    widest = max([0, *rooms.values()])
    is_large = any(u * widest * grid // width >= _LARGEST_INT64 // 4 for _, width, u, _ in sides)
    if _cells(steps, widest) * (PYTHON_NUMBERS if is_large else 1) <= MOST_CELLS:
        earned = _earned_per_length(holding, sides, grid, rooms)
    else:  # as if every lay were covered with what earns most for its area
        rate = max(Fraction(u, width * drop) for drop, width, u, _ in sides)
        earned = {name: rate * room * grid for name, room in rooms.items()}
    excess = dict.fromkeys((roll.id for roll in problem.stock), 0)
    for roll in holding:
        over = earned[roll.id] - stock_price(roll, problem.unit) * certificate.scale
        excess[roll.id] = max(0, -(-over.numerator // over.denominator))
    return excess


def _holds(roll: RollStock, kerf: int, side: tuple[int, int, int, int]) -> bool:
    drop, width = side[:2]
    return width <= roll.width.ticks + kerf and (roll.length is None or drop <= _longest_clean(roll))


def _sides(problem: RollProblem, certificate: Certificate) -> list[tuple[int, int, int, int]]:
    """(drop, width + kerf, u, quantity) of every way to lay a panel that has a price; shortest drop first."""
    kerf = problem.kerf.ticks
    merged: Counter[tuple[int, int, int]] = Counter()
    for piece in problem.pieces:
        u = certificate.pieces.get(piece.id, 0)
        ways = {(piece.length.ticks, piece.width.ticks)}
        if piece.turn:
            ways.add((piece.width.ticks, piece.length.ticks))
        for drop, width in ways if u else ():
            merged[drop, width + kerf, u] += piece.quantity
    return sorted((*key, count) for key, count in merged.items())


def _earned_per_length(
    rolls: Sequence[RollStock], sides: Sequence[tuple[int, int, int, int]], grid: int, rooms: Mapping[str, int]
) -> dict[str, Fraction]:
    """The most that a lay of each stock earns per tick of its length."""
    room = max([0, *rooms.values()])
    longest = {roll.id: None if roll.length is None else _longest_clean(roll) for roll in rolls}
    earned = dict.fromkeys(rooms, Fraction(0))
    most = min(
        sum(u * min(count, room * grid // width) for _, width, u, count in sides),
        max((u * room * grid // width + 1 for _, width, u, _ in sides), default=0),
    )
    best = np.zeros(room + 1, dtype=np.int64 if most < _LARGEST_INT64 // 4 else object)
    for position, (drop, width, u, count) in enumerate(sides):
        left, batch = min(count, room * grid // width), 1
        while left > 0:
            batch = min(batch, left)
            heavy = width // grid * batch
            best[heavy:] = np.maximum(best[heavy:], best[: room + 1 - heavy] + u * batch)
            left -= batch
            batch *= 2
        if position + 1 < len(sides) and sides[position + 1][0] == drop:
            continue
        for name, end in longest.items():
            if end is None or drop <= end:
                here, so_far = int(best[rooms[name]]), earned[name]
                if here * so_far.denominator > so_far.numerator * drop:
                    earned[name] = Fraction(here, drop)
    return earned
