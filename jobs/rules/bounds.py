"""
What no plan can cost less than: the proof of how good a found plan is.

Any plan that places every stop drives a set of routes, and those are a tree that reaches
every stop from the base with, for each route, one leg back. The cheapest such tree is found
exactly; prices on the stops push it towards two legs at each, as routes have, and a price on
the base towards as many routes as the hours on site need.

Source: Held and Karp, "The traveling-salesman problem and minimum spanning trees", Operations
Research 18 (1970), for one route; here the base is one node of any degree.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from jobs.rules.routing.bound import cost_bound as assignment_bound
from jobs.rules.routing.model import Problem, waiting_cost

FAR: Final = np.int64(1) << 40
"""A leg that no route can drive."""
MOST_ROUNDS: Final = 200
WORK: Final = 60_000
"""Rounds × stops: some two seconds of an ordinary processor for large plans."""
PATIENCE: Final = 8


def cost_bound(problem: Problem) -> int:
    """
    No plan that places every stop costs less, in the units of `Plan.cost`.

    Driving is bounded by `travel_bound`; the paid time is at least that and every service; each
    stop waits at least until the first crew-day that may take it.
    Waiting, lunch and overtime count as nothing, so the true optimum lies above. A plan that
    leaves a stop out may cost less; 0 where every plan has to.

    Examples
    --------
    >>> import numpy as np
    >>> from jobs.rules.routing import Crew, Problem, Stop
    >>> there = np.array([[0, 60], [60, 0]])
    >>> cost_bound(Problem((Crew("A", 0, 0, ((0, 9000),)),), (Stop(1, 1, 600),), there))
    120
    """
    if not problem.stops or not problem.days:
        return 0
    travel, o = travel_bound(problem), problem.objective
    if travel >= FAR:
        return 0  # some stop no crew can do
    service = sum(stop.service for stop in problem.stops)
    before = {number: problem.previous.get(stop.id) for number, stop in enumerate(problem.stops)}
    away = sum(
        key is not None and problem.day_number.get((key[0], key[1]), -1) not in problem.allowed[number]
        for number, key in before.items()
    )
    return o.drive * travel + o.paid * (travel + service) + o.moved * away + least_waiting(problem)


def least_waiting(problem: Problem) -> int:
    """What the stops' waiting costs at least, each on the first crew-day that may take it."""
    waiting = [
        (stop, days) for stop, days in zip(problem.stops, problem.allowed, strict=True) if stop.wait or stop.overdue
    ]
    return sum(min((waiting_cost(stop, problem.days[day]) for day in days), default=0) for stop, days in waiting)


def larger_bound(problem: Problem, found: int, assignment: int | None = None) -> int:
    """
    The larger of what `cost_bound` found and the bound by assignment, both below every plan of all stops.

    Which of them is larger depends on the windows: narrow ones favour the assignment.

    Parameters
    ----------
    assignment
        The bound by assignment, where the planner has found it already.
    """
    if not found:
        return 0
    return max(found, (assignment_bound(problem) if assignment is None else assignment) + least_waiting(problem))


