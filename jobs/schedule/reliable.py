"""
A plan that keeps more of its promises: crews set out earlier, and visits go to a crew with more room.

A planner that pays for waiting sets out as late as its stops allow, to a first visit at the last minute of its
window; and it knows no chances, so that many visits in a row stand as if none of them could last longer.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Final

from jobs.rules.routing import Plan, Route, verify
from jobs.rules.routing.timing import assemble, build_route, orders_of, route_cost
from jobs.schedule.chances import day_chances
from jobs.schedule.day import DaySchedule, standing_of
from jobs.schedule.plan import PlanProblem, read_driver

MOST_LOOKED_AT: Final = 40
"""So many places for a visit, the cheapest, are looked at by their chances."""


@dataclass(frozen=True, slots=True)
class _Driven:
    """A crew-day in this order: how many promises fall under the share, by how much in all, and what it costs."""

    order: tuple[int, ...]
    route: Route | None
    doubtful: int
    short: float
    cost: int


_Changed = dict[int, _Driven]


def _rank_of(one: _Driven) -> tuple[int, float, int]:
    return one.doubtful, round(one.short, 2), one.cost


def more_reliable(
    found: PlanProblem,
    plan: Plan,
    share: float,
    now: dt.datetime,
    *,
    most: int | None = None,
    should_stop: Callable[[], bool] = lambda: False,
) -> Plan:
    """
    The plan, or one with the same visits that keeps more of its promises on `share` of sampled days.

    Parameters
    ----------
    most
        What it may cost, in the planner's units; any where None.
    """
    if found.problem.linked_stops:
        return plan  # stops that wait for each other have their times from each other
    search = _Search(found, share, now)
    for number, order in orders_of(found.problem, plan).items():
        route = next(one for one in plan.routes if found.problem.day_number[one.crew, one.shift] == number)
        search.days[number] = search.valued(number, tuple(order), route)
    search.budget = None if most is None else most - plan.cost
    while not should_stop() and search.step():
        pass
    routes = [one.route for one in search.days.values() if one.route is not None]
    better = assemble(found.problem, routes, {one.id: one.reason for one in plan.unplaced})
    return plan if verify(found.problem, better) else better


@dataclass(slots=True)
class _Search:
    found: PlanProblem
    share: float
    now: dt.datetime
    days: _Changed = field(default_factory=dict)
    budget: int | None = None
    """What may still be spent on it."""
    given_up: set[tuple[int, tuple[int, ...]]] = field(default_factory=set)

    def step(self) -> bool:
        """One change for the better, at the day that falls shortest; False when there is none any more."""
        waiting = [(one.short, number) for number, one in self.days.items() if one.doubtful]
        waiting = [entry for entry in waiting if (entry[1], self.days[entry[1]].order) not in self.given_up]
        if not waiting:
            return False
        _, number = max(waiting)
        best = min(self._changes(number), key=self._rank, default=None)
        if best is None or self._rank(best) >= self._rank({}):
            self.given_up.add((number, self.days[number].order))
            return True
        if self.budget is not None:
            self.budget -= self._cost(best)
        self.days.update(best)
        return True

    def _rank(self, changed: _Changed) -> tuple[int, float, int]:
        """Of all days, those that change in place of what they were."""
        every = (self.days | changed).values()
        short = round(sum(one.short for one in every), 2)
        return sum(one.doubtful for one in every), short, sum(one.cost for one in every)

    def _cost(self, changed: _Changed) -> int:
        before = sum(self.days[number].cost for number in changed if number in self.days)
        return sum(one.cost for one in changed.values()) - before

    def _changes(self, number: int) -> Iterator[_Changed]:
        """Ways to do better on a day, within what may be spent."""
        for changed in self._any_changes(number):
            if self.budget is None or self._cost(changed) <= self.budget:
                yield changed

    def _any_changes(self, number: int) -> Iterator[_Changed]:
        """To set out earlier, or to give one of its visits to another crew or day."""
        here = self.days[number].order
        for one in self._earlier(number, here):
            yield {number: one}
        moves = [
            (number, other, tuple(one for one in here if one != stop), order)
            for stop in here
            for other in self._others(stop, number)
            for order in self._with(other, stop)
        ]
        priced = [(cost, move) for move in moves if (cost := self._price(*move)) is not None]
        for _, (_, other, left, taken) in sorted(priced)[:MOST_LOOKED_AT]:
            mine, theirs = list(self._earlier(number, left)), list(self._earlier(other, taken))
            if mine and theirs:
                yield {number: min(mine, key=_rank_of), other: min(theirs, key=_rank_of)}

    def _others(self, stop: int, number: int) -> Iterator[int]:
        """The other crew-days that a stop may go to."""
        problem = self.found.problem
        if problem.stops[stop].locked is None:
            for other in problem.allowed[stop]:
                day = problem.days[other]
                if other != number and any(a <= day.limit and b >= day.begin for a, b in problem.windows[stop]):
                    yield other

    def _with(self, number: int, stop: int) -> Iterator[tuple[int, ...]]:
        """The orders of a day with one more stop in it."""
        there = self.days[number].order if number in self.days else ()
        for spot in range(len(there) + 1):
            yield (*there[:spot], stop, *there[spot:])

    def _price(self, number: int, other: int, left: tuple[int, ...], taken: tuple[int, ...]) -> int | None:
        """What both days cost driven so; None where they can't be."""
        total = 0
        for day, order in ((number, left), (other, taken)):
            route = build_route(self.found.problem, self.found.problem.days[day], order)
            if route is None:
                return None
            total += route_cost(self.found.problem, self.found.problem.days[day], route)
        return total

    def _earlier(self, number: int, order: tuple[int, ...]) -> Iterator[_Driven]:
        """A day in this order: setting out as late as can be, as early, and half between."""
        problem = self.found.problem
        day = problem.days[number]
        late = build_route(problem, day, order)
        if late is None:
            return
        yield self.valued(number, order, late)
        if not order:
            return
        stop = problem.stops[order[0]]
        start = late.visits[0].start
        opens = max(day.begin + problem.rows[day.start_at][stop.at], stop.earliest)
        spans = [(a, b) for a, b in problem.windows[order[0]] if a <= start]
        first = next((max(a, opens) for a, b in spans if b >= opens), start)
        for until in {first, (first + start) // 2} - {start}:
            held = tuple((a, min(b, until)) for a, b in spans if a <= until)
            trial = problem.with_stops(
                replace(one, windows=held, promised=None) if position == order[0] else one
                for position, one in enumerate(problem.stops)
            )
            route = build_route(trial, day, order)
            if route is not None:
                yield self.valued(number, order, route)

    def valued(self, number: int, order: tuple[int, ...], route: Route) -> _Driven:
        """With the chances of its promises."""
        problem = self.found.problem
        chances = day_chances(self._day(route), self.now).values()
        low = [self.share - one.on_time for one in chances if one.on_time < self.share]
        cost = route_cost(problem, problem.days[number], route)
        return _Driven(order, route, len(low), sum(low), cost)

    def _day(self, route: Route) -> DaySchedule:
        found, key = self.found, read_driver(str(route.crew))
        day = found.schedule.days[key]
        standing = [one for one in day.standing if one.pk not in found.problem.stop_number]
        for visit in route.visits:
            one = standing_of(found.rows[int(visit.id)])
            standing.append(one._replace(crew=key[0], day=key[1], starts_at=found.when(visit.start)))
        return day.of(standing)
