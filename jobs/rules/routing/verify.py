"""
The independent referee of plans, and the source of every "why not".

It shares no timing code with the planners: it takes the times a plan states and checks
each of them against the problem, in whole seconds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

from jobs.rules.routing.model import DAY, Crew, Id, Plan, Problem, Route, Stop, Visit, lunch_on
from jobs.rules.routing.reasons import minutes


@dataclass(frozen=True, slots=True)
class Fault:
    """One broken bound: a `code`, the stop and crew-day it is about, a sentence, and by how many seconds."""

    code: str
    text: str
    stop: Id | None = None
    crew: Id | None = None
    shift: int | None = None
    short: int = 0


class PlanBroken(ValueError):
    """A plan that breaks its problem's bounds, with the faults."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("; ".join(fault.text for fault in faults[:5]))
        self.faults = faults


def verify(problem: Problem, plan: Plan) -> tuple[Fault, ...]:
    """
    Every bound the plan breaks; () when it can be driven as it stands.

    Checked per stop: known, placed once, skills, heads, lock, windows, promised, earliest,
    crews that meet and work that keeps its team; per route: one a crew-day, shift, travel
    between stops, lunch, load, overtime; and the plan's own totals (travel, cost, priority
    placed).
    """
    faults: list[Fault] = []
    seen: set[Id] = set()
    used: set[tuple[Id, int]] = set()
    for route in plan.routes:
        key = (route.crew, route.shift)
        if key not in problem.day_number:
            faults.append(Fault("crew", f"There is no shift {route.shift} of crew {route.crew}.", None, *key))
            continue
        if key in used:
            faults.append(Fault("twice", f"Crew {route.crew} has two routes in shift {route.shift}.", None, *key))
        used.add(key)
        for visit in route.visits:
            if visit.id not in problem.stop_number:
                faults.append(Fault("stop", f"There is no stop {visit.id}.", visit.id, *key))
            elif visit.id in seen:
                faults.append(Fault("twice", f"Stop {visit.id} is driven to twice.", visit.id, *key))
            seen.add(visit.id)
        if all(visit.id in problem.stop_number for visit in route.visits):
            faults += route_faults(problem, route)
    if not faults:
        faults += _link_faults(problem, plan)
        faults += _total_faults(problem, plan, seen)
    return tuple(faults)


def check(problem: Problem, plan: Plan) -> Plan:
    """The plan itself, or `PlanBroken`."""
    faults = verify(problem, plan)
    if faults:
        raise PlanBroken(faults)
    return plan


def stop_faults(problem: Problem, stop: Stop, crew: Crew, shift: int, start: int | None = None) -> Iterator[Fault]:
    """What keeps the stop from being done by the crew in the shift, starting at `start` if given."""
    if shift in crew.off:
        yield Fault("off", f"Crew {crew.id} is off in shift {shift}.", stop.id, crew.id, shift)
    lacking = sorted(stop.skills - crew.skills)
    if lacking:
        text = f"Crew {crew.id} lacks the skill {', '.join(lacking)} for stop {stop.id}."
        yield Fault("skill", text, stop.id, crew.id, shift)
    if stop.people > crew.people:
        text = f"Stop {stop.id} needs {stop.people} people, crew {crew.id} has {crew.people}."
        yield Fault("people", text, stop.id, crew.id, shift)
    if stop.locked is not None and tuple(stop.locked) != (crew.id, shift):
        text = f"Stop {stop.id} is locked to crew {stop.locked[0]}, shift {stop.locked[1]}."
        yield Fault("lock", text, stop.id, crew.id, shift)
    if start is not None:
        yield from _window_faults(problem, stop, crew, shift, start)


def _window_faults(problem: Problem, stop: Stop, crew: Crew, shift: int, start: int) -> Iterator[Fault]:
    if start < stop.earliest:
        short = stop.earliest - start
        text = f"Stop {stop.id} would start {minutes(short)} before it is ready."
        yield Fault("earliest", text, stop.id, crew.id, shift, short)
    grace = problem.objective.grace if problem.objective.late else 0
    is_late = stop.promised is not None and stop.promised[1] < start <= stop.promised[1] + grace
    if stop.windows and not is_late and not any(a <= start <= b for a, b in stop.windows):
        short, (a, b) = min((_outside(start, window), window) for window in stop.windows)
        side = "after" if start > b else "before"
        text = f"Stop {stop.id} would start {minutes(short)} {side} its window {a}-{b}."
        yield Fault("window", text, stop.id, crew.id, shift, short)
    if stop.promised is not None:
        a, b = stop.promised
        if not a <= start <= b + grace:
            short = _outside(start, (a, b))
            side = "after" if start > b else "before"
            text = f"Stop {stop.id} would start {minutes(short)} {side} the window {a}-{b} it was promised."
            yield Fault("promise", text, stop.id, crew.id, shift, short)


