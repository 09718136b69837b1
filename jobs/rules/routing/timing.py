"""
Times along one route: from an order of stops to arrivals, starts and lunch.

A route is driven so that it is back as early as it can be; then its departure (only)
is put off as far as the return stays the same, so nobody waits at a door for nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from jobs.rules.routing.model import (
    LARGEST_TIME,
    CrewDay,
    Id,
    Lunch,
    Plan,
    Problem,
    Route,
    Span,
    Unplaced,
    Visit,
    open_spans,
    waiting_cost,
)  # fmt: skip
from jobs.rules.routing.reasons import Reason

NEVER = 1 << 60
BEFORE, AFTER = -1, -2  # lunch before leaving, after being back


@dataclass(frozen=True, slots=True)
class Timing:
    """Departure, (arrive, start, leave) per stop, return, and the start of lunch on the way."""

    depart: int
    times: tuple[tuple[int, int, int], ...]
    back: int
    lunch: int | None


@dataclass(frozen=True, slots=True)
class _Pause:
    """Lunch in leg `leg` (0 is the first drive): taken on arrival, within the stop there, or before driving off."""

    leg: int
    on_arrival: bool
    within: bool = False


def next_start(windows: Sequence[Span], ready: int) -> int:
    """The first moment from `ready` on that lies in one of the sorted windows; NEVER if none."""
    for begin, end in windows:
        if ready <= end:
            return max(ready, begin)
    return NEVER


def last_start(windows: Sequence[Span], bound: int) -> int:
    """The last moment up to `bound` in one of the sorted windows; -1 if none."""
    for begin, end in reversed(windows):
        if begin <= bound:
            return min(bound, end)
    return -1


def time_route(problem: Problem, day: CrewDay, order: Sequence[int]) -> Timing | None:
    """
    Drives the stops (numbers) in that order; None when some bound can't be kept.

    With lunch every place for it is tried: back earliest wins, then the shortest day,
    then lunch at its earliest.
    """
    best: Timing | None = None
    for pause in _pauses(problem, day, order):
        timing = _drive(problem, day, order, pause)
        if timing is not None and (best is None or _rank(timing) < _rank(best)):
            best = timing
    return best


def _rank(timing: Timing) -> tuple[int, int]:
    return timing.back, -timing.depart


def _pauses(problem: Problem, day: CrewDay, order: Sequence[int]) -> Iterable[_Pause | None]:
    if day.lunch is None:
        return [None]
    stops = len(order)
    inner = [_Pause(leg, arrival) for leg in range(1, stops + 1) for arrival in (True, False)]
    # on the first leg only on arrival (before it is BEFORE), on the last only before it (else AFTER)
    inner = [p for p in inner if not (p.leg == stops and p.on_arrival)] + [_Pause(0, True)]
    inner += [_Pause(leg, False, within=True) for leg, number in enumerate(order) if problem.stops[number].eats]
    return [_Pause(BEFORE, False), _Pause(AFTER, False), *inner] if stops else [_Pause(AFTER, False)]


def _drive(problem: Problem, day: CrewDay, order: Sequence[int], pause: _Pause | None) -> Timing | None:
    first = day.begin
    if lunch := _lunch_on(day, pause, BEFORE, on_arrival=False):
        first = max(day.begin, lunch.earliest + lunch.duration)
    early = _forward(problem, day, order, pause, first)
    if early is None or not order:
        return early
    depart = _latest_departure(problem, day, order, pause, early)
    return _forward(problem, day, order, pause, depart) or early


def _forward(problem: Problem, day: CrewDay, order: Sequence[int], pause: _Pause | None, depart: int) -> Timing | None:
    rows, stops, windows = problem.rows, problem.stops, problem.windows
    place, leave, lunch_at = day.start_at, depart, None
    times: list[tuple[int, int, int]] = []
    for leg, number in enumerate(order):
        stop = stops[number]
        drive_off = leave
        if lunch := _lunch_on(day, pause, leg, on_arrival=False):
            lunch_at = max(leave, lunch.earliest)
            drive_off = lunch_at + lunch.duration
        arrive = ready = drive_off + rows[place][stop.at]
        if lunch := _lunch_on(day, pause, leg, on_arrival=True):
            lunch_at = max(arrive, lunch.earliest)
            ready = lunch_at + lunch.duration
        start = next_start(windows[number], ready)
        if start == NEVER or _too_late(day.lunch, lunch_at):
            return None
        if leg:
            times[-1] = (*times[-1][:2], drive_off)
        leave = start + stop.service
        if lunch := _lunch_on(day, pause, leg, within=True):
            lunch_at = max(start, lunch.earliest)
            if lunch_at > leave:
                return None
            leave += lunch.duration
        times.append((arrive, start, leave))
        place = stop.at
    if lunch := _lunch_on(day, pause, len(order), on_arrival=False):
        lunch_at = max(leave, lunch.earliest)
        leave = lunch_at + lunch.duration
        times[-1] = (*times[-1][:2], leave)
    back = leave + rows[place][day.end_at] if order else depart
    after = _lunch_on(day, pause, AFTER, on_arrival=False)
    if back > day.limit or _too_late(after, back) or _too_late(day.lunch, lunch_at):
        return None
    return Timing(depart, tuple(times), back, lunch_at)


def _lunch_on(
    day: CrewDay, pause: _Pause | None, leg: int, *, on_arrival: bool = False, within: bool = False
) -> Lunch | None:
    """The day's lunch, if this is where it is taken."""
    return day.lunch if pause == _Pause(leg, on_arrival, within) else None


