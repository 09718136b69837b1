"""The search in integers that tells plans apart which floats cannot."""

from __future__ import annotations

from fractions import Fraction

import pytest

from fabrication.rules.cutting import BarPiece, BarProblem, BarStock, solve
from fabrication.rules.cutting.bars.bounds import certified, volume_duals
from fabrication.rules.cutting.bars.instance import BarInstance
from fabrication.rules.cutting.bars.model import bar_model
from fabrication.rules.cutting.columns.column import loading_cost
from fabrication.rules.cutting.columns.exact import cheapest
from fabrication.rules.cutting.watch import Watch
from shared.lengths import EIGHTH, QUARTER, SIXTEENTH, Length
from tests.benchmarks.cutting_brute import least_bar_cost
from tests.benchmarks.cutting_instances import small_bars


@pytest.mark.parametrize("first", [0, 20, 40])
def test_it_finds_the_least_cost_and_nothing_below_it(first):
    tried = 0
    for seed in range(first, first + 20):
        problem = small_bars(seed)
        least = least_bar_cost(problem)
        model = bar_model(problem)
        if least is None or max(model.weights) > max(stock.room for stock in model.stocks):
            continue
        tried += 1
        instance, bound = BarInstance(model), certified(model, volume_duals(model))
        units = int(least * model.scale)

        def search(target, instance=instance, bound=bound):
            pool = instance.pool(bound, target, 5000)
            limits = list(instance.limits)
            return len(pool), cheapest(pool, instance.demand, limits, target, bound, Watch(5))

        _, found = search(units)
        patterns, below = search(units - model.quantum)
        assert loading_cost(found.loading) == units
        assert below.loading is None
        assert below.complete or not patterns
    assert tried > 5


def test_prices_to_the_cent_do_not_keep_a_small_plan_from_its_proof():
    """Costs here are multiples of a millionth of a bar, which is what the solver takes for nothing."""
    prices = {3456: "78.55488", 3072: "50.01216", 2304: "28.8"}
    stock = tuple(BarStock(str(long), SIXTEENTH * long, price=Fraction(price)) for long, price in prices.items())
    offcuts = tuple(
        BarStock(f"K{position}", Length(long), 1, True)
        for position, long in enumerate((723392, 389636, 362712, 202692, 465836))
    )
    sizes = (279908, 229108, 132588, 592836, 591312, 641096, 120904, 907796, 457708, 715264, 773684)
    pieces = tuple(BarPiece(f"p{position}", Length(size)) for position, size in enumerate(sizes))

    plan = solve(BarProblem(stock + offcuts, pieces, EIGHTH, QUARTER, None, "in"), 8)

    assert plan.proven
    assert plan.seconds < 8
