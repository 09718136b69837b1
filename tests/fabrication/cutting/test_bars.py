"""Bars: what a plan may and may not do, and what it costs."""

from __future__ import annotations

import time
from collections import Counter
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fabrication.rules.cutting import BarPiece, BarProblem, BarStock, first_fit, solve, verify, watch
from fabrication.rules.cutting.bars import bounds
from fabrication.rules.cutting.bars.bounds import area_duals, certified, whole_bars
from fabrication.rules.cutting.bars.model import bar_model
from fabrication.rules.cutting.bars.planning import without_too_long
from shared.lengths import ZERO, Length
from tests.benchmarks.cutting_brute import least_bar_cost
from tests.benchmarks.cutting_instances import bars_of_one_stock, shade_day, small_bars

lengths = st.integers(1, 120).map(Length)


@st.composite
def problems(draw):
    stock = tuple(
        BarStock(
            f"s{position}",
            Length(draw(st.integers(60, 150))),
            draw(st.sampled_from([None, None, 1, 3])),
            draw(st.booleans()),
            draw(st.sampled_from([None, None, Fraction(50), Fraction(201, 4)])),
        )
        for position in range(draw(st.integers(1, 4)))
    )
    pieces = tuple(
        BarPiece(f"p{position}", draw(lengths), draw(st.integers(1, 6))) for position in range(draw(st.integers(1, 9)))
    )
    keep = draw(st.sampled_from([None, Length(15), Length(40)]))
    return BarProblem(stock, pieces, Length(draw(st.integers(0, 4))), Length(draw(st.integers(0, 5))), keep)


def test_a_bar_cheaper_than_its_own_offcut_gains_nothing_where_no_piece_fits():
    bar = BarStock("s0", Length(84), None, False, Fraction(50))
    problem = BarProblem((bar,), (BarPiece("p0", Length(85), 1),), keep=Length(15))

    plan = solve(problem, 0.1)

    assert (plan.cost, plan.bound, len(plan.unplaced)) == (0, 0, 1)


@settings(max_examples=40, deadline=None)
@given(problems())
def test_no_plan_reuses_a_piece_exceeds_stock_or_loses_a_tick(problem):
    plan = solve(problem, 0.3)

    made = Counter()
    for pattern in plan.patterns:
        for cut in pattern.cuts:
            made[cut.piece] += pattern.times
    missing = Counter({entry.piece: entry.quantity for entry in plan.unplaced})
    assert made + missing == Counter({piece.id: piece.quantity for piece in problem.pieces})
    used = Counter()
    sizes = {piece.id: piece.length.ticks for piece in problem.pieces}
    bars = {bar.id: bar for bar in problem.stock}
    for pattern in plan.patterns:
        used[pattern.stock] += pattern.times
        bar = bars[pattern.stock]
        pieces = sum(sizes[cut.piece] for cut in pattern.cuts)
        kerfs = (len(pattern.cuts) - 1) * problem.kerf.ticks
        rest = bar.length.ticks - 2 * problem.trim.ticks - pieces - kerfs
        assert rest >= 0
        # parts + kerfs + trims + what is left + the last kerf is the bar, exactly
        assert pattern.left.ticks == max(0, rest - problem.kerf.ticks)
        ends = [(cut.at.ticks, cut.at.ticks + sizes[cut.piece]) for cut in pattern.cuts]
        assert ends[0][0] >= problem.trim.ticks
        assert ends[-1][1] <= bar.length.ticks - problem.trim.ticks
        assert all(later[0] - earlier[1] >= problem.kerf.ticks for earlier, later in pairwise(ends))
    assert all(bars[name].quantity is None or count <= bars[name].quantity for name, count in used.items())


@pytest.mark.parametrize("seed", range(500, 660))
def test_no_false_proof_on_a_problem_small_enough_to_enumerate(seed):
    problem = small_bars(seed)

    plan = solve(problem, 2)

    if plan.unplaced:
        assert least_bar_cost(problem) is None
    else:
        least = least_bar_cost(problem)
        assert plan.bound <= least <= plan.cost
        assert not plan.proven or plan.cost == least


def test_every_cut_but_the_last_costs_one_kerf():
    problem = BarProblem((BarStock("s", Length(1997)),), (BarPiece("p", Length(997), 2),), kerf=Length(3))

    assert solve(problem).material.ticks == 1997


def test_what_is_left_is_worth_something_only_from_keep_on():
    def cost(keep):
        return solve(BarProblem((BarStock("s", Length(100)),), (BarPiece("p", Length(60)),), keep=keep)).cost

    assert cost(None) == 100
    assert cost(Length(40)) == 100 - Fraction(3, 5) * 40
    assert cost(Length(41)) == 100


def test_an_offcut_is_used_before_new_stock_where_that_is_cheaper():
    stock = (BarStock("new", Length(100)), BarStock("old", Length(70), 1, True))
    problem = BarProblem(stock, (BarPiece("p", Length(60)),))

    plan = solve(problem)

    assert [pattern.stock for pattern in plan.patterns] == ["old"]
    assert plan.cost == 42
    assert plan.material == ZERO


def test_a_price_counts_instead_of_the_length():
    stock = (BarStock("short", Length(60), price=Fraction(10)), BarStock("long", Length(120), price=Fraction(15)))

    plan = solve(BarProblem(stock, (BarPiece("p", Length(60), 4),)))

    assert plan.cost == 30
    assert [pattern.stock for pattern in plan.patterns] == ["long"]