def _outside(start: int, window: tuple[int, int]) -> int:
    return max(window[0] - start, start - window[1], 0)


def route_faults(problem: Problem, route: Route) -> Iterator[Fault]:
    """What one route breaks by itself, its stops known."""
    crew = problem.crews[problem.crew_number[route.crew]]
    key = (crew.id, route.shift)
    begin, end = crew.shifts[route.shift]
    stops = [problem.stops[problem.stop_number[visit.id]] for visit in route.visits]
    for stop, visit in zip(stops, route.visits, strict=True):
        yield from stop_faults(problem, stop, crew, route.shift, visit.start)
        yield from _visit_faults(stop, visit, key)
    if not stops:
        return
    yield from _travel_faults(problem, crew, stops, route)
    if route.depart < begin:
        short = begin - route.depart
        yield Fault("shift", f"Crew {crew.id} would leave {minutes(short)} before its shift.", None, *key, short)
    limit = crew.limit(route.shift)
    if route.back > limit:
        short = route.back - limit
        what = "its overtime" if limit > end else "its shift"
        yield Fault("shift", f"Crew {crew.id} would be back {minutes(short)} after {what} ends.", None, *key, short)
    load = sum(stop.load for stop in stops)
    if crew.capacity is not None and load > crew.capacity:
        text = f"Crew {crew.id} would carry {load}, and can carry {crew.capacity}."
        yield Fault("capacity", text, None, *key, load - crew.capacity)
    yield from _lunch_faults(problem, crew, stops, route)


def _visit_faults(stop: Stop, visit: Visit, key: tuple[Id, int]) -> Iterator[Fault]:
    if visit.start < visit.arrive:
        short = visit.arrive - visit.start
        yield Fault("order", f"Stop {stop.id} starts {minutes(short)} before the crew arrives.", stop.id, *key, short)
    if visit.leave < visit.start + stop.service:
        short = visit.start + stop.service - visit.leave
        yield Fault("service", f"Stop {stop.id} is left {minutes(short)} too soon.", stop.id, *key, short)


def _travel_faults(problem: Problem, crew: Crew, stops: list[Stop], route: Route) -> Iterator[Fault]:
    key = (crew.id, route.shift)
    legs = _legs(problem, crew, stops)
    leaves = [route.depart, *(visit.leave for visit in route.visits)]
    arrives = [*(visit.arrive for visit in route.visits), route.back]
    names = [*(f"stop {stop.id}" for stop in stops), "its end"]
    for leg, leave, arrive, name in zip(legs, leaves, arrives, names, strict=True):
        if arrive < leave + leg:
            short = leave + leg - arrive
            text = f"Crew {crew.id} would need {minutes(short)} more to reach {name}."
            yield Fault("travel", text, None, *key, short)
    if route.travel != sum(legs):
        yield Fault("total", f"Crew {crew.id} drives {sum(legs)} s, the plan says {route.travel}.", None, *key)


def _legs(problem: Problem, crew: Crew, stops: list[Stop]) -> list[int]:
    places = [crew.start, *(stop.at for stop in stops), crew.end]
    return [int(problem.travel[a, b]) for a, b in pairwise(places)]


def _lunch_faults(problem: Problem, crew: Crew, stops: list[Stop], route: Route) -> Iterator[Fault]:
    lunch = lunch_on(crew.lunch, crew.shifts[route.shift][0], crew.limit(route.shift))
    if lunch is None:
        return
    key = (crew.id, route.shift)
    if route.lunch is None:
        before = route.depart >= lunch.earliest + lunch.duration
        after = route.back <= lunch.latest
        if not before and not after:
            yield Fault("lunch", f"Crew {crew.id} would have no lunch in shift {route.shift}.", None, *key)
        return
    if not lunch.earliest <= route.lunch <= lunch.latest:
        short = max(lunch.earliest - route.lunch, route.lunch - lunch.latest)
        yield Fault("lunch", f"Crew {crew.id} would eat {minutes(short)} out of its time.", None, *key, short)
    if not _may_eat(problem, crew, stops, route, route.lunch, lunch.duration):
        yield Fault("lunch", f"Crew {crew.id} would drive or work during lunch.", None, *key)


def _may_eat(problem: Problem, crew: Crew, stops: list[Stop], route: Route, begin: int, duration: int) -> bool:
    """Whether the crew neither drives nor works in that time; where it eats within a stop it stays as much longer."""
    end, legs = begin + duration, _legs(problem, crew, stops)
    busy = [(route.depart, route.depart + legs[0])]
    for stop, visit, leg in zip(stops, route.visits, legs[1:], strict=True):
        done = visit.start + stop.service
        if stop.eats and visit.start <= begin <= done and visit.leave >= done + duration:
            done = begin  # the rest of the work comes after lunch
        busy.append((visit.start, done))
        busy.append((visit.leave, visit.leave + leg))
    return all(b <= begin or a >= end for a, b in busy if a < b) and begin >= route.depart and end <= route.back


