"""The checker finds what is wrong with a plan or a bound."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

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
