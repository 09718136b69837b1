"""
What is to be cut from what, and the plan that says how.

Lengths are exact (`Length`); money and values are exact fractions. One plan covers one
material: bars of one profile, or rolls of one cloth.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Annotated, ClassVar, Final

from shared.contracts import PLAIN
from shared.lengths import TICKS_PER_INCH, TICKS_PER_MM, ZERO, Length, LengthUnit
from shared.records import Entries, Within

MOST_STOCK: Final = 200
MOST_ENTRIES: Final = 3_000
MOST_PIECES: Final = 20_000
"""Pieces in all, their quantities counted."""
MOST_FLAWS: Final = 100

Upto = Annotated[Length, Within("0", "4000")]
"""A kerf or a trim: as long as the longest bar, piece and width of a roll, which is 101 600 mm."""
Side = Annotated[Length, Within("1 ticks", "4000")]
Rolled = Annotated[Length | None, Within("1 ticks", "40000")]
OfStock = Annotated[int | None, Within(0, 1_000_000)]
OfPiece = Annotated[int, Within(1, MOST_PIECES)]
Price = Annotated[Fraction | None, Within(0, 1_000_000)]

OFFCUT_WORTH: Final = Fraction(3, 5)
"""What a length of offcut is worth of new stock, in the cost of a plan (the contract's rule)."""


def ticks_per_unit(unit: str) -> int:
    """Ticks in one unit of a document; 1 for plain integers."""
    return {LengthUnit.INCH: TICKS_PER_INCH, LengthUnit.MM: TICKS_PER_MM, PLAIN: 1}[unit]


@dataclass(frozen=True, slots=True)
class BarStock:
    """Bars of one length. `quantity` None is endless; `price` None is its length (0.6 × for an offcut)."""

    id: str
    length: Side
    quantity: OfStock = None
    offcut: bool = False
    price: Price = None


@dataclass(frozen=True, slots=True)
class BarPiece:
    """So many pieces of one length."""

    id: str
    length: Side
    quantity: OfPiece = 1


@dataclass(frozen=True, slots=True)
class BarProblem:
    """
    Pieces to saw from bars.

    A pattern fits when Σ pieces + (n − 1) × kerf ≤ length − 2 × trim. What is left of it,
    max(0, length − 2 × trim − Σ pieces − n × kerf), is worth 0.6 × its length when `keep`
    is given and it is at least `keep`. Prices are in `unit`.
    """

    stock: Annotated[tuple[BarStock, ...], Entries(MOST_STOCK)]
    pieces: Annotated[tuple[BarPiece, ...], Entries(MOST_ENTRIES)]
    kerf: Upto = ZERO
    trim: Upto = ZERO
    keep: Annotated[Length | None, Within("1 ticks", "4000")] = None
    unit: str = PLAIN


@dataclass(frozen=True, slots=True)
class Flaw:
    """A stretch of a finite roll, measured from its free end, that no lay may touch."""

    start: Length
    end: Length


@dataclass(frozen=True, slots=True)
class RollStock:
    """
    Rolls of one width. `length` None is an endless roll; `price` is per unit of length run off.

    `flaws` lie on every roll of this id, so a flawed roll is an id of its own.
    """

    id: str
    width: Side
    length: Rolled = None
    quantity: OfStock = None
    offcut: bool = False
    price: Price = None
    flaws: Annotated[tuple[Flaw, ...], Entries(MOST_FLAWS)] = ()


@dataclass(frozen=True, slots=True)
class RollPiece:
    """
    So many panels of one size. `turn`: may be turned by 90 degrees.

    Pieces of one `group` (a room, a dye lot) all come off one stock id.
    """

    id: str
    width: Side
    length: Side
    quantity: OfPiece = 1
    turn: bool = False
    group: str | None = None


@dataclass(frozen=True, slots=True)
class RollProblem:
    """
    Panels to cut from rolls: cross cuts (lays) first, then each lay is slit.

    A lay is as long as its longest piece; Σ widths + (n − 1) × kerf ≤ roll width. The cost
    is the length run off, times the price.
    """

    stock: Annotated[tuple[RollStock, ...], Entries(MOST_STOCK)]
    pieces: Annotated[tuple[RollPiece, ...], Entries(MOST_ENTRIES)]
    kerf: Upto = ZERO
    unit: str = PLAIN


Problem = BarProblem | RollProblem


@dataclass(frozen=True, slots=True)
class Cut:
    """One piece in a pattern; `at` from the end of the bar, or from the edge of the roll."""

    TAKES_MORE: ClassVar[bool] = True  # its place in ticks

    piece: str
    at: Length
    turned: bool = False


@dataclass(frozen=True, slots=True)
class Pattern:
    """
    How one bar is sawn, or one lay slit, and how often.

    `left` is what remains of the bar, or of the roll's width. A lay has a `length`; on a
    finite roll also `roll` (which of the id's rolls, from 1) and `start` from its free end
    of the first of its `times` lays, which follow one another.
    """

    TAKES_MORE: ClassVar[bool] = True  # its lengths in ticks

    stock: str
    times: int
    cuts: tuple[Cut, ...]
    left: Length
    length: Length | None = None
    roll: int | None = None
    start: Length | None = None


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A piece that is not in the plan, how many of it, and why; `lot` is what its room is cut from, if that is why."""

    piece: str
    quantity: int
    why: str
    lot: str = ""


@dataclass(frozen=True, slots=True)
class Certificate:
    """
    Integer dual prices that prove a bound.

    With u = `pieces`, s = `stock` and V = `scale`: if every pattern of every stock has
    V × cost ≥ Σ u − s, then no plan costs less than (Σ u × quantity − Σ s × limit) / V.
    `limit` is the stock's quantity, or the number of pieces where it is endless; for
    rolls s is per tick of length and the limit is the length there is.
    """

    pieces: Mapping[str, int]
    stock: Mapping[str, int]
    scale: int


@dataclass(frozen=True, slots=True)
class Plan:
    """
    A checked cut plan. `cost` and `bound` are in ticks (prices turned into ticks).

    `proof` says what the bound rests on: ``duals`` (the certificate, re-checkable in
    integers) or ``search`` (a complete search besides, of patterns or of how many bars are
    opened; the certificate may prove less).
    """

    patterns: tuple[Pattern, ...]
    material: Length
    cost: Fraction
    bound: Fraction
    unplaced: tuple[Unplaced, ...] = ()
    proof: str = "duals"
    certificate: Certificate = field(default_factory=lambda: Certificate({}, {}, 1))
    seconds: float = 0.0

    @property
    def proven(self) -> bool:
        """Whether no plan can cost less."""
        return self.bound >= self.cost

    @property
    def gap(self) -> float:
        """How far the cost may be above the least, as a share of the bound."""
        if self.proven:
            return 0.0
        return float((self.cost - self.bound) / self.bound) if self.bound > 0 else 1.0


def nothing(unplaced: tuple[Unplaced, ...]) -> Plan:
    """The plan that cuts nothing."""
    return Plan((), ZERO, Fraction(0), Fraction(0), unplaced)


class PlanWrong(Exception):
    """The independent checker found something in a plan; never shown as a plan."""