def test_a_piece_longer_than_any_stock_is_named_and_the_rest_is_planned():
    problem = BarProblem((BarStock("s", Length(100)),), (BarPiece("a", Length(50)), BarPiece("b", Length(101), 2)))

    plan = solve(problem)

    assert [(entry.piece, entry.quantity) for entry in plan.unplaced] == [("b", 2)]
    assert "100" in plan.unplaced[0].why
    assert plan.proven
    assert plan.cost == 100


@pytest.mark.parametrize(
    ("stock", "kerf", "trim"),
    [
        ((), 0, 0),  # no stock
        ((BarStock("s", Length(100), 0),), 0, 0),  # none of it left
        ((BarStock("s", Length(100)),), 0, 50),  # all trimmed away
    ],
)
def test_without_usable_stock_every_piece_is_named(stock, kerf, trim):
    plan = solve(BarProblem(stock, (BarPiece("a", Length(10)),), Length(kerf), Length(trim)))

    assert [entry.piece for entry in plan.unplaced] == ["a"]
    assert plan.patterns == ()


def test_a_kerf_over_the_stock_still_lets_one_piece_come_off_each_bar():
    plan = solve(BarProblem((BarStock("s", Length(100)),), (BarPiece("a", Length(40), 2),), kerf=Length(200)))

    assert plan.cost == 200


def test_scarce_stock_is_dealt_out_so_that_every_piece_fits():
    """First fit puts the 60 on the 100 and is then short of room for the 90."""
    stock = (BarStock("a", Length(100), 1), BarStock("b", Length(60), 1))

    plan = solve(BarProblem(stock, (BarPiece("x", Length(60)), BarPiece("y", Length(90)))))

    assert plan.unplaced == ()


def test_nothing_to_cut_costs_nothing():
    plan = solve(BarProblem((BarStock("s", Length(100)),), ()))

    assert plan.proven
    assert plan.cost == 0


def test_the_same_seed_gives_the_same_plan():
    problem = bars_of_one_stock(60, seed=3)

    assert solve(problem, 20, seed=5).patterns == solve(problem, 20, seed=5).patterns


def test_a_slow_machine_gives_the_same_plan(monkeypatch):
    """A clock five times as fast is a machine five times as slow; the plan hung on how far the search got."""
    problem = shade_day(11)["tube S"]
    quick = solve(problem, 60, steps=60_000)
    monkeypatch.setattr(watch, "monotonic", lambda: 5 * time.monotonic())

    slow = solve(problem, 60, steps=60_000)
    further = solve(problem, 60, steps=120_000)

    assert slow.patterns == quick.patterns
    assert further.cost <= slow.cost


def test_a_day_of_shades_is_within_half_a_percent_soon_and_never_worse_than_first_fit():
    problem = shade_day(7, shades=120)["rail A"]

    plan = solve(problem, 3)

    assert plan.gap <= 0.005
    assert plan.cost < first_fit(problem).cost


def test_a_search_that_is_told_to_stop_returns_a_checked_plan_at_once():
    problem = shade_day(7)["bottom bar"]

    plan = solve(problem, 60, should_stop=lambda: True)

    verify(problem, plan)
    assert plan.seconds < 3


def test_better_plans_are_reported_checked_and_ever_cheaper():
    plans = []

    solve(shade_day(7, shades=100)["bottom bar"], 5, on_plan=plans.append)

    costs = [plan.cost for plan in plans]
    assert costs == sorted(costs, reverse=True)
    assert len(costs) >= 2


@pytest.mark.parametrize("shades", [4, 40])
def test_a_bound_above_nothing_is_there_at_once(shades):
    for problem in filter(lambda problem: problem.pieces, shade_day(11, shades=shades).values()):
        told = []
        plan = solve(problem, 0, progress=told.append)

        assert told[0].bound > 0
        assert plan.bound > 0


def test_no_plan_costs_less_than_the_whole_bars_it_needs():
    higher = 0
    for seed in range(120):
        problem, _ = without_too_long(small_bars(seed))
        least = least_bar_cost(problem) if problem.pieces else None
        if least is None:
            continue
        model = bar_model(problem)
        counted = whole_bars(model)
        assert counted is not None
        bound = Fraction(counted, model.scale)
        assert bound <= least
        higher += bound > Fraction(certified(model, area_duals(model)).units, model.scale)
    assert higher > 20


def test_few_long_bars_are_counted_whole():
    coil = BarStock("coil", Length(10_000), 40)
    ends = tuple(BarStock(f"end {position}", Length(300 + position), 1, True) for position in range(3))
    problem = BarProblem((coil, *ends), (BarPiece("slat", Length(100), 215),), keep=Length(150))

    model = bar_model(problem)

    counted = whole_bars(model)
    assert counted is not None
    # what the ends don't hold is more than two coils; all that is left of three and the ends is worth 0.6
    assert counted / model.scale == pytest.approx(3 * 10_000 + 0.6 * 903 - 0.6 * (30_903 - 21_500))
    assert solve(problem, 1).bound >= Fraction(counted, model.scale)


def test_a_plan_that_leaves_more_than_it_costs_is_proven_too():
    problem = small_bars(100_003)

    plan = solve(problem, 10)

    assert plan.cost < 0
    assert plan.proven
    assert plan.cost == least_bar_cost(problem)


def test_full_bars_are_tried_before_the_linear_program():
    phases = []

    solve(small_bars(38), 10, progress=lambda progress: phases.append(progress.phase))

    assert phases[:2] == ["first plan", "full bars"]


def test_too_many_choices_of_bars_prove_nothing(monkeypatch):
    monkeypatch.setattr(bounds, "MOST_CHOICES", 0)
    problem = small_bars(100_003)

    assert whole_bars(bar_model(problem)) is None
    plan = solve(problem, 10)
    assert plan.proven
    assert plan.cost == least_bar_cost(problem)
