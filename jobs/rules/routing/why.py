"""Why a stop is in no route, in words a dispatcher can act on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from jobs.rules.routing.model import Crew, CrewDay, Plan, Problem, Stop, Unplaced
from jobs.rules.routing.slack import Slack
from jobs.rules.routing.timing import NEVER, orders_of
from jobs.rules.routing.verify import minutes

FITS: Final = "it would fit as the plan stands; the search was stopped before it was put in"


@dataclass(frozen=True, slots=True)
class _Miss:
    """The nearest a crew-day comes: seconds short, and the bound that is short."""

    short: int
    text: str


def explain(problem: Problem, plan: Plan) -> Plan:
    """The same plan, every unplaced stop with its reason."""
    if not plan.unplaced:
        return plan
    orders = orders_of(problem, plan)
    routes: dict[int, Slack] = {}
    told = []
    for entry in plan.unplaced:
        stop = problem.stops[problem.stop_number[entry.id]]
        told.append(Unplaced(entry.id, _reason(problem, stop, orders, routes)))
    return replace(plan, unplaced=tuple(told))


def why_not(problem: Problem, stop: Stop, day: CrewDay, order: Sequence[int]) -> str:
    """Why the crew-day can't take the stop beside what it has; "" when it can."""
    crew = problem.crews[day.crew]
    text = _unfit(stop, crew, day.shift)
    if text:
        return text
    miss = _nearest(problem, stop, day, Slack(problem, day, order))
    return miss.text if miss.short else ""


def _unfit(stop: Stop, crew: Crew, shift: int) -> str:
    if shift in crew.off:
        return f"crew {crew.id} is off in shift {shift}"
    lacking = sorted(stop.skills - crew.skills)
    if lacking:
        return f"crew {crew.id} lacks the skill {', '.join(lacking)}"
    if stop.people > crew.people:
        return f"it needs {stop.people} people, crew {crew.id} has {crew.people}"
    if crew.capacity is not None and stop.load > crew.capacity:
        return f"its load {stop.load} is more than crew {crew.id} carries ({crew.capacity})"
    if stop.locked is not None and tuple(stop.locked) != (crew.id, shift):
        return f"it is locked to crew {stop.locked[0]}, shift {stop.locked[1]}"
    return ""


def _reason(problem: Problem, stop: Stop, orders: dict[int, list[int]], routes: dict[int, Slack]) -> str:
    number = problem.stop_number[stop.id]
    days = problem.allowed[number]
    if not days:
        return _nobody(problem, stop)
    if not problem.windows[number]:
        if stop.promised is not None:
            return f"its promised window {stop.promised[0]}-{stop.promised[1]} meets none of its own windows"
        return f"it is ready at {stop.earliest}, after its last window"
    alone = [_nearest(problem, stop, problem.days[n], Slack(problem, problem.days[n], ())) for n in days]
    nearest = min(alone, key=lambda miss: miss.short)
    if nearest.short:
        return f"no crew can do it even on an empty day; nearest: {nearest.text}"
    misses = []
    for n, miss in zip(days, alone, strict=True):
        if not miss.short:
            route = routes.setdefault(n, Slack(problem, problem.days[n], orders.get(n, ())))
            misses.append(_nearest(problem, stop, problem.days[n], route))
    nearest = min(misses, key=lambda miss: miss.short)
    if not nearest.short:
        return FITS
    return f"every crew-day it fits is full; nearest: {nearest.text}"


def _nobody(problem: Problem, stop: Stop) -> str:
    working = [crew for crew in problem.crews if len(crew.off) < len(crew.shifts)]
    if not working:
        return "no crew has a shift"
    if stop.locked is not None:
        crew = problem.crews[problem.crew_number[stop.locked[0]]]
        return _unfit(stop, crew, stop.locked[1]) + ", to which it is locked"
    lacking = [sorted(stop.skills - crew.skills) for crew in working]
    if all(lacking):
        fewest = min(lacking, key=len)
        return f"no crew has the skill{'s' if len(fewest) > 1 else ''} {', '.join(fewest)}"
    able = [crew for crew, lacks in zip(working, lacking, strict=True) if not lacks]
    most = max(crew.people for crew in able)
    if most < stop.people:
        return f"it needs {stop.people} people, the largest crew that could do it has {most}"
    room = max((crew.capacity or 0) for crew in able)
    return f"its load {stop.load} is more than any crew that could do it carries (most {room})"


def _nearest(problem: Problem, stop: Stop, day: CrewDay, route: Slack) -> _Miss:
    """How close the crew-day comes to taking the stop, over all places and windows."""
    crew = problem.crews[day.crew]
    name = f"crew {crew.id}, shift {day.shift}"
    if day.capacity is not None and route.load + stop.load > day.capacity:
        over = route.load + stop.load - day.capacity
        return _Miss(NEVER, f"{name} would carry {over} too much")
    best = _Miss(NEVER, f"{name} can't be driven as it stands")
    for place in range(len(route.order) + 1):
        for window in problem.windows[problem.stop_number[stop.id]]:
            miss = _at(problem, stop, day, route, place, window, name)
            if miss.short < best.short:
                best = miss
    return best


def _at(
    problem: Problem, stop: Stop, day: CrewDay, route: Slack, place: int, window: tuple[int, int], name: str
) -> _Miss:
    rows, places = problem.rows, route.places
    there, onward = rows[places[place]][stop.at], rows[stop.at][places[place + 1]]
    options = []
    ready0, ready1 = route.after_drive(route.leave0[place], route.leave1[place], there)
    for ready, eaten in ((ready0, False), (ready1, True)):
        if ready >= NEVER:
            continue
        start = max(min(ready, window[1]), window[0])
        late = max(0, ready - window[1])
        leave0, leave1 = (NEVER, start + stop.service) if eaten else (start + stop.service, NEVER)
        next0, next1 = route.after_drive(leave0, leave1, onward)
        over = max(0, min(next0 - route.late0[place + 1], next1 - route.late1[place + 1]))
        options.append((late + over, late, over))
    short, late, over = min(options, default=(NEVER, 0, 0))
    if late:
        return _Miss(short, f"{name} would start {minutes(late)} after its window {window[0]}-{window[1]}")
    last = place == len(route.order)
    what = "be back" if last else f"reach stop {problem.stops[route.order[place]].id}"
    return _Miss(short, f"{name} would {what} {minutes(over)} too late, for its window {window[0]}-{window[1]}")
