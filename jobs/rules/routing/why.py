"""Why a stop is in no route: what a dispatcher can act on, as a `Reason`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from jobs.rules.routing.model import LARGEST_TIME, Crew, CrewDay, Plan, Problem, Span, Stop, Unplaced
from jobs.rules.routing.reasons import Reason
from jobs.rules.routing.slack import Slack
from jobs.rules.routing.timing import NEVER, orders_of


@dataclass(frozen=True, slots=True)
class _Miss:
    """The nearest a crew-day comes: seconds short, and the bound that is short."""

    short: int
    reason: Reason


def explain(problem: Problem, plan: Plan, is_late: Callable[[], bool] = lambda: False) -> Plan:
    """The same plan, every unplaced stop with its reason; those reached too late with that."""
    if not plan.unplaced:
        return plan
    orders = orders_of(problem, plan)
    routes: dict[int, Slack] = {}
    explained = []
    for entry in plan.unplaced:
        stop = problem.stops[problem.stop_number[entry.id]]
        reason = Reason("no_time") if is_late() else _reason(problem, stop, orders, routes)
        explained.append(Unplaced(entry.id, reason))
    return replace(plan, unplaced=tuple(explained))


def why_not(problem: Problem, stop: Stop, day: CrewDay, order: Sequence[int]) -> Reason | None:
    """Why the crew-day can't take the stop beside what it has; None when it can."""
    crew = problem.crews[day.crew]
    unfit = _unfit(stop, crew, day.shift)
    if unfit is not None:
        return unfit
    miss = _nearest(problem, stop, day, Slack(problem, day, order))
    return miss.reason if miss.short else None


def _unfit(stop: Stop, crew: Crew, shift: int) -> Reason | None:
    if shift in crew.off:
        return Reason("off", crew=crew.id, shift=shift)
    lacking = sorted(stop.skills - crew.skills)
    if lacking:
        return Reason("skills", crew=crew.id, skills=tuple(lacking))
    if stop.people > crew.people:
        return Reason("people", crew=crew.id, needs=stop.people, most=crew.people)
    if crew.capacity is not None and stop.load > crew.capacity:
        return Reason("load", crew=crew.id, needs=stop.load, most=crew.capacity)
    if stop.locked is not None and tuple(stop.locked) != (crew.id, shift):
        return Reason("locked", crew=stop.locked[0], shift=stop.locked[1])
    return None


def _reason(problem: Problem, stop: Stop, orders: dict[int, list[int]], routes: dict[int, Slack]) -> Reason:
    number = problem.stop_number[stop.id]
    days = problem.allowed[number]
    if not days:
        return _nobody(problem, stop)
    if not problem.windows[number]:
        if stop.promised is not None:
            return Reason("promise", window=stop.promised)
        return Reason("ready", ready=stop.earliest)
    begin = problem.windows[number][0][0]
    if begin > max(problem.days[n].limit for n in days):
        return Reason("after_all", ready=begin)
    alone = [_nearest(problem, stop, problem.days[n], Slack(problem, problem.days[n], ())) for n in days]
    nearest = min(alone, key=lambda miss: miss.short)
    if nearest.short:
        return Reason("empty_day", nearest=nearest.reason)
    misses = []
    for n, miss in zip(days, alone, strict=True):
        if not miss.short:
            route = routes.setdefault(n, Slack(problem, problem.days[n], orders.get(n, ())))
            misses.append(_nearest(problem, stop, problem.days[n], route))
    nearest = min(misses, key=lambda miss: miss.short)
    if not nearest.short:
        return Reason("fits") if stop.priority or stop.required else Reason("no_priority")
    return Reason("full", nearest=nearest.reason)


def _nobody(problem: Problem, stop: Stop) -> Reason:
    working = [crew for crew in problem.crews if len(crew.off) < len(crew.shifts)]
    if not working:
        return Reason("no_shift")
    if stop.locked is not None:
        crew = problem.crews[problem.crew_number[stop.locked[0]]]
        return Reason("locked_unfit", nearest=_unfit(stop, crew, stop.locked[1]))
    lacking = [sorted(stop.skills - crew.skills) for crew in working]
    if all(lacking):
        fewest = min(lacking, key=len)
        return Reason("no_skills", skills=tuple(fewest))
    able = [crew for crew, lacks in zip(working, lacking, strict=True) if not lacks]
    most = max(crew.people for crew in able)
    if most < stop.people:
        return Reason("no_people", needs=stop.people, most=most)
    room = max((crew.capacity or 0) for crew in able)
    return Reason("no_load", needs=stop.load, most=room)


def _nearest(problem: Problem, stop: Stop, day: CrewDay, route: Slack) -> _Miss:
    """How close the crew-day comes to taking the stop, over all places and windows."""
    crew = problem.crews[day.crew].id
    if day.capacity is not None and route.load + stop.load > day.capacity:
        over = route.load + stop.load - day.capacity
        return _Miss(NEVER, Reason("overload", crew=crew, shift=day.shift, most=over))
    best = _Miss(NEVER, Reason("undrivable", crew=crew, shift=day.shift))
    for place in range(len(route.order) + 1):
        for window in problem.windows[problem.stop_number[stop.id]]:
            miss = _at(problem, stop, day, route, place, window)
            if miss.short < best.short:
                best = miss
    return best


def _at(problem: Problem, stop: Stop, day: CrewDay, route: Slack, place: int, window: Span) -> _Miss:
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
        if not eaten and stop.eats and route.eats_within(start, stop.service):
            leave1 = leave0 + route.lunch_len
        next0, next1 = route.after_drive(leave0, leave1, onward)
        over = max(0, min(next0 - route.late0[place + 1], next1 - route.late1[place + 1]))
        options.append((late + over, late, over))
    short, late, over = min(options, default=(NEVER, 0, 0))
    crew, bounding = problem.crews[day.crew].id, _bounding(window)
    if late:
        return _Miss(short, Reason("late_start", crew=crew, shift=day.shift, late=late, window=bounding or window))
    is_last = place == len(route.order)
    onto = None if is_last else problem.stops[route.order[place]].id
    kind = ("late_back" if is_last else "late_next") + ("_window" if bounding is not None else "")
    return _Miss(short, Reason(kind, crew=crew, shift=day.shift, stop=onto, late=over, window=bounding))


def _bounding(window: Span) -> tuple[int, int | None] | None:
    """The window as a reason shows it: None when it bounds nothing, no end when nothing ends it."""
    begin, end = window
    if end < LARGEST_TIME:
        return window
    return (begin, None) if begin > 0 else None
