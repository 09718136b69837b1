"""The JSON of `cut`: documents in, answers out, exactly as the contract has them."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from fabrication.rules.cutting.problem import (
    BarPiece,
    BarProblem,
    BarStock,
    Flaw,
    Pattern,
    Plan,
    Problem,
    RollPiece,
    RollProblem,
    RollStock,
    ticks_per_unit,
)
from shared.contracts import ContractError, Reader, length_text
from shared.lengths import INCH, ZERO, Length

LARGEST_DOCUMENT: Final = 16 * 1024 * 1024
LONGEST: Final = INCH * 4_000
"""The longest bar, piece, kerf, trim and width of a roll, which is 101 600 mm."""
LONGEST_ROLL: Final = INCH * 40_000
MOST_STOCK: Final = 200
MOST_ENTRIES: Final = 3_000
MOST_PIECES: Final = 20_000
"""Pieces in all, their quantities counted."""
MOST_STRETCHES: Final = 20_000
"""Finite rolls in all, times one more than the flaws of each."""
MOST_FLAWS: Final = 100
MOST_GROUPS: Final = 200
MOST_OF_A_STOCK: Final = 1_000_000
DEAREST: Final = 1_000_000
PRICE_STEPS: Final = 10_000
"""A price has at most four decimals."""
LONGEST_RUN: Final = 86_400


@dataclass(frozen=True, slots=True)
class Request:
    """A problem, how long to think about it, and the seed of its randomness."""

    problem: Problem
    seconds: float = 10.0
    seed: int = 0


def read_request(text: str | bytes) -> Request:
    """
    A request from JSON text; raises `ContractError` naming field, problem and bound.

    Examples
    --------
    >>> request = read_request('{"kind":"bar","unit":"in","kerf":"1/8","stock":[{"id":"s1","length":"192"}],'
    ...                        '"pieces":[{"id":"p1","length":"35 1/4","quantity":3}]}')
    >>> request.problem.kerf.ticks, request.seconds
    (1016, 10.0)
    """
    document = Reader.parse(text, most=LARGEST_DOCUMENT)
    kind = document.string("kind", choices=("bar", "roll"))
    unit = document.unit()
    problem = _bars(document, unit) if kind == "bar" else _rolls(document, unit)
    seconds = float(document.number("seconds", default=Fraction(10), most=LONGEST_RUN))
    seed = document.integer("seed", default=0)
    document.done()
    return Request(problem, seconds, seed)


def _bars(document: Reader, unit: str) -> BarProblem:
    kerf = document.length("kerf", unit, default=ZERO, most=LONGEST)
    trim = document.length("trim", unit, default=ZERO, most=LONGEST)
    keep = document.length("keep", unit, default=None, least=1, most=LONGEST)
    stock = tuple(_bar_stock(entry, unit) for entry in document.objects("stock", most=MOST_STOCK))
    pieces = tuple(_bar_piece(entry, unit) for entry in document.objects("pieces", most=MOST_ENTRIES))
    _refuse_many(document, sum(piece.quantity for piece in pieces))
    _refuse_twice("stock", [bar.id for bar in stock])
    _refuse_twice("pieces", [piece.id for piece in pieces])
    return BarProblem(stock, pieces, kerf, trim, keep, unit)


def _bar_stock(entry: Reader, unit: str) -> BarStock:
    stock = BarStock(
        id=entry.string("id"),
        length=entry.length("length", unit, least=1, most=LONGEST),
        quantity=entry.integer("quantity", default=None, most=MOST_OF_A_STOCK),
        offcut=entry.boolean("offcut", default=False),
        price=_price(entry),
    )
    entry.done()
    return stock


def _bar_piece(entry: Reader, unit: str) -> BarPiece:
    piece = BarPiece(
        id=entry.string("id"),
        length=entry.length("length", unit, least=1, most=LONGEST),
        quantity=entry.integer("quantity", default=1, least=1, most=MOST_PIECES),
    )
    entry.done()
    return piece


def _price(entry: Reader) -> Fraction | None:
    price: Fraction | None = entry.number("price", default=None, most=DEAREST)
    if price is not None and PRICE_STEPS % price.denominator:
        entry.refuse("price", "more decimals than a price has", "at most 4 decimals")
    return price


def _refuse_many(document: Reader, pieces: int) -> None:
    if pieces > MOST_PIECES:
        document.refuse("pieces", f"{pieces} pieces, their quantities counted", f"at most {MOST_PIECES}")


def _rolls(document: Reader, unit: str) -> RollProblem:
    kerf = document.length("kerf", unit, default=ZERO, most=LONGEST)
    if document.raw("keep", default=None) is not None:
        document.refuse("keep", "a roll is charged by what is run off; nothing is valued as kept", "null")
    stock = tuple(_roll_stock(entry, unit) for entry in document.objects("stock", most=MOST_STOCK))
    pieces = tuple(_roll_piece(entry, unit) for entry in document.objects("pieces", most=MOST_ENTRIES))
    panels = sum(piece.quantity for piece in pieces)
    _refuse_many(document, panels)
    _refuse_stretches(document, stock, panels)
    if len(groups := {piece.group for piece in pieces} - {None}) > MOST_GROUPS:
        document.refuse("pieces", f"{len(groups)} groups", f"at most {MOST_GROUPS}")
    _refuse_twice("stock", [roll.id for roll in stock])
    _refuse_twice("pieces", [piece.id for piece in pieces])
    return RollProblem(stock, pieces, kerf, unit)


def _refuse_stretches(document: Reader, stock: tuple[RollStock, ...], panels: int) -> None:
    finite = (roll for roll in stock if roll.length is not None)
    stretches = sum(
        min(panels, panels if roll.quantity is None else roll.quantity) * (len(roll.flaws) + 1) for roll in finite
    )
    if stretches > MOST_STRETCHES:
        problem = f"{stretches} stretches: finite rolls that may be needed, times what flaws divide each into"
        document.refuse("stock", problem, f"at most {MOST_STRETCHES}")


def _roll_stock(entry: Reader, unit: str) -> RollStock:
    length = entry.length("length", unit, default=None, least=1, most=LONGEST_ROLL)
    stock = RollStock(
        id=entry.string("id"),
        width=entry.length("width", unit, least=1, most=LONGEST),
        length=length,
        quantity=entry.integer("quantity", default=None, most=MOST_OF_A_STOCK),
        offcut=entry.boolean("offcut", default=False),
        price=_price(entry),
        flaws=tuple(_flaw(flaw, unit, length) for flaw in entry.objects("flaws", default=[], most=MOST_FLAWS)),
    )
    entry.done()
    return stock


def _flaw(entry: Reader, unit: str, roll: Length | None) -> Flaw:
    flaw = Flaw(entry.length("start", unit), entry.length("end", unit))
    if roll is None:
        entry.refuse("start", "an endless roll has no flaws; give the roll's length", "a finite roll")
    if not flaw.start < flaw.end <= roll:
        entry.refuse("end", "a flaw ends after it starts and within the roll", length_text(roll, unit))
    entry.done()
    return flaw


def _roll_piece(entry: Reader, unit: str) -> RollPiece:
    piece = RollPiece(
        id=entry.string("id"),
        width=entry.length("width", unit, least=1, most=LONGEST),
        length=entry.length("length", unit, least=1, most=LONGEST),
        quantity=entry.integer("quantity", default=1, least=1, most=MOST_PIECES),
        turn=entry.boolean("turn", default=False),
        group=entry.string("group", default=None),
    )
    entry.done()
    return piece


def _refuse_twice(name: str, ids: list[str]) -> None:
    seen: set[str] = set()
    for place, each in enumerate(ids):
        if each in seen:
            raise ContractError(f"{name}[{place}].id", f"{each[:40]} stands twice", "each id once")
        seen.add(each)


def plan_json(problem: Problem, plan: Plan) -> dict[str, Any]:
    """The answer object of the contract. Cost and bound are numbers in the document's unit."""
    unit = problem.unit
    return {
        "patterns": [_pattern_json(pattern, unit) for pattern in plan.patterns],
        "used": _used(plan),
        "material": length_text(plan.material, unit),
        "cost": _number(plan.cost / ticks_per_unit(unit)),
        "bound": _number(plan.bound / ticks_per_unit(unit)),
        "ticks": {
            "material": plan.material.ticks,
            "cost": _number(plan.cost),
            "bound": _number(plan.bound),
        },
        "proven": plan.proven,
        "proof": plan.proof,
        "gap": round(plan.gap, 9),
        "unplaced": [{"piece": entry.piece, "quantity": entry.quantity, "why": entry.why} for entry in plan.unplaced],
        "seconds": round(plan.seconds, 3),
    }


