"""What the search over patterns must know of bars or of rolls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from fabrication.rules.cutting.arrays import Floats
from fabrication.rules.cutting.columns.column import Column, Loading
from fabrication.rules.cutting.columns.pool import Pool
from fabrication.rules.cutting.problem import Certificate
from fabrication.rules.cutting.watch import Watch


@dataclass(frozen=True, slots=True)
class Bound:
    """
    Least cost in cost units, rounded up to the next cost there can be, and its proof.

    With the certificate's integers, a pattern of a plan that costs at most `target` has
    scale × cost + stock price − Σ price within `exact`'s slack: scale × target − `exact`.
    """

    units: int
    certificate: Certificate
    exact: int = 0
    scale: int = 1
    prices: tuple[int, ...] = ()
    stock_prices: tuple[int, ...] = ()


class Pricing(Protocol):
    """Finds patterns for given prices."""

    cells: int
    """Entries of the table that `best` fills."""

    def reset(self, demand: Sequence[int]) -> None:
        """Changes how many of each type a pattern may make."""

    def best(
        self, prices: Floats, stock_prices: Mapping[int, float], most: int, tolerance: float
    ) -> tuple[list[Column], list[float]]:
        """Patterns of negative reduced cost, and the least reduced cost of each stock."""


class Instance(Protocol):
    """
    A cutting problem in whole numbers.

    `demand` by type, `limits` by stock (None: endless); every cost is a multiple of
    `quantum`; `unit` is a typical pattern's cost; a cost unit is 1/`scale` tick.
    `complete`: the patterns here are all there are (groups have no stock chosen for them).
    """

    demand: tuple[int, ...]
    limits: tuple[int | None, ...]
    quantum: int
    unit: float
    scale: int
    complete: bool

    def pricing(self) -> Pricing:
        """Finds patterns."""

    def certified(self, prices: Sequence[float]) -> Bound:
        """The bound that dual prices prove in integers."""

    def pool(self, bound: Bound, target: int, most: int) -> Pool:
        """All patterns a plan of cost <= target can use; raises `TooMany`."""

    def narrowed(self, demand: Sequence[int], limits: Sequence[int | None]) -> tuple[Instance, list[int], list[int]]:
        """The same problem for a part of the demand and stock; its types' and stocks' numbers here."""

    def least_patterns(self, use: int, watch: Watch) -> int:
        """How many patterns that take at least `use` of their stock any plan has (0: unknown)."""

    def fits(self, loading: Loading) -> bool:
        """Whether the stock can really be dealt out so, where `limits` are only totals."""

    def tidied(self, loading: Loading) -> Loading:
        """The same plan, cheaper where that is plain to see."""

    def without(self, column: Column, kind: int) -> Column | None:
        """The pattern with one piece of a type less; None when that was its only piece."""
