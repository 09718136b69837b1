"""A price on the last hour of a promise: the same bounds, and an early start where it can be had."""

from __future__ import annotations

import pytest

from jobs.rules.early_bias import early_biased
from jobs.rules.routing import Crew, Objective, Stop, orders_of, plan_of, solve, verify
from tests.jobs.routing.branches import HOUR, line, random_branch


@pytest.mark.parametrize(
    "promised", [(9 * HOUR, 12 * HOUR), (9 * HOUR, 10 * HOUR), (9 * HOUR, 9 * HOUR + 900), (0, 1800)]
)
def test_a_promise_is_kept_within_the_same_bounds(promised):
    problem = line(Stop("a", 1, HOUR, promised=promised, earliest=600))

    assert early_biased(problem).windows == problem.windows


def test_a_promise_that_no_window_holds_stays_out_of_reach():
    problem = line(Stop("a", 0, HOUR, windows=((12 * HOUR, 13 * HOUR),), promised=(9 * HOUR, 10 * HOUR)))

    assert early_biased(problem).windows == problem.windows == ((),)


def test_a_promise_of_the_first_hour_is_priced_from_its_begin():
    problem = line(Stop("a", 0, HOUR, promised=(0, HOUR)))

    assert early_biased(problem).stops[0].promised == (0, 0)


def test_what_is_promised_goes_first_though_the_way_is_longer():
    """After the work on the way it is reached one minute before its promise ends."""
    crews = (Crew("c", 0, 10, ((8 * HOUR, 16 * HOUR),)),)
    stops = Stop("on the way", 3, HOUR), Stop("promised", 6, HOUR, promised=(8 * HOUR, 10 * HOUR + 60))
    problem = line(*stops, crews=crews, objective=Objective.per_hour(drive=30, paid=36))

    def cheapest(problem):
        return min(((0, 1), (1, 0)), key=lambda order: plan_of(problem, {0: order}).cost)

    assert (cheapest(problem), cheapest(early_biased(problem))) == ((0, 1), (1, 0))


@pytest.mark.parametrize("first", range(0, 60, 20))
def test_what_is_planned_at_a_price_can_be_driven_without_it(first):
    for seed in range(first, first + 20):
        problem = random_branch(seed)
        if problem.objective.late:
            continue
        priced = early_biased(problem)
        plan = plan_of(problem, orders_of(priced, solve(priced, 0.0)))
        assert plan is not None, seed
        assert verify(problem, plan) == (), seed
