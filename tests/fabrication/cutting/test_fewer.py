"""At equal cost, fewer different patterns: never dearer, never more."""

from __future__ import annotations

from collections import Counter

import pytest

from fabrication.rules.cutting import BarPiece, BarProblem, BarStock, solve
from fabrication.rules.cutting.bars.bounds import area_duals, certified
from fabrication.rules.cutting.bars.instance import BarInstance
from fabrication.rules.cutting.bars.model import bar_model
from fabrication.rules.cutting.columns import fewer
from fabrication.rules.cutting.columns.column import Loading, loading_cost
from fabrication.rules.cutting.columns.fewer import fewer_patterns
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.watch import Watch
from shared.lengths import Length
from tests.benchmarks.cutting_instances import bars_of_one_stock, panels, shade_day, small_bars, small_rolls


def watched(monkeypatch):
    """Every plan before and after: (cost, patterns of the search, patterns by name)."""
    seen = []
    plain = fewer_patterns

    def noted(instance, state, seed, shown):
        before = loading_cost(state.best), len(state.best), shown(state.best)
        plain(instance, state, seed, shown)
        seen.append((before, (loading_cost(state.best), len(state.best), shown(state.best))))

    monkeypatch.setattr(fewer, "fewer_patterns", noted)
    return seen


@pytest.mark.parametrize("make", [small_bars, small_rolls])
def test_the_cost_never_changes_and_patterns_never_grow_on_small_problems(make, monkeypatch):
    seen = watched(monkeypatch)

    for seed in range(9000, 9040):
        solve(make(seed), 2)

    assert len(seen) > 12
    assert all(after[0] == before[0] for before, after in seen)
    assert all(after[1] <= before[1] and after[2] <= before[2] for before, after in seen)


@pytest.mark.parametrize(
    "problem",
    [bars_of_one_stock(60, 3), shade_day(11)["tube L"], panels(20, 20), panels(20, 3, turn=True)],
)
def test_the_cost_never_changes_and_patterns_never_grow_on_a_batch(problem, monkeypatch):
    seen = watched(monkeypatch)

    plan = solve(problem, 3)

    ((before, after),) = seen
    assert after[0] == before[0]
    assert after[1] <= before[1]
    assert len(plan.patterns) == after[2] <= before[2]


def test_patterns_that_can_be_one_become_one():
    """Four of 50 and four of 30 from bars of 100: four times 50 + 30 is one set-up, not three."""
    problem = BarProblem((BarStock("s", Length(100)),), (BarPiece("a", Length(50), 4), BarPiece("b", Length(30), 4)))
    model = bar_model(problem)
    mixed: Loading = Counter(
        {
            model.column(0, ((0, 1), (1, 1))): 2,
            model.column(0, ((0, 2),)): 1,
            model.column(0, ((1, 2),)): 1,
        }
    )
    state = State(model.scale, model.quantum, mixed, Watch(10), certified(model, area_duals(model)))

    fewer_patterns(BarInstance(model), state, 0, len)

    assert state.best == Counter({model.column(0, ((0, 1), (1, 1))): 4})


def test_fewer_patterns_that_people_would_see_as_more_are_not_taken():
    problem = BarProblem((BarStock("s", Length(100)),), (BarPiece("a", Length(50), 4), BarPiece("b", Length(30), 4)))
    model = bar_model(problem)
    mixed: Loading = Counter(
        {model.column(0, ((0, 1), (1, 1))): 2, model.column(0, ((0, 2),)): 1, model.column(0, ((1, 2),)): 1}
    )
    state = State(model.scale, model.quantum, mixed, Watch(10), certified(model, area_duals(model)))

    fewer_patterns(BarInstance(model), state, 0, lambda plan: -len(plan))

    assert state.best == mixed


def test_only_a_cheaper_plan_takes_the_place_of_the_best():
    problem = BarProblem((BarStock("s", Length(100)),), (BarPiece("a", Length(50), 2),))
    model = bar_model(problem)
    single, double = model.column(0, ((0, 1),)), model.column(0, ((0, 2),))
    told = []
    state = State(
        model.scale, model.quantum, Counter({single: 2}), Watch(10), certified(model, area_duals(model)), told.append
    )
    told.clear()

    assert not state.offer(None, "dive")
    assert not state.offer(Counter({single: 2}), "dive")
    assert told == []
    assert state.offer(Counter({double: 1}), "dive")
    assert (state.best, state.cost, len(told)) == (Counter({double: 1}), loading_cost(Counter({double: 1})), 1)


def test_a_stop_is_heeded_before_patterns_are_compared(monkeypatch):
    seen = watched(monkeypatch)

    solve(bars_of_one_stock(60, 3), 10, should_stop=lambda: True)

    assert seen == []
