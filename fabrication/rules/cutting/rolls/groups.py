"""One dye lot a room: every group of panels is given a stock before lays are planned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from fabrication.rules.cutting.bars.greedy import OutOfStock
from fabrication.rules.cutting.columns.column import loading_cost
from fabrication.rules.cutting.problem import RollProblem
from fabrication.rules.cutting.rolls.greedy import best_shelves
from fabrication.rules.cutting.rolls.model import RollModel, group_of
from fabrication.rules.cutting.watch import Watch

ROUNDS = 3


def housed(problem: RollProblem, model: RollModel, watch: Watch) -> RollModel:
    """
    The model with every group barred from all stock but the one chosen for it.

    Groups choose one after the other, the largest first, the stock on which plain shelves
    for everything miss fewest panels and cost least; then each may think again.
    """
    groups = group_of(problem)
    names = sorted({stock.id for stock in model.stocks})
    if not groups or len(names) < 2:
        return model
    kinds: dict[str, list[int]] = {}
    for kind, members in enumerate(model.members):
        group = groups.get(members[0][0])
        if group is not None:
            kinds.setdefault(group, []).append(kind)
    homes: dict[str, str] = {}
    order = sorted(kinds, key=lambda group: (-_area(model, kinds[group]), group))
    for turn in range(ROUNDS):
        before = dict(homes)
        for group in order:
            if turn and watch.out():
                break
            ways = [(_worth(_barred(model, kinds, {**homes, group: name})), name) for name in names]
            homes[group] = min(ways)[1]
        if homes == before:
            break
    return _barred(model, kinds, homes)


def _area(model: RollModel, kinds: list[int]) -> int:
    sizes = {way.kind: way.width * way.drop for way in model.ways}
    return sum(sizes[kind] * model.demand[kind] for kind in kinds)


def _barred(model: RollModel, kinds: Mapping[str, list[int]], homes: Mapping[str, str]) -> RollModel:
    barred = frozenset(
        (kind, t)
        for group, name in homes.items() for kind in kinds[group]
        for t, stock in enumerate(model.stocks) if stock.id != name
    )
    return replace(model, barred=barred)


def _worth(model: RollModel) -> tuple[int, int]:
    """(panels missed, cost) of plain shelves."""
    try:
        return 0, loading_cost(best_shelves(model))
    except OutOfStock as error:
        return sum(error.missing), 0
