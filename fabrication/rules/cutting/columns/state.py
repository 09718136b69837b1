"""What a search has so far."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from fabrication.rules.cutting.columns.column import Loading, loading_cost
from fabrication.rules.cutting.columns.instance import Bound
from fabrication.rules.cutting.watch import Watch


class State:
    """
    The best plan, the best bound certified by duals, and a bound that a complete search gave.

    `on_better` is called with every cheaper plan.
    """

    def __init__(
        self,
        scale: int,
        quantum: int,
        best: Loading,
        watch: Watch,
        bound: Bound,
        on_better: Callable[[State], None] = lambda state: None,
    ) -> None:
        self.scale = scale
        self.quantum = quantum
        self.watch = watch
        self.best = best
        self.cost = loading_cost(best)
        self.bound = bound
        self.searched = bound.units
        self._on_better = on_better
        on_better(self)

    @property
    def least(self) -> int:
        """Cost units that no plan can be below."""
        return min(self.cost, max(self.bound.units, self.searched))

    @property
    def proven(self) -> bool:
        """Whether nothing cheaper exists."""
        return self.least >= self.cost

    @property
    def done(self) -> bool:
        """Whether to come to an end."""
        return self.proven or self.watch.out()

    def offer(self, loading: Loading | None, phase: str) -> bool:
        """Takes a plan if it is cheaper."""
        if loading is None or loading_cost(loading) >= self.cost:
            return False
        self.best, self.cost = loading, loading_cost(loading)
        self._on_better(self)
        self.tell(phase)
        return True

    def offer_bound(self, bound: Bound, phase: str) -> None:
        """Takes a bound if it is higher, or as high with less slack."""
        if (bound.units, bound.exact * self.bound.scale) > (self.bound.units, self.bound.exact * bound.scale):
            higher = bound.units > self.bound.units
            self.bound = bound
            if higher:
                self.tell(phase)

    def offer_searched(self, least: int, phase: str) -> None:
        """Takes what a complete search says no plan is below."""
        if least > self.least:
            self.searched = least
            self.tell(phase)

    def tell(self, phase: str) -> None:
        """Reports where the search is."""
        self.watch.tell(phase, Fraction(self.cost, self.scale), Fraction(self.least, self.scale))
