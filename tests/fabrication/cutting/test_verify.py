"""The checker finds what is wrong with a plan or a bound."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from fabrication.rules.cutting import (
    BarPiece,
    BarProblem,
    BarStock,
    Certificate,
    Cut,
    PlanWrong,
    RollPiece,
    RollProblem,
    RollStock,
    solve,
    verify,
)
from fabrication.rules.cutting.verify import _most_earned, _roll_excess
from shared.lengths import Length

BARS = BarProblem(
    (BarStock("s", Length(100), 3),), (BarPiece("a", Length(45), 2), BarPiece("b", Length(30), 2)), Length(2), Length(1)
)
ROLLS = RollProblem((RollStock("r", Length(100), Length(300), 1),), (RollPiece("a", Length(45), Length(80), 3),))


def shifted(pattern, place, ticks):
    cuts = list(pattern.cuts)
    cuts[place] = replace(cuts[place], at=Length(cuts[place].at.ticks + ticks))
    return replace(pattern, cuts=tuple(cuts))


def spoil_first(plan, change):
    return replace(plan, patterns=(change(plan.patterns[0]), *plan.patterns[1:]))


BAR_TROUBLE = {
    "a piece twice": lambda p: spoil_first(p, lambda q: replace(q, times=q.times + 1)),
    "a piece missing": lambda p: replace(p, patterns=p.patterns[1:]),
    "cuts overlap": lambda p: spoil_first(p, lambda q: shifted(q, 1, -1)),
    "into the trim": lambda p: spoil_first(p, lambda q: shifted(q, 0, -1)),
    "left is wrong": lambda p: spoil_first(p, lambda q: replace(q, left=Length(q.left.ticks + 1))),
    "another's stock": lambda p: spoil_first(p, lambda q: replace(q, stock="t")),
    "a stranger": lambda p: spoil_first(p, lambda q: replace(q, cuts=(*q.cuts[1:], Cut("z", Length(1))))),
    "cost is wrong": lambda p: replace(p, cost=p.cost - 1, bound=p.bound - 1),
    "material is wrong": lambda p: replace(p, material=Length(p.material.ticks + 1)),
    "bound above cost": lambda p: replace(p, bound=p.cost + 1),
    "bound without proof": lambda p: replace(p, certificate=Certificate({}, {}, 1)),
    "prices too high": lambda p: replace(p, certificate=Certificate({"a": 50, "b": 51}, {}, p.certificate.scale and 1)),
    "negative price": lambda p: replace(p, certificate=Certificate({"a": -1}, {}, 1)),
}


@pytest.mark.parametrize("trouble", BAR_TROUBLE.values(), ids=BAR_TROUBLE)
def test_a_spoiled_bar_plan_is_refused(trouble):
    plan = solve(BARS)
    verify(BARS, plan)

    with pytest.raises(PlanWrong):
        verify(BARS, trouble(plan))


ROLL_TROUBLE = {
    "lays overlap": lambda p: spoil_first(p, lambda q: replace(q, start=Length(q.start.ticks + 80))),
    "past the end": lambda p: spoil_first(p, lambda q: replace(q, start=Length(230))),
    "no such roll": lambda p: spoil_first(p, lambda q: replace(q, roll=2)),
    "length is wrong": lambda p: spoil_first(p, lambda q: replace(q, length=Length(79))),
    "turned against the weave": lambda p: spoil_first(p, lambda q: replace(q, cuts=(replace(q.cuts[0], turned=True),))),
}


@pytest.mark.parametrize("trouble", ROLL_TROUBLE.values(), ids=ROLL_TROUBLE)
def test_a_spoiled_roll_plan_is_refused(trouble):
    plan = solve(ROLLS)
    verify(ROLLS, plan)

    with pytest.raises(PlanWrong):
        verify(ROLLS, trouble(plan))


def test_a_search_proof_still_needs_true_dual_prices():
    plan = replace(solve(BARS), proof="search", certificate=Certificate({"a": 10**9}, {}, 1))

    with pytest.raises(PlanWrong):
        verify(BARS, plan)


def test_a_bound_is_rounded_up_to_the_next_cost_there_can_be():
    """Two bars of 100 are the least for 3 x 50; the prices alone prove 150."""
    problem = BarProblem((BarStock("s", Length(100)),), (BarPiece("a", Length(50), 3),))
    plan = solve(problem)

    assert plan.bound == Fraction(200)
    assert plan.proof == "duals"


@pytest.mark.parametrize(
    ("length", "holds"),
    [
        (None, True),  # endless
        (80, True),  # just as long
        (79, False),
    ],
)
def test_only_a_roll_that_is_long_enough_earns_by_a_panel(length, holds):
    """Two side by side on 100: with a price of 60 each a lay earns 120 in 80 of length, 1.5 a tick at a price of 1."""
    roll = RollStock("r", Length(100), length and Length(length), length and 9)
    other = RollStock("long", Length(40), Length(90), 1)  # too narrow for the panel
    problem = RollProblem((roll, other), (RollPiece("a", Length(50), Length(80), 2),))

    excess = _roll_excess(problem, Certificate({"a": 60}, {}, 1))

    assert excess == {"r": 1 if holds else 0, "long": 0}


@pytest.mark.parametrize(
    ("least", "most"),
    [
        (None, 1000),  # nothing is ever kept
        (10, 1030),  # 10 are left beside the piece: worth 3 each
        (11, 1000),  # too short to keep
    ],
)
def test_what_is_left_beside_a_piece_is_worth_keeping_from_the_least_length_on(least, most):
    earned = np.array([0] * 90 + [1000] * 11)  # one piece of 90 in a bar of 100

    assert _most_earned(earned, 100, 1, least, 3) == most
