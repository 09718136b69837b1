"""A roll problem planned: what can't be cut set aside, the rest searched, the answer named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from fabrication.rules.cutting.bars.greedy import OutOfStock
from fabrication.rules.cutting.columns.column import Loading
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.problem import Plan, RollPiece, RollProblem, RollStock, Unplaced, nothing
from fabrication.rules.cutting.rolls import greedy
from fabrication.rules.cutting.rolls.bounds import area_duals, certified, least_bound, volume_duals
from fabrication.rules.cutting.rolls.groups import Homes, housed
from fabrication.rules.cutting.rolls.model import RollModel, fits, patterns_of, roll_model, stretches_of
from fabrication.rules.cutting.rolls.opened import on_fewest_rolls
from fabrication.rules.cutting.watch import Watch
from shared.contracts import length_text
from shared.lengths import ZERO, Length

Report = Callable[[Plan], None]

TRIED = 0.1
"""Share of the time that each of several choices of homes is tried for."""
FREE = 0.3
"""Share of the time that the panels free of their rooms are planned for, which bounds every choice of homes."""


def plan(problem: RollProblem, watch: Watch, seed: int, report: Report) -> Plan:
    """The best plan found while the watch allows."""
    problem, unplaced = without_too_big(problem)
    problem, unplaced, model, start = _start(problem, unplaced, watch, seed, report)
    if start is None or model is None:
        return nothing(unplaced)

    def better(state: State) -> None:
        report(_named(problem, model, state, unplaced))

    state = State(model.scale, model.quantum, start, watch, certified(model, volume_duals(model)), better)
    state.tell("first plan")
    state.offer_bound(certified(model, area_duals(model)), "first bound")
    if not state.done and model.is_plain:
        _thorough(model, state, seed)
    _simpler(problem, model, state, seed)
    best = _named(problem, model, state, unplaced)
    return replace(best, patterns=on_fewest_rolls(problem, best.patterns))


def _simpler(problem: RollProblem, model: RollModel, state: State, seed: int) -> None:
    if len(state.best) < 2 or state.watch.stopped() or not model.is_plain:
        return
    from fabrication.rules.cutting.columns.fewer import fewer_patterns
    from fabrication.rules.cutting.rolls.instance import RollInstance

    fewer_patterns(RollInstance(model), state, seed, lambda loading: len(patterns_of(problem, model, loading)))


def _start(
    problem: RollProblem, unplaced: tuple[Unplaced, ...], watch: Watch, seed: int, report: Report
) -> tuple[RollProblem, tuple[Unplaced, ...], RollModel | None, Loading | None]:
    """
    A first plan, and the problem without the panels for which the stock is not enough.

    A plan without them is reported before one for all panels is searched.
    """
    homes: Homes = {}
    while problem.pieces:
        choices = housed(problem, roll_model(problem), watch.share(0.2), homes)
        model, homes = choices[0]
        try:
            start = greedy.best_shelves(model, watch)
            if not model.is_plain:
                return problem, unplaced, model, start
            return problem, unplaced, *_tried([model for model, _ in choices], start, watch, seed)
        except OutOfStock as error:
            less, left_out = _take_out(problem, model, error.missing, unplaced)
            if model.is_plain:
                if fits(model, error.loading):
                    partial = State(model.scale, model.quantum, error.loading, Watch(0), least_bound(model))
                    report(_named(problem, model, partial, left_out))
                found = _rescued(model, error.loading, watch, seed)
                if found is not None:
                    return problem, unplaced, model, found
            problem, unplaced = less, left_out
    return problem, unplaced, None, None


def _tried(models: list[RollModel], start: Loading, watch: Watch, seed: int) -> tuple[RollModel, Loading]:
    """Of several choices of homes the one with the cheapest plan after a short search; `start` is one of the first."""
    if len(models) < 2:
        return models[0], start
    from fabrication.rules.cutting.columns.search import search
    from fabrication.rules.cutting.rolls.instance import RollInstance

    states = []
    for position, model in enumerate(models):
        try:
            loading = greedy.best_shelves(model) if position else start
        except OutOfStock:
            continue
        state = State(model.scale, model.quantum, loading, watch.share(TRIED), least_bound(model))
        search(RollInstance(model), state, seed)
        states.append((state.cost, position, state.best))
    _, position, best = min(states)
    return models[position], best


def _rescued(model: RollModel, partial: Loading, watch: Watch, seed: int) -> Loading | None:
    from fabrication.rules.cutting.columns.rescue import rescued
    from fabrication.rules.cutting.rolls.instance import RollInstance

    return rescued(RollInstance(model), partial, watch.share(0.5), seed)


def _thorough(model: RollModel, state: State, seed: int) -> None:
    from fabrication.rules.cutting.columns.search import search  # HiGHS takes 0.15 s to load
    from fabrication.rules.cutting.rolls.instance import RollInstance, free_bound

    if model.barred:
        state.offer_bound(free_bound(model, state.watch.share(0.2)), "linear program")
        if not state.done:
            # what is chosen for rooms is proven by what no choice could save: the same panels free of their rooms
            free = replace(model, barred=frozenset())
            watch = state.watch.share(FREE)
            loose = State(model.scale, model.quantum, state.best, watch, state.bound)
            search(RollInstance(free), loose, seed)
            state.offer_searched(loose.least, "free of rooms")
        if state.done:
            return
    search(RollInstance(model), state, seed)


def baseline(problem: RollProblem) -> Plan:
    """Best-fit decreasing shelves on the cheapest stock."""
    problem, unplaced = without_too_big(problem)
    homes: Homes = {}
    while problem.pieces:
        model, homes = housed(problem, roll_model(problem), Watch(1), homes)[0]
        try:
            loading = greedy.baseline(model)
        except OutOfStock as error:
            problem, unplaced = _take_out(problem, model, error.missing, unplaced)
            continue
        state = State(model.scale, model.quantum, loading, Watch(0), least_bound(model))
        return _named(problem, model, state, unplaced)
    return nothing(unplaced)


def without_too_big(problem: RollProblem) -> tuple[RollProblem, tuple[Unplaced, ...]]:
    """The problem without panels that fit no roll, and these with why."""
    stock = [roll for roll in problem.stock if roll.quantity != 0]
    kept, unplaced = [], []
    for piece in problem.pieces:
        why = _why_not(piece, stock, problem.unit)
        if why is None:
            kept.append(piece)
        else:
            unplaced.append(Unplaced(piece.id, piece.quantity, why))
    return replace(problem, pieces=tuple(kept)), tuple(unplaced)


def _why_not(piece: RollPiece, stock: list[RollStock], unit: str) -> str | None:
    """Why no roll holds a panel; None when one does."""
    if not stock:
        return "there is no stock"
    ways = [(piece.width.ticks, piece.length.ticks)]
    if piece.turn:
        ways.append((piece.length.ticks, piece.width.ticks))
    wide_enough = [(roll, drop) for roll in stock for width, drop in ways if width <= roll.width.ticks]
    if not wide_enough:
        widest = length_text(max(roll.width for roll in stock), unit)
        return f"{length_text(piece.width, unit)} is wider than the widest roll, {widest}"
    if any(drop <= _longest(roll) for roll, drop in wide_enough):
        return None
    longest = length_text(Length(max(int(_longest(roll)) for roll, _ in wide_enough)), unit)
    return f"{length_text(piece.length, unit)} is longer than the longest clean stretch wide enough, {longest}"


def _longest(roll: RollStock) -> float:
    if roll.length is None:
        return float("inf")
    return max((end - start for start, end in stretches_of(roll)), default=0)


def _take_out(
    problem: RollProblem, model: RollModel, missing: list[int], unplaced: tuple[Unplaced, ...]
) -> tuple[RollProblem, tuple[Unplaced, ...]]:
    out: Counter[str] = Counter()
    for members, count in zip(model.members, missing, strict=True):
        for name, quantity in reversed(members):
            out[name] += min(count, quantity)
            count -= min(count, quantity)
    kept = tuple(
        replace(piece, quantity=piece.quantity - out[piece.id])
        for piece in problem.pieces
        if piece.quantity > out[piece.id]
    )
    why = "no roll is left that holds it"
    gone = tuple(Unplaced(piece.id, out[piece.id], why) for piece in problem.pieces if out[piece.id])
    return replace(problem, pieces=kept), unplaced + gone


def _named(problem: RollProblem, model: RollModel, state: State, unplaced: tuple[Unplaced, ...]) -> Plan:
    offcuts = {roll.id for roll in problem.stock if roll.offcut}
    patterns = patterns_of(problem, model, state.best)
    material = sum((lay.length or ZERO).ticks * lay.times for lay in patterns if lay.stock not in offcuts)
    return Plan(
        patterns,
        Length(material),
        Fraction(state.cost, model.scale),
        Fraction(state.least, model.scale),
        unplaced,
        "search" if state.searched > state.bound.units else "duals",
        state.bound.certificate,
    )
