"""Keeps the times people were notified of, in a plan that keeps their crews."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from jobs.rules.routing.model import Id, Plan, Problem, Route, Stop
from jobs.rules.routing.timing import assemble, build_route
from jobs.rules.routing.verify import verify

SLACKS: Final = (0, 300, 600, 900, 1800, 2700, 3600, 5400, 7200)
"""By how many seconds a stop may begin earlier or later, the least first."""


def stabilised(problem: Problem, plan: Plan, starts: Mapping[Id, int]) -> Plan:
    """
    The same routes in the same order, each as near to its notified starts as it can be driven.

    A planner that pays for waiting sets off late; whoever was notified of a time wants it kept. The
    first stops of a route are kept before the later ones.

    Parameters
    ----------
    starts
        Notified start by stop id, in seconds on the problem's axis.

    Examples
    --------
    >>> import numpy as np
    >>> from jobs.rules.routing import Crew, Problem, Stop, plan_of
    >>> there = np.array([[0, 600], [600, 0]])
    >>> problem = Problem((Crew("A", 0, 0, ((0, 36_000),)),), (Stop(1, 1, 600, windows=((0, 9_000),)),), there)
    >>> stabilised(problem, plan_of(problem, {0: [0]}), {1: 7_200}).routes[0].visits[0].start
    7200
    """
    if problem.linked_stops:
        return plan  # stops that wait for each other have their times from each other
    routes = tuple(_stabilised_route(problem, route, starts) for route in plan.routes)
    found = assemble(problem, routes, {one.id: one.reason for one in plan.unplaced})
    return plan if verify(problem, found) else found


NEAR: Final = 300
"""Seconds; nobody is told of a start that moves by less. Common practice, no published source."""


def calmed(problem: Problem, plan: Plan, starts: Mapping[Id, int]) -> Plan:
    """
    The plan without moves of less than `NEAR` on a crew's own day, as far as it can be driven so.

    Every other stop begins when the plan has it.

    Examples
    --------
    >>> import numpy as np
    >>> from jobs.rules.routing import Crew, Problem, Stop, plan_of
    >>> there = np.array([[0, 600], [600, 0]])
    >>> stop = Stop(1, 1, 600, windows=((7_000, 9_000),))
    >>> problem = Problem((Crew("A", 0, 0, ((0, 36_000),)),), (stop,), there, previous={1: ("A", 0)})
    >>> plan = plan_of(problem, {0: [0]})
    >>> [calmed(problem, plan, {1: start}).routes[0].visits[0].start for start in (7_060, 7_400)]
    [7060, 7000]
    """
    if problem.linked_stops:
        return plan
    routes = tuple(_calmed_route(problem, route, starts) for route in plan.routes)
    found = assemble(problem, routes, {one.id: one.reason for one in plan.unplaced})
    return plan if verify(problem, found) else found


def _calmed_route(problem: Problem, route: Route, starts: Mapping[Id, int]) -> Route:
    here = route.crew, route.shift
    near = [
        visit.id
        for visit in route.visits
        if 0 < abs(visit.start - starts.get(visit.id, visit.start)) < NEAR
        and tuple(problem.previous.get(visit.id, ())) == here
    ]
    day, best = problem.days[problem.day_number[here]], route
    order = [problem.stop_number[visit.id] for visit in route.visits]
    tries = [near, *([one] for one in near if len(near) > 1)]
    for back in tries if near else ():
        wanted = {visit.id: visit.start for visit in best.visits} | {pk: starts[pk] for pk in back}
        found = build_route(_notified_at(problem, order, wanted, 0), day, order)
        if found is None or any(visit.start != wanted[visit.id] for visit in found.visits):
            continue
        best = found
        if back is near:
            break
    return best


def _stabilised_route(problem: Problem, route: Route, starts: Mapping[Id, int]) -> Route:
    """The route with every stop at its notified start; where that can't be, one after another as near as it goes."""
    day = problem.days[problem.day_number[route.crew, route.shift]]
    order = [problem.stop_number[visit.id] for visit in route.visits]
    notified = [number for number in order if problem.stops[number].id in starts]
    best = build_route(_notified_at(problem, notified, starts, 0), day, order)
    if best is not None or not notified:
        return best or route
    best = route
    for number in notified:
        for slack in SLACKS:
            trial = _notified_at(problem, [number], starts, slack)
            nearer = build_route(trial, day, order)
            if nearer is not None:
                problem, best = trial, nearer
                break
    return best


def _notified_at(problem: Problem, numbers: Sequence[int], starts: Mapping[Id, int], slack: int) -> Problem:
    """The problem with these stops held to their notified starts, a slack before and after."""
    stops = list(problem.stops)
    for number in numbers:
        stop = stops[number]
        stops[number] = _held(stop, problem.windows[number], starts[stop.id], slack)
    return problem.with_stops(stops)


def _held(stop: Stop, windows: tuple[tuple[int, int], ...], start: int, slack: int) -> Stop:
    near = tuple((max(a, start - slack), min(b, start + slack)) for a, b in windows)
    spans = tuple(span for span in near if span[0] <= span[1])
    return replace(stop, windows=spans, promised=None, earliest=0) if spans else stop
