"""When the quick rules run out of stock: is there a plan for every piece after all?"""

from __future__ import annotations

from random import Random

from fabrication.rules.cutting.columns.column import Loading
from fabrication.rules.cutting.columns.dive import dive
from fabrication.rules.cutting.columns.finish import best_of_pool
from fabrication.rules.cutting.columns.generation import relax
from fabrication.rules.cutting.columns.instance import Instance
from fabrication.rules.cutting.columns.master import UNCOVERED_COST, Master
from fabrication.rules.cutting.columns.pool import TooMany
from fabrication.rules.cutting.watch import Watch

DIVES = 5
LARGEST_POOL = 5_000


def rescued(instance: Instance, partial: Loading, watch: Watch, seed: int) -> Loading | None:
    """A plan for every piece within the stock, from one that leaves some out; None when none was found."""
    most = int(UNCOVERED_COST * instance.unit) * (sum(instance.demand) + 1)
    master = Master(instance.demand, instance.limits, instance.unit)
    master.add(partial)
    pricing = instance.pricing()
    relaxed = relax(master, pricing, watch)
    if relaxed is None or (relaxed.converged and relaxed.uncovered > 1e-6):
        return None
    chance = Random(seed)
    for turn in range(DIVES):
        loading = dive(
            master, pricing, instance.demand, instance.limits, relaxed, most, watch, chance if turn else None
        )
        if loading is not None and instance.fits(loading):
            return loading
    watch.spend(2 * LARGEST_POOL)
    try:
        pool = instance.pool(instance.certified([0.0] * len(instance.demand)), most, LARGEST_POOL)
    except TooMany:
        return None
    found = best_of_pool(
        pool, instance.demand, instance.limits, most, instance.unit, watch.share(0.3), quantum=instance.quantum
    ).loading
    return found if found is not None and instance.fits(found) else None
