"""The JSON of `cut`: documents in, answers out, exactly as the contract has them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Annotated, Any, ClassVar, Final

from fabrication.rules.cutting.problem import (
    MOST_PIECES,
    BarProblem,
    BarStock,
    Pattern,
    Plan,
    Problem,
    RollProblem,
    RollStock,
    Unplaced,
    ticks_per_unit,
)
from fabrication.rules.cutting.watch import STEPS_A_SECOND
from shared.contracts import ContractError, kind_word, length_text, parse_json
from shared.lengths import Length
from shared.records import DOCUMENTS, Hook, Limit, OneOf, Unit, Within, document_form

LARGEST_DOCUMENT: Final = 16 * 1024 * 1024
MOST_STRETCHES: Final = 20_000
"""Finite rolls in all, times one more than the flaws of each."""
MOST_GROUPS: Final = 200
PRICE_STEPS: Final = 10_000
"""A price has at most four decimals."""
LONGEST_RUN: Final = 86_400
MOST_STEPS: Final = LONGEST_RUN * STEPS_A_SECOND


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a document says beside its problem."""

    kind: Annotated[str, OneOf("bar", "roll")] = ""
    seconds: Annotated[Fraction, Within(0, LONGEST_RUN)] = Fraction(10)
    seed: int = 0
    steps: Annotated[int | None, Within(1, MOST_STEPS)] = None


@dataclass(frozen=True, kw_only=True)
class BarDocument(Asked, BarProblem):
    """A document about bars."""

    def check(self) -> None:
        """Prices, how many pieces, and ids."""
        _check(self)


@dataclass(frozen=True, kw_only=True)
class RollDocument(Asked, RollProblem):
    """A document about rolls; `keep` is there to be refused."""

    keep: Any = None

    def check(self) -> None:
        """The same; where flaws lie, and what takes too long."""
        if self.keep is not None:
            problem = "a roll is charged by what is run off; nothing is valued as kept"
            raise ContractError("keep", problem, "null")
        for position, roll in enumerate(self.stock):
            _check_flaws(roll, f"stock[{position}].flaws", self.unit)
        panels = _check(self)
        _refuse_stretches(self.stock, panels)
        if len(groups := {piece.group for piece in self.pieces} - {None}) > MOST_GROUPS:
            raise ContractError("pieces", f"{len(groups)} groups", f"at most {MOST_GROUPS}")


Document = BarDocument | RollDocument
"""What a planner asks of the solver."""


@dataclass(frozen=True, kw_only=True)
class Answer:
    """A plan as the solver's answer has it, in the document's unit; of `lots` together where a cloth has several."""

    TAKES_MORE: ClassVar[bool] = True

    patterns: tuple[Pattern, ...] = ()
    unplaced: tuple[Unplaced, ...] = ()
    used: Mapping[str, int] = field(default_factory=dict)
    material: Length | None = None
    cost: Fraction = Fraction(0)
    bound: Fraction = Fraction(0)
    ticks: Any = None
    proven: bool = True
    proof: str | None = None
    gap: Fraction | None = Fraction(0)
    seconds: Fraction | None = None
    lots: int | None = None

    def to_json(self) -> dict[str, object]:
        """What is kept of it beside its patterns and what they leave out."""
        made: dict[str, Any] = _IN_TICKS.write(self)
        return {
            name: value
            for name, value in made.items()
            if name not in {"patterns", "unplaced"} and (value is not None or name == "gap")
        }


@dataclass(frozen=True, slots=True)
class Request:
    """A problem, how long to think about it at most, the seed of its randomness, and in how many steps."""

    problem: Problem
    seconds: float = 10.0
    seed: int = 0
    steps: int | None = None


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
    document = parse_json(text, most=LARGEST_DOCUMENT)
    form = DOCUMENTS["1"]
    kind = form.read_field(Annotated[str, OneOf("bar", "roll")], document, "kind")
    unit = form.read_field(Unit, document, "unit")
    asked: Any = DOCUMENTS[unit].read(BarDocument if kind == "bar" else RollDocument, document)
    return Request(asked, float(asked.seconds), asked.seed, asked.steps)


def document_json(document: Document) -> dict[str, object]:
    """The document `read_request` makes an equal one of; its lengths are in ticks, as its unit has to say."""
    made: dict[str, Any] = _IN_TICKS.write(document)
    return made


def read_answer(answer: object) -> Answer:
    """The answer to a document in ticks; raises `ContractError` naming field, problem and bound."""
    return _IN_TICKS.read(Answer, answer)


def _check(document: Document) -> int:
    """How many pieces there are; refuses prices too fine, too many pieces, ids that stand twice."""
    offered: tuple[BarStock | RollStock, ...] = document.stock
    for position, stock in enumerate(offered):
        if stock.price is not None and PRICE_STEPS % stock.price.denominator:
            raise ContractError(f"stock[{position}].price", "more decimals than a price has", "at most 4 decimals")
    pieces = sum(piece.quantity for piece in document.pieces)
    if pieces > MOST_PIECES:
        raise ContractError("pieces", f"{pieces} pieces, their quantities counted", f"at most {MOST_PIECES}")
    _refuse_twice("stock", (stock.id for stock in document.stock))
    _refuse_twice("pieces", (piece.id for piece in document.pieces))
    return pieces


def _check_flaws(roll: RollStock, path: str, unit: str) -> None:
    for position, flaw in enumerate(roll.flaws):
        if roll.length is None:
            problem = "an endless roll has no flaws; give the roll's length"
            raise ContractError(f"{path}[{position}].start", problem, "a finite roll")
        if not flaw.start < flaw.end <= roll.length:
            problem = "a flaw ends after it starts and within the roll"
            raise ContractError(f"{path}[{position}].end", problem, length_text(roll.length, unit))


def _refuse_stretches(stock: tuple[RollStock, ...], panels: int) -> None:
    finite = (roll for roll in stock if roll.length is not None)
    stretches = sum(
        min(panels, panels if roll.quantity is None else roll.quantity) * (len(roll.flaws) + 1) for roll in finite
    )
    if stretches > MOST_STRETCHES:
        problem = f"{stretches} stretches: finite rolls that may be needed, times what flaws divide each into"
        raise ContractError("stock", problem, f"at most {MOST_STRETCHES}")


def _refuse_twice(name: str, ids: Iterable[str]) -> None:
    seen: set[str] = set()
    for position, each in enumerate(ids):
        if each in seen:
            raise ContractError(f"{name}[{position}].id", f"{each[:40]} stands twice", "each id once")
        seen.add(each)


def plan_json(problem: Problem, plan: Plan) -> dict[str, object]:
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


def _pattern_json(pattern: Pattern, unit: str) -> dict[str, object]:
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


def _amount(_: Limit) -> Hook:
    """A number as an answer has it, which the standard reader of JSON made."""

    def hook(value: object, _: object) -> Fraction:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ContractError("", f"{kind_word(value)} where a number belongs", "a number")
        return Fraction(value)

    return hook


_IN_TICKS: Final = document_form(kinds={Fraction: _amount}, texts={Fraction: _number})
