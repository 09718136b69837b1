"""The least cost of tiny cut problems by plain enumeration, sharing nothing with the engine."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from itertools import product

from fabrication.rules.cutting import BarProblem, RollProblem


def least_bar_cost(problem: BarProblem) -> Fraction | None:
    """Least cost in ticks (unit "1") of cutting every piece; None when the stock does not allow it."""
    kerf, trim = problem.kerf.ticks, problem.trim.ticks
    lengths = [piece.length.ticks for piece in problem.pieces]
    patterns = [
        (counts, sum(map(int.__mul__, counts, lengths)), sum(counts))
        for counts in product(*(range(piece.quantity + 1) for piece in problem.pieces))
        if any(counts)
    ]
    stock = list(problem.stock)

    def cost(place: int, total: int, number: int) -> Fraction | None:
        bar = stock[place]
        usable = bar.length.ticks - 2 * trim
        if total + (number - 1) * kerf > usable:
            return None
        price = bar.price if bar.price is not None else bar.length.ticks * (Fraction(3, 5) if bar.offcut else 1)
        left = max(0, usable - total - number * kerf)
        kept = problem.keep is not None and left >= problem.keep.ticks
        return Fraction(price) - (Fraction(3, 5) * left if kept else 0)

    costs = [[cost(position, total, number) for position in range(len(stock))] for _, total, number in patterns]
    pieces = sum(piece.quantity for piece in problem.pieces)

    @cache
    def least(need: tuple[int, ...], left: tuple[int, ...]) -> Fraction | None:
        if not any(need):
            return Fraction(0)
        first = next(position for position, count in enumerate(need) if count)
        best: Fraction | None = None
        for (counts, _, _), prices in zip(patterns, costs, strict=True):
            if not counts[first] or any(map(int.__gt__, counts, need)):
                continue
            for position, price in enumerate(prices):
                if price is None or not left[position]:
                    continue
                rest = least(
                    tuple(map(int.__sub__, need, counts)),
                    tuple(number - (other == position) for other, number in enumerate(left)),
                )
                if rest is not None and (best is None or price + rest < best):
                    best = price + rest
        return best

    limits = tuple(pieces if bar.quantity is None else min(pieces, bar.quantity) for bar in stock)
    return least(tuple(piece.quantity for piece in problem.pieces), limits)


def least_roll_cost(problem: RollProblem) -> Fraction | None:
    """Least cost in ticks of cutting every panel from rolls, one by one where finite; None when impossible."""
    kerf = problem.kerf.ticks
    panels = [piece for piece in problem.pieces for _ in range(piece.quantity)]
    rolls: list[tuple[int, Fraction, int | None]] = []
    for roll in problem.stock:
        price = roll.price if roll.price is not None else Fraction(3, 5) if roll.offcut else Fraction(1)
        number = 1 if roll.length is None else min(len(panels), roll.quantity or len(panels))
        rolls.extend([(roll.width.ticks, Fraction(price), roll.length and roll.length.ticks)] * number)

    @cache
    def drop(group: tuple[int, ...], width: int) -> int | None:
        """The shortest lay that holds these panels side by side."""
        best: int | None = None
        for turns in product((False, True), repeat=len(group)):
            if any(turn and not panels[k].turn for turn, k in zip(turns, group, strict=True)):
                continue
            sides = [
                (panels[k].length.ticks, panels[k].width.ticks)
                if turn
                else (panels[k].width.ticks, panels[k].length.ticks)
                for turn, k in zip(turns, group, strict=True)
            ]
            if sum(side for side, _ in sides) + (len(sides) - 1) * kerf <= width:
                longest = max(side for _, side in sides)
                best = longest if best is None else min(best, longest)
        return best

    @cache
    def least(mask: int, left: tuple[int | None, ...]) -> Fraction | None:
        if not mask:
            return Fraction(0)
        first = mask & -mask
        best: Fraction | None = None
        sub = mask
        while sub:
            if sub & first:
                group = tuple(k for k in range(len(panels)) if sub >> k & 1)
                for position, (width, price, _) in enumerate(rolls):
                    length = drop(group, width)
                    have = left[position]
                    if length is None or (have is not None and have < length):
                        continue
                    after = list(left)
                    after[position] = None if have is None else have - length
                    rest = least(mask & ~sub, tuple(after))
                    if rest is not None and (best is None or price * length + rest < best):
                        best = price * length + rest
            sub = (sub - 1) & mask
        return best

    return least((1 << len(panels)) - 1, tuple(length for _, _, length in rolls))
