"""Proofs from below: which patterns a plan can use, and what counts as proved."""

from __future__ import annotations

import pytest

from fabrication.rules.cutting.columns import proof as proofs
from fabrication.rules.cutting.columns.column import Loading, loading_cost
from fabrication.rules.cutting.columns.finish import best_of_pool
from fabrication.rules.cutting.columns.generation import relax
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.columns.proof import Proof
from fabrication.rules.cutting.columns.sharpen import FAR, Sharpened
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.rolls.greedy import best_shelves
from fabrication.rules.cutting.rolls.instance import RollInstance
from fabrication.rules.cutting.rolls.model import roll_model
from fabrication.rules.cutting.watch import Watch
from tests.benchmarks.cutting_instances import panels


@pytest.fixture
def proof() -> Proof:
    """Thirty panels with a plan of shelves, and the bound of the linear program."""
    model = roll_model(panels(30, 3, (98,)))
    instance = RollInstance(model)
    relaxed = relax(Master(instance.demand, instance.limits, instance.unit), instance.pricing(), Watch(30))
    assert relaxed is not None
    bound = instance.certified(relaxed.prices.tolist())
    return Proof(instance, State(model.scale, model.quantum, best_shelves(model), Watch(60), bound))


def sharp_of(proof: Proof) -> Sharpened:
    sharp = proof.sharpen(proof.state.cost - proof.state.quantum)
    assert sharp is not None
    return sharp


def least_plan(proof: Proof, sharp: Sharpened, *, heuristics: bool = True) -> Loading:
    instance, target = proof.instance, proof.sharp_target
    done = best_of_pool(
        sharp.pool,
        instance.demand,
        instance.limits,
        target,
        instance.unit,
        Watch(30),
        quantum=proof.state.quantum,
        heuristics=heuristics,
    )
    assert done.complete
    assert done.loading is not None
    return done.loading


def test_no_more_patterns_than_asked_are_within_reach(proof: Proof) -> None:
    sharp = sharp_of(proof)
    most = len(sharp.pool) // 3
    assert 0 < len(sharp.within(sharp.reach(most)).pool) <= most
    assert len(sharp.within(sharp.reach(most) + 1).pool) > most
    assert sharp.reach(len(sharp.pool)) == FAR


def test_the_patterns_of_the_least_plan_are_within_its_cost(proof: Proof) -> None:
    sharp = sharp_of(proof)
    best = least_plan(proof, sharp)
    part = sharp.within(loading_cost(best))
    assert len(part.pool) < len(sharp.pool)
    assert set(best) <= {part.pool.column(position) for position in range(len(part.pool))}
    assert all(coefs.shape == (len(part.pool),) for coefs, _ in part.cuts)


def test_the_solver_finds_the_least_cost_without_its_own_searches(proof: Proof) -> None:
    sharp = sharp_of(proof)
    assert loading_cost(least_plan(proof, sharp)) == loading_cost(least_plan(proof, sharp, heuristics=False))


def test_one_run_that_finds_no_plan_is_no_proof(proof: Proof, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proofs, "QUICK_S", 0.0)
    sharp, state = sharp_of(proof), proof.state
    aim, before = loading_cost(least_plan(proof, sharp)) - state.quantum, state.least
    assert before <= aim
    assert proof.decide(sharp.within(aim), aim, Watch(30), 0)
    assert (proof.floor, state.least) == (aim + state.quantum, before)
    proof.confirm(Watch(30))
    assert (proof.claim, state.least) == (None, aim + state.quantum)


def test_a_proof_from_below_ends_at_the_least_plan(proof: Proof) -> None:
    least = loading_cost(least_plan(proof, sharp_of(proof)))
    turn = 0
    while not proof.state.done:
        proof.attempt(turn)
        turn += 1
    assert (proof.state.proven, proof.state.cost) == (True, least)


def test_where_there_are_too_many_patterns_the_way_is_halved(proof: Proof, monkeypatch: pytest.MonkeyPatch) -> None:
    state = proof.state
    full = state.cost - state.quantum
    half = state.least + (full - state.least) // 2
    fewer = len(proof.instance.pool(state.bound, half - half % state.quantum, 10**6))
    monkeypatch.setattr(proofs, "MOST_PATTERNS", fewer)
    known, target = proof.enumerated(full)
    assert known is not None
    assert len(known.pool) <= fewer
    assert state.least <= target < full
