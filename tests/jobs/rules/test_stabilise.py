"""Told times are kept as far as the routes let them."""

from __future__ import annotations

import numpy as np
import pytest

from jobs.rules.routing import Crew, Objective, Problem, Stop, plan_of, verify
from jobs.rules.stabilise import stabilised

HOUR = 3600


def a_day(*stops: Stop) -> Problem:
    """One crew, ten minutes between any two places, paid by the hour."""
    travel = np.full((4, 4), 600)
    np.fill_diagonal(travel, 0)
    return Problem((Crew("A", 0, 0, ((0, 9 * HOUR),)),), stops, travel, Objective.per_hour(drive=30, paid=36))


def starts(plan):
    return {visit.id: visit.start for route in plan.routes for visit in route.visits}


def test_an_untouched_route_keeps_every_time_though_setting_off_later_is_cheaper():
    problem = a_day(
        Stop(1, 1, HOUR, promised=(0, 2 * HOUR)), Stop(2, 2, HOUR, promised=(4 * HOUR, 5 * HOUR))
    )  # fmt: skip
    plan = plan_of(problem, {0: [0, 1]})
    told = {1: HOUR // 2, 2: 4 * HOUR + 900}

    assert starts(plan) != told
    assert starts(stabilised(problem, plan, told)) == told


def test_a_visit_put_between_moves_the_later_ones_no_more_than_it_must():
    problem = a_day(Stop(1, 1, HOUR, windows=((0, 8 * HOUR),)), Stop(2, 2, HOUR), Stop(3, 3, 1500))
    plan = plan_of(problem, {0: [0, 2, 1]})

    found = stabilised(problem, plan, {1: HOUR, 2: 2 * HOUR + 2400})

    assert not verify(problem, found)
    assert starts(found)[1] >= HOUR - 300
    assert 2 * HOUR + 2400 <= starts(found)[2] <= 2 * HOUR + 2700


@pytest.mark.parametrize(("at", "start"), [(0, 0), (1, 600)])
def test_a_time_that_cannot_be_kept_is_kept_as_nearly_as_it_can_be_driven(at, start):
    """Told the first second of the day: at the crew's base it stands, ten minutes away it is ten minutes later."""
    problem = a_day(Stop(1, at, HOUR, windows=((0, 9 * HOUR),)), Stop(2, 2, HOUR, promised=(4 * HOUR, 5 * HOUR)))

    found = stabilised(problem, plan_of(problem, {0: [0, 1]}), {1: 0})

    assert starts(found) == {1: start, 2: 4 * HOUR}


def test_a_promise_is_never_left_for_a_told_time():
    problem = a_day(Stop(1, 1, HOUR, promised=(2 * HOUR, 3 * HOUR)))

    found = stabilised(problem, plan_of(problem, {0: [0]}), {1: HOUR})

    assert 2 * HOUR <= starts(found)[1] <= 3 * HOUR


def test_one_visit_that_must_move_far_does_not_move_those_before_it():
    problem = a_day(
        Stop(1, 1, HOUR, promised=(0, 4 * HOUR)), Stop(2, 2, HOUR, windows=((0, 8 * HOUR),)), Stop(3, 3, 3 * HOUR)
    )  # fmt: skip
    told = {1: HOUR, 2: 3 * HOUR}

    found = stabilised(problem, plan_of(problem, {0: [0, 2, 1]}), told)

    assert starts(found)[1] == HOUR
    assert starts(found)[2] == 5 * HOUR + 1200