def _link_faults(problem: Problem, plan: Plan) -> Iterator[Fault]:
    """Crews that should meet and don't, and work that changes its team or comes before what it follows."""
    visits = {visit.id: (visit, route) for route in plan.routes for visit in route.visits}
    for stop in problem.stops:
        if stop.meets is not None:
            yield from _meeting_faults(problem, stop, stop.meets, visits)
        if stop.follows is not None and stop.id in visits:
            yield from _following_faults(problem, stop, visits)


def _meeting_faults(
    problem: Problem, stop: Stop, meets: Id, visits: Mapping[Id, tuple[Visit, Route]]
) -> Iterator[Fault]:
    mine, theirs = visits.get(stop.id), visits.get(meets)
    if mine is None and theirs is None:
        return
    if mine is None or theirs is None:
        left, done = (stop.id, meets) if mine is None else (meets, stop.id)
        yield Fault("meets", f"Nobody comes to stop {left}, and stop {done} can't be done without.", left)
        return
    (visit, route), (other, there) = mine, theirs
    if visit.start != other.start:
        short = abs(visit.start - other.start)
        text = f"Stops {stop.id} and {stop.meets} would begin {minutes(short)} apart."
        yield Fault("meets", text, stop.id, route.crew, route.shift, short)
    if _team(problem, route) == _team(problem, there):
        text = f"Stops {stop.id} and {stop.meets} need two crews, and both have crew {route.crew}."
        yield Fault("meets", text, stop.id, route.crew, route.shift)


def _following_faults(problem: Problem, stop: Stop, visits: Mapping[Id, tuple[Visit, Route]]) -> Iterator[Fault]:
    visit, route = visits[stop.id]
    key = (route.crew, route.shift)
    if stop.follows is None or stop.follows not in visits:
        yield Fault("follows", f"Stop {stop.id} follows stop {stop.follows}, which nobody does.", stop.id, *key)
        return
    first, there = visits[stop.follows]
    if _team(problem, route) != _team(problem, there):
        text = f"Stop {stop.id} should keep crew {there.crew} of stop {stop.follows}, and has crew {route.crew}."
        yield Fault("follows", text, stop.id, *key)
    done = first.start + problem.stops[problem.stop_number[first.id]].service
    if visit.start < done:
        text = f"Stop {stop.id} would begin {minutes(done - visit.start)} before stop {stop.follows} is done."
        yield Fault("follows", text, stop.id, *key, done - visit.start)


def _team(problem: Problem, route: Route) -> Id:
    crew = problem.crews[problem.crew_number[route.crew]]
    return crew.id if crew.team is None else crew.team


def _total_faults(problem: Problem, plan: Plan, seen: set[Id]) -> Iterator[Fault]:
    left = {entry.id for entry in plan.unplaced}
    expected = {stop.id for stop in problem.stops} - seen
    if left != expected or len(left) != len(plan.unplaced):
        wrong = sorted(map(str, left ^ expected)) or ["one stop twice"]
        yield Fault("total", f"The list of unplaced stops is wrong about {', '.join(wrong[:5])}.")
    placed = sum(stop.priority for stop in problem.stops if stop.id in seen)
    required = sum(stop.required for stop in problem.stops if stop.id not in seen)
    travel = sum(route.travel for route in plan.routes)
    cost = sum(_cost(problem, route) for route in plan.routes)
    stated = (plan.placed, plan.required_left, plan.travel, plan.cost)
    if stated != (placed, required, travel, cost):
        counted = (placed, required, travel, cost)
        yield Fault("total", f"Priority, required left, travel and cost are {counted}, the plan says {stated}.")


def _cost(problem: Problem, route: Route) -> int:
    if not route.visits:
        return 0
    objective = problem.objective
    begin, end = problem.crews[problem.crew_number[route.crew]].shifts[route.shift]
    cost = objective.drive * route.travel + objective.paid * (route.back - route.depart)
    cost += objective.overtime * max(0, route.back - end)
    for visit in route.visits:
        stop = problem.stops[problem.stop_number[visit.id]]
        if stop.promised is not None and objective.late and objective.grace:
            cost += objective.late * max(0, visit.start - stop.promised[1])
        cost += stop.wait * (begin // DAY)
        if stop.due is not None:
            cost += stop.overdue * max(0, begin // DAY - stop.due // DAY)
        here = (route.crew, route.shift)
        if visit.id in problem.previous and tuple(problem.previous[visit.id]) != here:
            cost += objective.moved
    return cost
