"""Rolls: lays side by side, turning, finite rolls, flaws and groups."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fabrication.rules.cutting import Flaw, RollPiece, RollProblem, RollStock, first_fit, solve
from fabrication.rules.cutting.rolls.bounds import area_duals, volume_duals
from fabrication.rules.cutting.rolls.levels import least_lays
from fabrication.rules.cutting.rolls.model import roll_model
from fabrication.rules.cutting.watch import Watch
from shared.lengths import Length
from tests.benchmarks.cutting_brute import least_roll_cost
from tests.benchmarks.cutting_instances import panels, small_rolls


def piece(name, width, length, quantity=1, turn=False, group=None):
    return RollPiece(name, Length(width), Length(length), quantity, turn, group)


def test_the_plain_rule_turns_a_panel_that_takes_less_with_its_wide_side_across():
    """30 wide and 60 long on a roll of 70: turned it takes 30 of the roll."""
    problem = RollProblem((RollStock("r", Length(70)),), (piece("a", 30, 60, turn=True),), Length(0))

    assert first_fit(problem).material == Length(30)


@st.composite
def problems(draw):
    stock = [RollStock("r0", Length(draw(st.integers(60, 100))))]
    for position in range(1, draw(st.integers(1, 3))):
        length = draw(st.integers(80, 300))
        starts = draw(st.lists(st.integers(0, length - 2), max_size=2))
        flaws = tuple(Flaw(Length(start), Length(draw(st.integers(start + 1, length)))) for start in starts)
        stock.append(
            RollStock(
                f"r{position}",
                Length(draw(st.integers(40, 120))),
                Length(length),
                draw(st.sampled_from([1, 2])),
                draw(st.booleans()),
                None,
                flaws,
            )
        )
    pieces = tuple(
        piece(
            f"p{position}",
            draw(st.integers(5, 70)),
            draw(st.integers(5, 90)),
            draw(st.integers(1, 4)),
            draw(st.booleans()),
        )
        for position in range(draw(st.integers(1, 8)))
    )
    return RollProblem(tuple(stock), pieces, Length(draw(st.integers(0, 3))))


@settings(max_examples=40, deadline=None)
@given(problems())
def test_no_plan_overlaps_panels_runs_past_a_roll_or_touches_a_flaw(problem):
    plan = solve(problem, 0.3)

    rolls = {roll.id: roll for roll in problem.stock}
    pieces = {each.id: each for each in problem.pieces}
    spans = {}
    for lay in plan.patterns:
        roll = rolls[lay.stock]
        sides = [
            (pieces[cut.piece].length, pieces[cut.piece].width)
            if cut.turned
            else (pieces[cut.piece].width, pieces[cut.piece].length)
            for cut in lay.cuts
        ]
        assert all(pieces[cut.piece].turn or not cut.turned for cut in lay.cuts)
        assert sum(width.ticks for width, _ in sides) + (len(sides) - 1) * problem.kerf.ticks <= roll.width.ticks
        assert max(drop for _, drop in sides) == lay.length
        if roll.length is not None:
            end = lay.start.ticks + lay.times * lay.length.ticks
            spans.setdefault((roll.id, lay.roll), []).append((lay.start.ticks, end))
    for (name, number), taken in spans.items():
        taken.sort()
        assert 1 <= number <= rolls[name].quantity
        assert all(earlier[1] <= later[0] for earlier, later in pairwise(taken))
        assert taken[-1][1] <= rolls[name].length.ticks
        for flaw in rolls[name].flaws:
            assert all(end <= flaw.start.ticks or start >= flaw.end.ticks for start, end in taken)


@pytest.mark.parametrize("seed", range(500, 620))
def test_no_false_proof_on_a_problem_small_enough_to_enumerate(seed):
    problem = small_rolls(seed)

    plan = solve(problem, 2)

    if plan.unplaced:
        assert least_roll_cost(problem) is None
    else:
        least = least_roll_cost(problem)
        assert plan.bound <= least <= plan.cost
        assert not plan.proven or plan.cost == least


def test_a_lay_is_as_long_as_its_longest_panel():
    plan = solve(RollProblem((RollStock("r", Length(100)),), (piece("a", 50, 80), piece("b", 50, 60))))

    assert plan.cost == 80
    assert plan.proven


def test_the_slit_between_panels_takes_its_kerf():
    plan = solve(RollProblem((RollStock("r", Length(100)),), (piece("a", 50, 80, 2),), kerf=Length(1)))

    assert plan.cost == 160


def test_a_panel_is_turned_only_where_it_may_be():
    def cost(turn):
        return solve(RollProblem((RollStock("r", Length(100)),), (piece("a", 30, 100, 1, turn),))).cost

    assert cost(False) == 100
    assert cost(True) == 30


def test_the_cheaper_of_two_widths_is_run_off():
    stock = (RollStock("wide", Length(120), price=Fraction(3)), RollStock("narrow", Length(60), price=Fraction(1)))

    plan = solve(RollProblem(stock, (piece("a", 60, 50, 2),)))

    assert {lay.stock for lay in plan.patterns} == {"narrow"}
    assert plan.cost == 100


def test_a_panel_wider_than_any_roll_is_named_and_the_rest_is_planned():
    plan = solve(RollProblem((RollStock("r", Length(100)),), (piece("a", 101, 10), piece("b", 99, 10))))

    assert [entry.piece for entry in plan.unplaced] == ["a"]
    assert "100" in plan.unplaced[0].why
    assert plan.cost == 10


def test_lays_keep_off_a_flaw():
    roll = RollStock("r", Length(100), Length(200), 1, flaws=(Flaw(Length(70), Length(75)),))

    plan = solve(RollProblem((roll,), (piece("a", 100, 60, 3),)))

    assert plan.unplaced == ()
    assert sorted(lay.start.ticks for lay in plan.patterns)[0] == 0
    starts = sorted(lay.start.ticks + k * 60 for lay in plan.patterns for k in range(lay.times))
    assert starts == [0, 75, 135]


def test_lays_that_follow_one_another_are_one_set_up_and_a_flaw_parts_them():
    def runs(*flaws):
        roll = RollStock("r", Length(100), Length(200), 1, flaws=flaws)
        plan = solve(RollProblem((roll,), (piece("a", 100, 60, 3),)))
        return [(lay.start.ticks, lay.times) for lay in plan.patterns]

    assert runs() == [(0, 3)]
    assert runs(Flaw(Length(60), Length(65))) == [(0, 1), (65, 2)]


@pytest.mark.parametrize(
    ("length", "lays"),
    [
        (70, 3),  # of three that are 60 wide no two lie side by side on 100
        (80, 3),
        (81, 0),  # all are shorter
    ],
)
def test_panels_that_cannot_lie_side_by_side_need_a_lay_each(length, lays):
    model = roll_model(RollProblem((RollStock("r", Length(100)),), (piece("a", 60, 80, 3),)))

    assert least_lays(model, length, Watch(30)) == lays


def test_a_flaw_can_make_a_roll_too_short():
    roll = RollStock("r", Length(100), Length(120), 1, flaws=(Flaw(Length(60), Length(61)),))

    plan = solve(RollProblem((roll,), (piece("a", 100, 61),)))

    assert [entry.piece for entry in plan.unplaced] == ["a"]


def test_a_roll_that_is_one_flaw_from_end_to_end_holds_nothing():
    roll = RollStock("r", Length(100), Length(120), 1, flaws=(Flaw(Length(0), Length(120)),))

    plan = solve(RollProblem((roll,), (piece("a", 100, 61),)))

    assert plan.unplaced[0].why.endswith("the longest clean stretch wide enough, 0")


def test_a_panel_is_priced_by_its_area_at_the_cheapest_roll_s_rate():
    """50 x 80 is 4,000: at 3 a tick of 100 wide 120, at 1 of 50 wide 80. A finite roll counts in the second alone."""
    stock = (
        RollStock("wide", Length(100), price=Fraction(3)),
        RollStock("end", Length(50), Length(200), 1, price=Fraction(1)),
    )
    model = roll_model(RollProblem(stock, (piece("a", 50, 80),)))

    assert area_duals(model) == pytest.approx([120 * model.scale])
    assert volume_duals(model) == pytest.approx([80 * model.scale])


def test_a_panel_is_priced_at_the_dearest_roll_s_rate_where_none_is_endless():
    """So that the bound of a plan which needs every roll can reach what it costs."""
    stock = tuple(
        RollStock(name, Length(width), Length(200), 1, price=Fraction(price))
        for name, width, price in (("wide", 100, 3), ("end", 50, 1))
    )
    model = roll_model(RollProblem(stock, (piece("a", 50, 80),)))

    assert area_duals(model) == pytest.approx([120 * model.scale])


def test_pieces_of_one_group_come_off_one_stock():
    """Two lots of 100 each: apart, the two of the room would fit as they come; together only on one."""
    lots = (RollStock("lot 1", Length(100), Length(100), 1), RollStock("lot 2", Length(100), Length(100), 1))
    pieces = (piece("x", 100, 60), piece("a", 100, 40, 1, group="room"), piece("b", 100, 55, 1, group="room"))

    plan = solve(RollProblem(lots, pieces))

    homes = {cut.piece: lay.stock for lay in plan.patterns for cut in lay.cuts}
    assert plan.unplaced == ()
    assert homes["a"] == homes["b"]
    assert homes["x"] != homes["a"]


def test_a_hundred_panels_beat_shelves():
    problem = panels(100, seed=4)

    plan = solve(problem, 4)

    assert plan.cost < first_fit(problem).cost
    assert plan.gap < 0.02


@pytest.mark.parametrize("quantity", [1, 40])
def test_finite_rolls_of_one_id_are_each_filled_within_their_length(quantity):
    problem = RollProblem((RollStock("r", Length(100), Length(100), quantity),), (piece("a", 60, 40, 2 * quantity),))

    plan = solve(problem, 3)

    assert sum(entry.quantity for entry in plan.unplaced) == 0