def _too_late(lunch: Lunch | None, at: int | None) -> bool:
    return lunch is not None and at is not None and at > lunch.latest


def _latest_departure(problem: Problem, day: CrewDay, order: Sequence[int], pause: _Pause | None, early: Timing) -> int:
    """The latest departure that is back no later than `early` is."""
    rows, stops = problem.rows, problem.stops
    bound, place = early.back, day.end_at
    for leg in range(len(order), -1, -1):
        stop = stops[order[leg - 1]] if leg else None
        if lunch := _lunch_on(day, pause, leg, on_arrival=True):
            bound = min(bound - lunch.duration, lunch.latest)
        bound -= rows[day.start_at if stop is None else stop.at][place]
        if lunch := _lunch_on(day, pause, leg, on_arrival=False):
            bound = min(bound - lunch.duration, lunch.latest)
        if stop is not None:
            bound -= stop.service
            if lunch := _lunch_on(day, pause, leg - 1, within=True):
                bound = min(bound - lunch.duration, lunch.latest)
            bound = last_start(problem.windows[order[leg - 1]], bound)
            place = stop.at
    return max(bound, early.depart)


# -- plans --------------------------------------------------------------------


def build_route(problem: Problem, day: CrewDay, order: Sequence[int]) -> Route | None:
    """The route with its times; None when the order can't be driven."""
    timing = time_route(problem, day, order)
    if timing is None:
        return None
    crew = problem.crews[day.crew]
    visits = tuple(Visit(problem.stops[s].id, *t) for s, t in zip(order, timing.times, strict=True))
    return Route(crew.id, day.shift, visits, drive_time(problem, day, order), timing.depart, timing.back, timing.lunch)


def drive_time(problem: Problem, day: CrewDay, order: Sequence[int]) -> int:
    """Seconds driven from the start over the stops to the end; 0 for no stops."""
    if not order:
        return 0
    places = [day.start_at, *(problem.stops[number].at for number in order), day.end_at]
    rows = problem.rows
    return sum(rows[a][b] for a, b in pairwise(places))


def route_cost(problem: Problem, day: CrewDay, route: Route) -> int:
    """What one route costs by the problem's objective."""
    o = problem.objective
    cost = o.drive * route.travel
    if not route.visits:
        return 0
    cost += o.paid * (route.back - route.depart) + o.overtime * max(0, route.back - day.end)
    for visit in route.visits:
        stop = problem.stops[problem.stop_number[visit.id]]
        cost += waiting_cost(stop, day)
        if o.late and o.grace and stop.promised is not None:
            cost += o.late * max(0, visit.start - stop.promised[1])
        if problem.previous.get(visit.id, (route.crew, route.shift)) != (route.crew, route.shift):
            cost += o.moved
    return cost


def assemble(problem: Problem, routes: Iterable[Route], reasons: Mapping[Id, Reason | None] | None = None) -> Plan:
    """A plan of these routes; every stop in none of them is unplaced."""
    kept = tuple(sorted((r for r in routes if r.visits), key=lambda r: problem.day_number[r.crew, r.shift]))
    placed = {visit.id for route in kept for visit in route.visits}
    left = [stop for stop in problem.stops if stop.id not in placed]
    cost = sum(route_cost(problem, problem.days[problem.day_number[r.crew, r.shift]], r) for r in kept)
    return Plan(
        routes=kept,
        unplaced=tuple(Unplaced(stop.id, (reasons or {}).get(stop.id)) for stop in left),
        travel=sum(route.travel for route in kept),
        cost=cost,
        placed=sum(stop.priority for stop in problem.stops if stop.id in placed),
        required_left=sum(stop.required for stop in left),
    )


