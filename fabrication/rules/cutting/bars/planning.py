"""A bar problem planned: what can't be cut set aside, the rest searched, the answer named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from fabrication.rules.cutting.bars.bounds import (
    area_duals,
    certified,
    least_bound,
    threshold_duals,
    volume_duals,
    whole_bars,
)
from fabrication.rules.cutting.bars.greedy import (
    OutOfStock,
    baseline_order,
    best_first_fit,
    fill,
    first_fit,
)
from fabrication.rules.cutting.bars.model import BarModel, bar_model, patterns_of
from fabrication.rules.cutting.columns.column import Column, Loading
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.problem import BarPiece, BarProblem, Plan, Unplaced, nothing
from fabrication.rules.cutting.watch import Watch
from shared.contracts import length_text
from shared.lengths import Length

Report = Callable[[Plan], None]
BAR_STEPS = 300
"""Steps of filling one bar."""


def plan(problem: BarProblem, watch: Watch, seed: int, report: Report) -> Plan:
    """The best plan found while the watch allows."""
    problem, unplaced = without_too_long(problem)
    problem, unplaced, start = _start(problem, unplaced, watch, seed, report)
    if start is None:
        return nothing(unplaced)
    model = bar_model(problem)

    def better(state: State) -> None:
        report(_named(problem, model, state, unplaced))

    state = State(model.scale, model.quantum, start, watch, certified(model, volume_duals(model)), better)
    _quick(model, state)
    if not state.done and model.is_plain:
        _thorough(model, state, seed)
    _simpler(problem, model, state, seed)
    return _named(problem, model, state, unplaced)


def _simpler(problem: BarProblem, model: BarModel, state: State, seed: int) -> None:
    """Of the plans that cost as little the one a cutter would make."""
    if max(len(state.best), len(model.stocks)) < 2 or state.watch.stopped() or not model.is_plain:
        return
    from fabrication.rules.cutting.bars.instance import BarInstance
    from fabrication.rules.cutting.columns.fewer import fewer_patterns, fewest_opened

    instance, burden = BarInstance(model), _burden(problem, model)
    if model.keep or len(model.stocks) > 1:  # else the cost says how many bars are opened
        fewest_opened(instance, state, seed, burden)
    fewer_patterns(instance, state, seed, lambda loading: len(patterns_of(problem, model, loading)), burden)


def _burden(problem: BarProblem, model: BarModel) -> Callable[[Column], tuple[int, ...]]:
    """Bars opened, then offcuts kept, then how young the offcuts taken are: of those listed first is taken first."""
    listed = [bar.id for bar in problem.stock if bar.offcut]
    places = {name: place for place, name in enumerate(listed)}
    ages = [min(places.get(name, len(listed)) for name, _ in stock.members) for stock in model.stocks]

    def burden(column: Column) -> tuple[int, ...]:
        kept = model.credit(model.stocks[column.stock], model.weight(column.rows)) > 0
        return 1, int(kept), ages[column.stock]

    return burden


def _start(
    problem: BarProblem, unplaced: tuple[Unplaced, ...], watch: Watch, seed: int, report: Report
) -> tuple[BarProblem, tuple[Unplaced, ...], Loading | None]:
    """
    A first plan, and the problem without the pieces for which the stock is not enough.

    A plan without them is reported before one for all pieces is searched.
    """
    while problem.pieces:
        model = bar_model(problem)
        try:
            return problem, unplaced, best_first_fit(model, watch)
        except OutOfStock as error:
            less, left_out = _take_out(problem, model, error.missing, unplaced)
            if model.is_plain:
                partial = State(model.scale, model.quantum, error.loading, Watch(0), least_bound(model))
                report(_named(problem, model, partial, left_out))
                found = _rescued(model, error.loading, watch, seed)
                if found is not None:
                    return problem, unplaced, found
            problem, unplaced = less, left_out
    return problem, unplaced, None


def _rescued(model: BarModel, partial: Loading, watch: Watch, seed: int) -> Loading | None:
    from fabrication.rules.cutting.bars.instance import BarInstance
    from fabrication.rules.cutting.columns.rescue import rescued

    return rescued(BarInstance(model), partial, watch.share(0.5), seed)


def _quick(model: BarModel, state: State) -> None:
    """What costs milliseconds: bounds in closed form, and full bars."""
    state.tell("first plan")
    state.offer_bound(certified(model, area_duals(model)), "first bound")
    counted = whole_bars(model)
    if counted is not None:
        state.offer_searched(min(counted, state.cost), "first bound")
    if not model.is_plain:
        return
    if len(model.stocks) == 1 and model.stocks[0].endless and not model.keep:
        for duals in threshold_duals(model):
            state.offer_bound(certified(model, duals), "first bound")
    if not state.done:
        worth = area_duals(model)[0] / model.weights[0]
        limits = [stock.limit for stock in model.stocks]

        def is_out() -> bool:
            state.watch.spend(BAR_STEPS)
            return state.watch.out()

        state.offer(fill(model, model.demand, limits, worth, is_out=is_out), "full bars")


def _thorough(model: BarModel, state: State, seed: int) -> None:
    from fabrication.rules.cutting.bars.instance import BarInstance  # HiGHS takes 0.15 s to load
    from fabrication.rules.cutting.columns.search import search

    search(BarInstance(model), state, seed)


def baseline(problem: BarProblem) -> Plan:
    """First fit by the plain rule."""
    problem, unplaced = without_too_long(problem)
    while problem.pieces:
        model = bar_model(problem)
        limits = [stock.limit for stock in model.stocks]
        try:
            loading = first_fit(model, model.demand, limits, baseline_order(model))
        except OutOfStock as error:
            problem, unplaced = _take_out(problem, model, error.missing, unplaced)
            continue
        state = State(model.scale, model.quantum, loading, Watch(0), least_bound(model))
        return _named(problem, model, state, unplaced)
    return nothing(unplaced)


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
        for piece in problem.pieces
        if piece.quantity > out[piece.id]
    ]
    why = "no stock is left that holds it"
    gone = tuple(Unplaced(piece.id, out[piece.id], why) for piece in problem.pieces if out[piece.id])
    return replace(problem, pieces=tuple(kept)), unplaced + gone


def _named(problem: BarProblem, model: BarModel, state: State, unplaced: tuple[Unplaced, ...]) -> Plan:
    offcuts = {bar.id for bar in problem.stock if bar.offcut}
    lengths = {bar.id: bar.length.ticks for bar in problem.stock}
    patterns = patterns_of(problem, model, state.best)
    material = sum(lengths[p.stock] * p.times for p in patterns if p.stock not in offcuts)
    return Plan(
        patterns,
        Length(material),
        Fraction(state.cost, model.scale),
        Fraction(state.least, model.scale),
        unplaced,
        "search" if state.searched > state.bound.units else "duals",
        state.bound.certificate,
    )
