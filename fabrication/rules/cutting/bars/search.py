"""The search for a least-cost bar plan, from the plan at once to the proof."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from fabrication.rules.cutting.bars.bounds import NO_BOUND, Bound, area_duals, certified, threshold_duals
from fabrication.rules.cutting.bars.greedy import OutOfStock, best_first_fit, fill
from fabrication.rules.cutting.bars.model import BarModel, Loading, loading_cost, ticks_of
from fabrication.rules.cutting.watch import Watch


@dataclass
class State:
    """What the search has so far: its best plan, its best certified bound, and whether a search closed it."""

    model: BarModel
    watch: Watch
    best: Loading
    bound: Bound = NO_BOUND
    searched: int | None = None
    on_better: Callable[[Loading], None] = field(default=lambda loading: None)

    @property
    def cost(self) -> int:
        """Cost units of the best plan."""
        return loading_cost(self.best)

    @property
    def proven(self) -> bool:
        """Whether nothing cheaper exists."""
        return max(self.bound.units, self.searched or 0) >= self.cost

    def offer(self, loading: Loading | None, phase: str) -> bool:
        """Takes a plan if it is cheaper."""
        if loading is None or loading_cost(loading) >= self.cost:
            return False
        self.best = loading
        self.on_better(loading)
        self.tell(phase)
        return True

    def offer_bound(self, bound: Bound, phase: str) -> None:
        """Takes a bound if it is higher."""
        if bound.units > self.bound.units:
            self.bound = bound
            self.tell(phase)

    def tell(self, phase: str) -> None:
        """Reports where the search is."""
        model = self.model
        bound = max(self.bound.units, self.searched or 0)
        self.watch.tell(phase, ticks_of(model, self.cost), ticks_of(model, bound))


def search(state: State, seed: int) -> None:
    """Improves `state` until it is proven or the time is out."""
    model = state.model
    state.tell("first plan")
    state.offer_bound(certified(model, area_duals(model)), "first bound")
    if len(model.stocks) == 1 and model.stocks[0].endless and not model.keep:
        for duals in threshold_duals(model):
            state.offer_bound(certified(model, duals), "first bound")
    if state.proven or state.watch.out():
        return
    limits = [stock.limit for stock in model.stocks]
    worth = area_duals(model)[0] / model.weights[0]
    state.offer(fill(model, model.demand, limits, worth), "fill")


__all__ = ["OutOfStock", "State", "best_first_fit", "search"]
