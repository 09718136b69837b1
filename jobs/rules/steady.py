"""Keeps the times people were told, in a plan that keeps their crews."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from jobs.rules.routing.model import Id, Plan, Problem, Stop
from jobs.rules.routing.timing import assemble, build_route
from jobs.rules.routing.verify import verify

SLACKS: Final = (0, 300, 600, 900, 1800, 2700, 3600)
"""By how many seconds the stops of a route may begin earlier or later, the least first."""


def steadied(problem: Problem, plan: Plan, starts: Mapping[Id, int]) -> Plan:
    """
    The same routes in the same order, each as near to its told starts as it can be driven.

    A planner that pays for waiting sets off late; whoever was told a time wants it kept. A
    route that can't be driven within an hour of its told starts stays as the plan has it.

    Parameters
    ----------
    starts
        Told start by stop id, in seconds on the problem's axis.

    Examples
    --------
    >>> import numpy as np
    >>> from jobs.rules.routing import Crew, Problem, Stop, plan_of
    >>> there = np.array([[0, 600], [600, 0]])
    >>> problem = Problem((Crew("A", 0, 0, ((0, 36_000),)),), (Stop(1, 1, 600, windows=((0, 9_000),)),), there)
    >>> steadied(problem, plan_of(problem, {0: [0]}), {1: 7_200}).routes[0].visits[0].start
    7200
    """
    if problem.knots:
        return plan  # stops that wait for each other have their times from each other
    tried = [_told(problem, starts, slack) for slack in SLACKS]
    routes = []
    for route in plan.routes:
        day = problem.days[problem.day_number[route.crew, route.shift]]
        order = [problem.stop_number[visit.id] for visit in route.visits]
        if any(visit.id in starts for visit in route.visits):
            route = next(filter(None, (build_route(told, day, order) for told in tried)), route)
        routes.append(route)
    found = assemble(problem, routes, {one.id: one.why for one in plan.unplaced})
    return plan if verify(problem, found) else found


def _told(problem: Problem, starts: Mapping[Id, int], slack: int) -> Problem:
    """The problem with every told stop held to its start, a slack before and after."""
    stops = tuple(
        _held(stop, problem.windows[number], starts[stop.id], slack) if stop.id in starts else stop
        for number, stop in enumerate(problem.stops)
    )
    told = replace(problem, stops=stops)
    if "rows" in problem.__dict__:
        told.__dict__["rows"] = problem.rows  # the same table, so they need not be made again
    return told


def _held(stop: Stop, windows: tuple[tuple[int, int], ...], start: int, slack: int) -> Stop:
    near = tuple((max(a, start - slack), min(b, start + slack)) for a, b in windows)
    spans = tuple(span for span in near if span[0] <= span[1])
    return replace(stop, windows=spans, promised=None, earliest=0) if spans else stop