def plan_of(
    problem: Problem, orders: Mapping[int, Sequence[int]], starts: Mapping[int, int] | None = None
) -> Plan | None:
    """
    The plan that drives these stop numbers per crew-day number; None if one can't be driven.

    Crews that meet agree on the earliest start all of them can keep, or on that of `starts`
    (by stop number) where it is given.
    """
    held = problem
    if problem.linked_stops:
        day_of = {stop: number for number, order in orders.items() for stop in order}
        all_linked = [stop for linked in problem.linked_stops for stop in linked if stop in day_of]
        if starts is None:
            starts = _agreed(problem, orders, all_linked)
        if starts is None:
            return None
        held = hold(problem, {stop: (day_of[stop], (starts[stop], starts[stop])) for stop in all_linked})
    routes = []
    for number, order in orders.items():
        if not order:
            continue
        route = build_route(held, problem.days[number], order)
        if route is None:
            return None
        routes.append(route)
    return assemble(problem, routes)


# -- stops that hang together --------------------------------------------------


def hold(problem: Problem, where: Mapping[int, tuple[int, Span]]) -> Problem:
    """
    The problem without links: each linked stop is held to a crew-day and a span of starts.

    `where` is {stop number: (crew-day number, (from, to))}. What is held comes before all
    else, so that no search drops one of two; a linked stop that is not in it has no window.
    """
    stops = list(problem.stops)
    for number in (number for linked in problem.linked_stops for number in linked):
        stop = replace(stops[number], meets=None, follows=None)
        if number not in where:
            stops[number] = replace(stop, windows=((0, 0),), promised=None, earliest=1, locked=None, required=False)
            continue
        day_number, (begin, end) = where[number]
        day = problem.days[day_number]
        spans = tuple((max(a, begin), min(b, end)) for a, b in open_spans(stop) if a <= end and b >= begin)
        if spans:
            stop = replace(stop, windows=spans, promised=None, earliest=0)
        else:  # held to a start it can't have
            stop = replace(stop, windows=((0, 0),), promised=None, earliest=1)
        stops[number] = replace(stop, locked=(problem.crews[day.crew].id, day.shift), required=True)
    return problem.with_stops(stops)


MOST_ROUNDS: Final = 100
"""How often crews that meet put off their start before it is given up."""


def _agreed(problem: Problem, orders: Mapping[int, Sequence[int]], linked: Sequence[int]) -> dict[int, int] | None:
    """Starts the linked stops' crews agree on: each waits for the last, and for what it follows; None for none."""
    day_of = {stop: number for number, order in orders.items() for stop in order}
    lows = dict.fromkeys(linked, 0)
    for _ in range(MOST_ROUNDS):
        held = hold(problem, {stop: (day_of[stop], (lows[stop], LARGEST_TIME)) for stop in linked})
        starts: dict[int, int] = {}
        for number in {day_of[stop] for stop in linked}:
            timing = time_route(held, problem.days[number], orders[number])
            if timing is None:
                return None
            starts |= {stop: times[1] for stop, times in zip(orders[number], timing.times, strict=True)}
        after = {stop: max(starts[stop], lows[stop]) for stop in linked}
        for stop in linked:
            _put_off(problem, stop, after)
        if after == {stop: starts[stop] for stop in linked}:
            return after
        lows = after
    return None


def _put_off(problem: Problem, stop: int, starts: dict[int, int]) -> None:
    meets, follows = problem.stops[stop].meets, problem.stops[stop].follows
    if follows is not None and (first := problem.stop_number[follows]) in starts:
        starts[stop] = max(starts[stop], starts[first] + problem.stops[first].service)
    if meets is not None and (other := problem.stop_number[meets]) in starts:
        starts[stop] = starts[other] = max(starts[stop], starts[other])


def orders_of(problem: Problem, plan: Plan) -> dict[int, list[int]]:
    """Stop numbers per crew-day number, the inverse of `plan_of`."""
    return {
        problem.day_number[route.crew, route.shift]: [problem.stop_number[v.id] for v in route.visits]
        for route in plan.routes
    }


def starts_of(problem: Problem, plan: Plan) -> dict[int, int]:
    """When each stop of the plan begins, by its number."""
    return {problem.stop_number[visit.id]: visit.start for route in plan.routes for visit in route.visits}