def _used(plan: Plan) -> dict[str, int]:
    """Bars opened of each stock; of rolls, how many are opened (an endless one is one)."""
    used: dict[str, int] = {}
    rolls: set[tuple[str, int | None]] = set()
    for pattern in plan.patterns:
        if pattern.length is None:
            used[pattern.stock] = used.get(pattern.stock, 0) + pattern.times
        elif (pattern.stock, pattern.roll) not in rolls:
            rolls.add((pattern.stock, pattern.roll))
            used[pattern.stock] = used.get(pattern.stock, 0) + 1
    return used


def _pattern_json(pattern: Pattern, unit: str) -> dict[str, Any]:
    is_lay = pattern.length is not None
    out: dict[str, Any] = {"stock": pattern.stock, "times": pattern.times}
    ticks = {"left": pattern.left.ticks}
    for name, length in (("length", pattern.length), ("start", pattern.start)):
        if length is not None:
            out[name] = length_text(length, unit)
            ticks[name] = length.ticks
    if pattern.roll is not None:
        out["roll"] = pattern.roll
    out["cuts"] = [
        {"piece": cut.piece, "at": length_text(cut.at, unit), "ticks": cut.at.ticks}
        | ({"turned": cut.turned} if is_lay else {})
        for cut in pattern.cuts
    ]
    out["left"] = length_text(pattern.left, unit)
    out["ticks"] = ticks
    return out


def _number(value: Fraction) -> int | float:
    return int(value) if value.denominator == 1 else float(value)
