"""
Small changes to a day that is already planned: everything else stays where it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from jobs.rules.routing.model import LARGEST_TIME, Crew, Id, Plan, Problem
from jobs.rules.routing.pipeline import solve
from jobs.rules.routing.regret import drivable, regret_plan
from jobs.rules.routing.timing import orders_of, plan_of
from jobs.rules.routing.verify import verify

STAY: Final = 0.95
"""The share of untouched stops that must keep crew and shift when others are spread."""


TURNS: Final = 6
"""How many prices of a move are tried."""


@dataclass(frozen=True, slots=True)
class Spread:
    """What became of a crew's work: the problem without it, the new plan, and who moved."""

    problem: Problem
    plan: Plan
    freed: tuple[Id, ...]
    moved: tuple[Id, ...]
    kept: float


def crew_drops_out(
    problem: Problem,
    plan: Plan,
    crew: Id,
    shifts: Iterable[int] | None = None,
    *,
    seconds: float = 5,
    seed: int = 0,
    stay: float = STAY,
    should_stop: Callable[[], bool] | None = None,
) -> Spread:
    """
    Spreads a crew's stops over the others; at least the share `stay` of the rest keeps crew and shift.

    Stops locked to the crew lose that lock: it can't be honoured. First nothing else
    moves; then a search prices moving others, at the least price at which enough of them stay.

    Parameters
    ----------
    shifts
        Places in that crew's shifts that fall out; all by default.
    seconds
        Wall time for all of it.
    """
    gone = frozenset(range(len(_crew(problem, crew).shifts)) if shifts is None else shifts)
    lost = {(crew, shift) for shift in gone}
    without = _without(problem, plan, crew, gone, lost)
    freed = tuple(v.id for r in plan.routes if (r.crew, r.shift) in lost for v in r.visits)
    orders = {n: o for n, o in orders_of(without, plan).items() if _key(without, n) not in lost}
    untouched = [stop for stop in without.previous if stop not in freed]
    best = regret_plan(without, orders)
    unit = max(1, best.cost // max(1, len(without.stops)))
    share, enough, too_few = 2.0, 0.0, 0.0  # the price of a move; the least at which enough stay, the most at which not
    for turn in range(TURNS):
        price = min(LARGEST_TIME, round(share * unit))
        held = replace(without, objective=replace(without.objective, moved=price))
        start = plan_of(held, orders_of(held, best))
        found = solve(held, seconds / TURNS, seed + turn, start, should_stop=should_stop)
        if _kept(found, without, untouched) < stay:
            too_few = share
        else:
            enough = share
            trial = plan_of(without, orders_of(held, found))
            if trial is not None and trial.rank <= best.rank and not verify(without, trial):
                best = trial
        share = (enough * too_few) ** 0.5 if enough and too_few else share / 2 if enough else share * 2
    moved = tuple(stop for stop in untouched if best.where().get(stop) != without.previous[stop])
    return Spread(without, best, freed, moved, _kept(best, without, untouched))


def fit_in(
    problem: Problem, orders: Mapping[int, Sequence[int]], should_stop: Callable[[], bool] | None = None
) -> Plan:
    """
    As much of these routes as can still be driven, and the rest put in where it fits.

    For a plan made of yesterday's answers: stops may have gone, windows may have changed.
    """
    if problem.linked_stops:
        whole = plan_of(problem, orders)
        if whole is not None and not verify(problem, whole):
            return regret_plan(problem, orders, should_stop=should_stop)
    kept = drivable(problem, orders, should_stop)
    return regret_plan(problem, kept, should_stop=should_stop)  # what hangs together is put in anew


def _crew(problem: Problem, crew: Id) -> Crew:
    return problem.crews[problem.crew_number[crew]]


def _without(problem: Problem, plan: Plan, crew: Id, gone: frozenset[int], lost: set[tuple[Id, int]]) -> Problem:
    crews = tuple(replace(c, off=c.off | gone) if c.id == crew else c for c in problem.crews)
    stops = tuple(
        replace(stop, locked=None) if stop.locked is not None and tuple(stop.locked) in lost else stop
        for stop in problem.stops
    )
    return replace(problem, crews=crews, stops=stops, previous=plan.where())


def _key(problem: Problem, number: int) -> tuple[Id, int]:
    day = problem.days[number]
    return problem.crews[day.crew].id, day.shift


def _kept(plan: Plan, problem: Problem, untouched: Sequence[Id]) -> float:
    where = plan.where()
    return sum(where.get(stop) == problem.previous[stop] for stop in untouched) / max(1, len(untouched))
