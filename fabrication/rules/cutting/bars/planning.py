"""A bar problem planned: what can't be cut set aside, the rest searched, the answer named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from fabrication.rules.cutting.bars.bounds import NO_BOUND
from fabrication.rules.cutting.bars.greedy import (
    OutOfStock,
    baseline_order,
    best_first_fit,
    first_fit,
)
from fabrication.rules.cutting.bars.model import BarModel, Loading, bar_model, loading_cost, patterns_of, ticks_of
from fabrication.rules.cutting.bars.search import State, search
from fabrication.rules.cutting.problem import BarPiece, BarProblem, Certificate, Plan, Unplaced
from fabrication.rules.cutting.watch import Watch
from shared.contracts import length_text
from shared.lengths import ZERO, Length

Report = Callable[[Plan], None]


def plan(problem: BarProblem, watch: Watch, seed: int, report: Report) -> Plan:
    """The best plan found while the watch allows."""
    problem, unplaced = without_too_long(problem)
    problem, unplaced = without_stock(problem, unplaced)
    if not problem.pieces:
        return nothing(unplaced)
    model = bar_model(problem)

    def named(state: State) -> Plan:
        return _named(problem, state, unplaced)

    state = State(model, watch, best_first_fit(model))
    state.on_better = lambda loading: report(named(state))
    report(named(state))
    search(state, seed)
    return named(state)


def baseline(problem: BarProblem) -> Plan:
    """First fit by the plain rule."""
    problem, unplaced = without_too_long(problem)
    if not problem.pieces:
        return nothing(unplaced)
    model = bar_model(problem)
    limits = [stock.limit for stock in model.stocks]
    try:
        loading = first_fit(model, model.demand, limits, baseline_order(model))
    except OutOfStock as error:
        problem, unplaced = _take_out(problem, model, error.missing, unplaced)
        return baseline_of(problem, unplaced)
    return _named(problem, State(model, watch=Watch(0), best=loading), unplaced)


def baseline_of(problem: BarProblem, unplaced: tuple[Unplaced, ...]) -> Plan:
    """First fit of what the stock is known to hold."""
    if not problem.pieces:
        return nothing(unplaced)
    model = bar_model(problem)
    loading = first_fit(model, model.demand, [stock.limit for stock in model.stocks], baseline_order(model))
    return _named(problem, State(model, watch=Watch(0), best=loading), unplaced)


def nothing(unplaced: tuple[Unplaced, ...]) -> Plan:
    """The plan that cuts nothing."""
    return Plan((), ZERO, Fraction(0), Fraction(0), unplaced, certificate=Certificate({}, {}, 1))


def without_too_long(problem: BarProblem) -> tuple[BarProblem, tuple[Unplaced, ...]]:
    """The problem without pieces that fit no stock, and these with why."""
    usable = [bar.length.ticks - 2 * problem.trim.ticks for bar in problem.stock if bar.quantity != 0]
    longest = max(usable, default=None)
    if longest is None:
        return _all_out(problem, "there is no stock")
    if longest <= 0:
        return _all_out(problem, "the trim takes all of every stock")
    kept, unplaced = [], []
    for piece in problem.pieces:
        if piece.length.ticks <= longest:
            kept.append(piece)
            continue
        bound = length_text(Length(longest), problem.unit)
        size = length_text(piece.length, problem.unit)
        unplaced.append(Unplaced(piece.id, piece.quantity, f"{size} is more than the longest stock holds, {bound}"))
    return replace(problem, pieces=tuple(kept)), tuple(unplaced)


def _all_out(problem: BarProblem, why: str) -> tuple[BarProblem, tuple[Unplaced, ...]]:
    unplaced = tuple(Unplaced(piece.id, piece.quantity, why) for piece in problem.pieces)
    return replace(problem, pieces=()), unplaced


def without_stock(
    problem: BarProblem, unplaced: tuple[Unplaced, ...]
) -> tuple[BarProblem, tuple[Unplaced, ...]]:
    """The problem without pieces for which the stock is not enough."""
    if not problem.pieces:
        return problem, unplaced
    model = bar_model(problem)
    try:
        best_first_fit(model)
    except OutOfStock as error:
        return _take_out(problem, model, error.missing, unplaced)
    return problem, unplaced


def _take_out(
    problem: BarProblem, model: BarModel, missing: list[int], unplaced: tuple[Unplaced, ...]
) -> tuple[BarProblem, tuple[Unplaced, ...]]:
    out: Counter[str] = Counter()
    for members, count in zip(model.members, missing, strict=True):
        for name, quantity in reversed(members):
            out[name] += min(count, quantity)
            count -= min(count, quantity)
    kept = [
        BarPiece(piece.id, piece.length, piece.quantity - out[piece.id])
        for piece in problem.pieces if piece.quantity > out[piece.id]
    ]
    why = "no stock is left that holds it"
    gone = tuple(Unplaced(piece.id, out[piece.id], why) for piece in problem.pieces if out[piece.id])
    return replace(problem, pieces=tuple(kept)), unplaced + gone


def _named(problem: BarProblem, state: State, unplaced: tuple[Unplaced, ...]) -> Plan:
    model = state.model
    offcuts = {bar.id for bar in problem.stock if bar.offcut}
    lengths = {bar.id: bar.length.ticks for bar in problem.stock}
    patterns = patterns_of(problem, model, state.best)
    material = sum(lengths[p.stock] * p.times for p in patterns if p.stock not in offcuts)
    cost = loading_cost(state.best)
    by_search = state.searched is not None and state.searched > state.bound.units
    bound = min(cost, max(state.bound.units, state.searched or 0))
    certificate = state.bound.certificate if state.bound is not NO_BOUND else Certificate({}, {}, 1)
    return Plan(
        patterns,
        Length(material),
        ticks_of(model, cost),
        ticks_of(model, bound),
        unplaced,
        "search" if by_search else "duals",
        certificate,
    )
