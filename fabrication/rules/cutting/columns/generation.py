"""Column generation: patterns are priced into the linear program until none would lower it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fabrication.rules.cutting.arrays import Floats
from fabrication.rules.cutting.columns.instance import Pricing
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.watch import Watch

PRICING_STEPS, CELLS_A_STEP = 300, 500
"""Steps of one round of pricing, and entries of its table that make it a step longer."""

TOLERANCE = 1e-7
"""A pattern improves the program when its reduced cost is below this share of a stock's price."""


@dataclass(frozen=True, slots=True)
class Relaxed:
    """
    A solution of the linear program; `converged` when no pattern at all would lower it.

    `uncovered`: pieces that it leaves out for want of stock.
    """

    value: float
    used: Floats
    prices: Floats
    stock_prices: Mapping[int, float]
    converged: bool
    uncovered: float = 0.0


def relax(master: Master, pricing: Pricing, watch: Watch, rounds: int = 10**6, most: int = 30) -> Relaxed | None:
    """
    Solves the linear program over all patterns; None when there was no time for even one round.

    References
    ----------
    .. [1] P. C. Gilmore, R. E. Gomory (1961). A linear programming approach to the
           cutting-stock problem. Operations Research 9(6): 849-859.
    """
    found: Relaxed | None = None
    for _ in range(rounds):
        if not master.solve(watch):
            return found
        used, prices, stock_prices = master.result()
        found = Relaxed(master.value(), used, prices, stock_prices, False, master.uncovered())
        columns, _ = pricing.best(prices, stock_prices, most, TOLERANCE * master.unit)
        watch.spend(PRICING_STEPS + pricing.cells / CELLS_A_STEP)
        if not master.add(columns):
            return Relaxed(found.value, used, prices, stock_prices, True, found.uncovered)
        if watch.out():
            return found
    return found
