"""The best plan out of a handful of patterns."""

from __future__ import annotations

from collections import Counter

from fabrication.rules.cutting.columns.chosen import chosen, thinned
from fabrication.rules.cutting.columns.column import Column, loading_cost
from fabrication.rules.cutting.problem import RollPiece, RollProblem, RollStock
from fabrication.rules.cutting.rolls.instance import RollInstance
from fabrication.rules.cutting.rolls.model import roll_model
from fabrication.rules.cutting.watch import Watch
from shared.lengths import Length


def an_instance(turn: bool = False) -> RollInstance:
    sizes = [(60, 90), (40, 50), (30, 20)]  # types 0, 1, 2: longest drop first
    pieces = tuple(RollPiece(f"p{position}", Length(w), Length(d), 1, turn) for position, (w, d) in enumerate(sizes))
    return RollInstance(roll_model(RollProblem((RollStock("r", Length(100)),), pieces)))


def test_the_cheapest_cover_is_chosen():
    alone = [Column(0, ((kind, 1),), cost, cost) for kind, cost in enumerate((90, 50, 20))]
    both = Column(0, ((0, 1), (1, 1)), 90, 90)

    assert chosen([*alone, both], (1, 1, 1), (None,), 90.0, Watch(5)) == Counter([both, alone[2]])


def test_a_panel_made_twice_is_taken_where_that_saves_length():
    instance = an_instance()
    loading = Counter([Column(0, ((0, 1), (1, 1)), 90, 90), Column(0, ((1, 1), (2, 1)), 50, 50)])

    thin = thinned(loading, instance.demand, instance.without)

    assert thin == Counter([Column(0, ((0, 1), (1, 1)), 90, 90), Column(0, ((2, 1),), 20, 20)])
    assert loading_cost(thin) == 110


def test_a_turned_panel_stays_turned_when_its_neighbour_goes():
    instance = an_instance(turn=True)
    lay = Column(0, ((0, 1), (1, 1)), 60, 60, ((0, 1),))

    assert instance.without(lay, 1) == Column(0, ((0, 1),), 60, 60, ((0, 1),))
    assert instance.without(lay, 0) == Column(0, ((1, 1),), 50, 50)


def test_a_plan_that_misses_a_panel_is_none():
    instance = an_instance()

    assert thinned(Counter([Column(0, ((0, 1),), 90, 90)]), instance.demand, instance.without) is None
