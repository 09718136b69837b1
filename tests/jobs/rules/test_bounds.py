"""What no plan can cost less than: below every plan there is, and near the best."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest

from jobs.rules.bounds import cost_bound, larger_bound, travel_bound
from jobs.rules.routing import Crew, Objective, Problem, Stop, plan_of, solve
from jobs.rules.routing.bound import cost_bound as assignment_bound

HOUR = 3600


def line(*places: int) -> np.ndarray:
    """Driving times between places on a straight road, in seconds."""
    return np.abs(np.subtract.outer(places, places))


def test_one_route_along_a_road_is_proved_best():
    problem = Problem((Crew("A", 0, 0, ((0, 9 * HOUR),)),), tuple(Stop(n, n, 60) for n in (1, 2, 3)),
                      line(0, 100, 250, 400))  # fmt: skip

    assert travel_bound(problem) == 800


def test_visits_of_two_days_cannot_share_a_route():
    day = 24 * HOUR
    crew = Crew("A", 0, 0, ((0, 9 * HOUR), (day, day + 9 * HOUR)))
    stops = (Stop(1, 1, 60, windows=((0, HOUR),)), Stop(2, 1, 60, windows=((day, day + HOUR),)))

    assert travel_bound(Problem((crew,), stops, line(0, 100))) == 400


def test_a_visit_too_long_to_reach_the_next_in_time_takes_a_route_of_its_own():
    crews = tuple(Crew(name, 0, 0, ((0, 9 * HOUR),)) for name in "AB")
    stops = tuple(Stop(number, 1, HOUR, windows=((0, 600),)) for number in (1, 2))

    assert travel_bound(Problem(crews, stops, line(0, 100))) == 400


@pytest.mark.parametrize("seed", range(12))
def test_no_plan_of_a_small_branch_costs_less(seed):
    """Against every way to share four visits among two crews and to order them."""
    chance = np.random.default_rng(seed)
    travel = chance.integers(60, 1800, (6, 6))
    np.fill_diagonal(travel, 0)
    crews = (Crew("A", 0, 0, ((0, 9 * HOUR),), frozenset({"lift"})), Crew("B", 5, 5, ((0, 9 * HOUR),)))
    begins = chance.integers(0, 5 * HOUR, 4)
    stops = tuple(
        Stop(n, n + 1, int(chance.integers(600, HOUR)), windows=((int(b), int(b) + 3 * HOUR),),
             skills=frozenset({"lift"} if n == 0 else ()))
        for n, b in enumerate(begins)
    )  # fmt: skip
    previous = {0: ("B", 0), 1: ("A", 0)}
    problem = Problem(crews, stops, travel, Objective.per_hour(drive=30, paid=36, moved=15), previous)
    plans = [
        plan
        for order in permutations(range(4))
        for crew in product((0, 1), repeat=4)
        if (plan := plan_of(problem, {c: [n for n in order if crew[n] == c] for c in (0, 1)})) and plan.placed == 4
        and all(crew[n] == 0 for n in range(4) if n == 0)
    ]  # fmt: skip
    best = min(plans, key=lambda plan: plan.cost)

    bound = cost_bound(problem)

    assert 0.5 * best.cost < bound <= best.cost
    assert max(bound, assignment_bound(problem)) == larger_bound(problem, bound) <= best.cost
    assert larger_bound(problem, bound, assignment=best.cost) == best.cost


def test_narrow_windows_make_the_assignment_the_larger_bound():
    """Two visits at one time and one later: a tree hangs all of them together, but one crew can't do both."""
    crews = tuple(Crew(name, 0, 0, ((0, 9 * HOUR),)) for name in "AB")
    begins = (HOUR, HOUR, 4 * HOUR)
    stops = tuple(Stop(n, n, HOUR, windows=((begin, begin + 60),)) for n, begin in enumerate(begins, start=1))
    problem = Problem(crews, stops, line(0, 400, 500, 450))

    tree = cost_bound(problem)

    assert tree < larger_bound(problem, tree) == solve(problem, seconds=0.0).cost


def test_there_is_no_bound_where_a_visit_has_no_crew():
    problem = Problem((Crew("A", 0, 0, ((0, HOUR),)),), (Stop(1, 1, 60, skills=frozenset({"lift"})),), line(0, 100))

    assert cost_bound(problem) == larger_bound(problem, cost_bound(problem)) == 0


def test_the_bound_of_a_branch_is_near_what_is_found():
    chance = np.random.default_rng(4)
    points = chance.uniform(0, 2400, (41, 2))
    travel = np.rint(np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))).astype(int)
    crews = tuple(Crew(name, 0, 0, ((0, 9 * HOUR),)) for name in "AB")
    problem = Problem(crews, tuple(Stop(n, n, 600) for n in range(1, 41)), travel)

    plan = solve(problem, seconds=0.3)

    assert 0.8 * plan.cost < cost_bound(problem) <= plan.cost
