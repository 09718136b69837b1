"""At equal cost, fewer different patterns: never dearer, never more."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from fabrication.rules.cutting import BarPiece, BarProblem, BarStock, RollPiece, RollProblem, RollStock, solve
from fabrication.rules.cutting.bars.bounds import area_duals, certified
from fabrication.rules.cutting.bars.instance import BarInstance
from fabrication.rules.cutting.bars.model import bar_model
from fabrication.rules.cutting.columns import fewer
from fabrication.rules.cutting.columns.column import Loading, loading_cost
from fabrication.rules.cutting.columns.fewer import fewer_patterns
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.problem import Plan
from fabrication.rules.cutting.watch import Watch
from shared.lengths import Length
from tests.benchmarks.cutting_instances import bars_of_one_stock, panels, shade_day, small_bars, small_rolls


def watched(monkeypatch):
    """Every plan before and after: (cost, patterns of the search, patterns by name)."""
    seen = []
    plain = fewer_patterns

    def noted(instance, state, seed, shown, *burden):
        before = loading_cost(state.best), len(state.best), shown(state.best)
        plain(instance, state, seed, shown, *burden)
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


# -- of as cheap plans the one a cutter would make ------------------------------------------------


def stock_opened(problem: BarProblem, plan: Plan) -> tuple[int, int]:
    """Bars opened, and of these how many leave an offcut."""
    kept = (pattern.times for pattern in plan.patterns if problem.keep and pattern.left >= problem.keep)
    return sum(pattern.times for pattern in plan.patterns), sum(kept)


@pytest.mark.parametrize(
    ("offcuts", "pieces", "opened"),
    [
        ((100, 160, 140, 160, 110), ((80, 1), (70, 2)), (2, 1)),  # three were opened, and three kept
        ((60, 60, 180, 200), ((30, 1), (40, 1), (60, 3)), (2, 1)),  # three were opened
        ((140, 60, 80, 60), ((60, 2), (20, 2), (40, 2)), (3, 1)),  # four were opened
    ],
)
def test_a_plan_of_least_cost_opens_no_offcut_that_it_could_do_without(offcuts, pieces, opened):
    """It was proven least in cost, and one offcut more was fetched, measured and put back."""
    stock = [BarStock(f"o{place}", Length(length), 1, True) for place, length in enumerate(offcuts)]
    wanted = tuple(BarPiece(f"p{place}", Length(length), count) for place, (length, count) in enumerate(pieces))
    problem = BarProblem((BarStock("new", Length(240)), *stock), wanted, keep=Length(40))

    plan = solve(problem, 5)

    assert plan.proven
    assert stock_opened(problem, plan) == opened


def test_of_two_offcuts_that_cost_the_same_the_one_listed_first_is_taken():
    """The list is by age: each leaves a piece that is kept, and one would lie on the rack for ever."""
    offcuts = (BarStock("old", Length(150), 1, True), BarStock("young", Length(120), 1, True))
    problem = BarProblem(
        (BarStock("new", Length(400)), *offcuts),
        (BarPiece("a", Length(30), 1), BarPiece("b", Length(40), 1)),
        keep=Length(30),
    )

    plans = [solve(problem, 5), solve(replace(problem, stock=(problem.stock[0], *reversed(offcuts))), 5)]

    assert [[pattern.stock for pattern in plan.patterns] for plan in plans] == [["old"], ["young"]]


def panel(name: str, length: int, quantity: int = 1, group: str | None = None) -> RollPiece:
    return RollPiece(name, Length(60), Length(length), quantity, group=group)


def rolls_opened(plan: Plan) -> list[str]:
    return sorted({pattern.stock for pattern in plan.patterns})


def test_lays_lie_on_one_roll_where_one_holds_them():
    """At equal cost two new rolls were opened where one would do."""
    rolls = (RollStock("r0", Length(100), Length(200), 1), RollStock("r1", Length(100), Length(400), 1))
    pieces = (panel("a", 80, group="x"), panel("b", 90, 2), panel("c", 80, group="y"))

    plan = solve(RollProblem(rolls, pieces), 5)

    assert (plan.proven, rolls_opened(plan)) == (True, ["r1"])


def test_of_as_few_rolls_a_begun_one_goes_before_a_whole_one_and_an_offcut_by_age():
    whole, begun = RollStock("whole", Length(100), Length(900), 1), RollStock("begun", Length(100), Length(300), 1)
    ends = [RollStock(f"end {place}", Length(100), Length(length), 1, True) for place, length in ((0, 400), (1, 150))]

    fresh = solve(RollProblem((whole, begun), (panel("a", 100, 2),)), 5)
    short = solve(RollProblem((whole, *ends), (panel("a", 70, 2),)), 5)

    assert rolls_opened(fresh) == ["begun"]
    assert rolls_opened(short) == ["end 0"]


def test_a_room_stays_on_one_roll_when_lays_move():
    """Two rooms on two rolls whose ends together hold a third: its lays go together or not at all."""
    rolls = tuple(RollStock(f"r{place}", Length(100), Length(250), 1) for place in range(3))
    pieces = tuple(panel(f"{room}{place}", 80, group=room) for room in "xyz" for place in range(2))

    plan = solve(RollProblem(rolls, pieces), 5)

    homes = {(cut.piece[0], pattern.stock) for pattern in plan.patterns for cut in pattern.cuts}
    assert len(homes) == 3