def travel_bound(problem: Problem) -> int:
    """Seconds that any plan of all stops drives at least."""
    legs, base = _legs(problem)
    count = len(base)
    groups = [(group, _routes(problem, group)) for group in _groups(legs)]
    needed = sum(routes for _, routes in groups)
    prices, toll = np.zeros(count, dtype=np.int64), 0
    found = 2 * int(base.sum())  # driving to each alone; it sets how far the prices go, never the bound's truth
    best, step, stale = 0, 1.0, 0
    for _ in range(max(10, min(MOST_ROUNDS, WORK // count))):
        bound, degrees, out = _tree(legs, base, groups, prices, toll)
        bound += toll * needed
        stale = 0 if bound > best else stale + 1
        best = max(best, bound)
        off, short = degrees - 2, needed - out
        if toll == 0:
            short = max(0, short)
        if (not off.any() and not short) or best >= found:
            break
        if stale >= PATIENCE:
            step, stale = step / 2, 0
        size = step * max(found - bound, 1) / (int(off @ off) + short * short)
        prices = prices + np.round(size * off).astype(np.int64)
        toll = max(0, toll + round(size * short))
    return best


def _legs(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Cheapest drive between two stops in either order (FAR where no crew-day can), and from or to a base."""
    stops, days = problem.stops, problem.days
    at = np.array([stop.at for stop in stops])
    first = np.array([spans[0][0] if spans else 0 for spans in problem.windows], dtype=np.int64)
    last = np.array([spans[-1][1] if spans else 0 for spans in problem.windows], dtype=np.int64)
    service = np.array([stop.service for stop in stops], dtype=np.int64)
    able = np.zeros((len(stops), len(days)), dtype=np.float32)
    for number, allowed in enumerate(problem.allowed):
        for day in allowed:
            begin, limit = days[day].begin, days[day].limit
            able[number, day] = any(a <= limit and b >= begin for a, b in problem.windows[number])
    drive = problem.travel[np.ix_(at, at)]
    ordered = (first + service)[:, None] + drive <= last[None, :]
    one_way = np.where(ordered & (able @ able.T > 0), drive, FAR)
    legs = np.minimum(one_way, one_way.T)
    np.fill_diagonal(legs, FAR)
    starts, ends = (np.array([getattr(day, name) for day in days]) for name in ("start_at", "end_at"))
    to_base = np.minimum(problem.travel[np.ix_(starts, at)], problem.travel[np.ix_(at, ends)].T)
    return legs, np.where(able.T > 0, to_base, FAR).min(axis=0)


def _groups(legs: np.ndarray) -> list[np.ndarray]:
    """Stops in groups that no route can lead out of: each group needs a leg back of its own."""
    left = np.ones(len(legs), dtype=bool)
    groups = []
    while left.any():
        inside = np.zeros(len(legs), dtype=bool)
        fresh = [int(left.argmax())]
        inside[fresh] = True
        while len(fresh):
            reached = (legs[fresh] < FAR).any(axis=0) & ~inside
            inside |= reached
            fresh = np.flatnonzero(reached).tolist()
        groups.append(np.flatnonzero(inside))
        left &= ~inside
    return groups


def _routes(problem: Problem, group: np.ndarray) -> int:
    """How many routes the group needs at least, by the hours on site alone."""
    longest = max(day.limit - day.begin for day in problem.days)
    service = sum(problem.stops[int(number)].service for number in group)
    return max(1, -(-service // max(1, longest)))


def _tree(
    legs: np.ndarray, base: np.ndarray, groups: list[tuple[np.ndarray, int]], prices: np.ndarray, toll: int
) -> tuple[int, np.ndarray, int]:
    """
    The cheapest tree with its legs back at these prices: its cost, legs at each stop, legs out of the base.

    `toll` is what a leg out of the base is cheaper by.
    """
    count = len(base)
    degrees = np.zeros(count, dtype=np.int64)
    reach, parent = base + prices - toll, np.full(count, -1)
    back = base + prices
    waits = np.ones(count, dtype=bool)
    total = 0
    for _ in range(count):  # Prim's algorithm from the base
        stop = int(np.where(waits, reach, 4 * FAR).argmin())
        total += int(reach[stop])
        waits[stop] = False
        degrees[stop] += 1
        if parent[stop] >= 0:
            degrees[parent[stop]] += 1
        via = legs[stop] + prices + prices[stop]
        better = waits & (via < reach)
        reach[better], parent[better] = via[better], stop
    for group, routes in groups:
        order = group[back[group].argsort(kind="stable")]
        ends = order[: max(routes, int((back[order] < 0).sum()))]
        total += int(back[ends].sum())
        degrees[ends] += 1
    return total - 2 * int(prices.sum()), degrees, int((parent < 0).sum())
