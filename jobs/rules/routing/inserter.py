"""
Prices one more stop everywhere at once, and puts it in or takes one out.

The plan stays as it is; each crew-day's slack is worked out once and again only when that
crew-day changes, so a dispatcher on the phone gets every window's price in milliseconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from jobs.rules.routing.knots import held_as
from jobs.rules.routing.model import CrewDay, Id, Lunch, Plan, Problem, Route, Span, Stop, fits_crew, open_spans
from jobs.rules.routing.reasons import Reason
from jobs.rules.routing.slack import LONG_AGO, Slack, start_in
from jobs.rules.routing.timing import NEVER, assemble, build_route, last_start, next_start, orders_of
from jobs.rules.routing.why import why_not


@dataclass(frozen=True, slots=True)
class Offer:
    """
    The cheapest place for a stop in one crew-day and window.

    `start` is when service would begin, `node` the place in the route's order; `drive` is
    added driving in seconds, `cost` what the plan's cost grows by, in the objective's money.
    """

    crew: Id
    shift: int
    window: Span
    node: int
    start: int
    drive: int
    cost: int


class Inserter:
    """
    A plan that can be asked for the price of a stop, and changed one stop at a time.

    Parameters
    ----------
    problem, plan
        A verified plan of the problem. Stops that hang together stay where they are.

    Examples
    --------
    >>> from jobs.rules.routing import Crew, Problem, plan_of
    >>> street = 60 * np.abs(np.arange(11)[:, None] - np.arange(11)[None, :])
    >>> crew = Crew("north", 0, 0, ((0, 3600),))
    >>> problem = Problem((crew,), (Stop("a", 4, 600),), street)
    >>> inserter = Inserter(problem, plan_of(problem, {0: [0]}))
    >>> [(o.window, o.start, o.drive) for o in inserter.offers(Stop("b", 6, 600), [(0, 900), (2000, 9999)])]
    [((0, 900), 360, 240), ((2000, 9999), 2000, 240)]
    """

    def __init__(self, problem: Problem, plan: Plan) -> None:
        problem = held_as(problem, plan) if problem.knots else problem  # crews that meet keep the time they agreed
        self.problem = problem
        orders = orders_of(problem, plan)
        self.routes = [Slack(problem, day, orders.get(number, ())) for number, day in enumerate(problem.days)]
        self._reasons = {entry.id: entry.reason for entry in plan.unplaced}
        self._built: dict[int, Route] = {problem.day_number[route.crew, route.shift]: route for route in plan.routes}

    # -- asking ---------------------------------------------------------------

    def offers(
        self,
        stop: Stop,
        windows: Sequence[Span] | None = None,
        to: Sequence[int] | None = None,
        back: Sequence[int] | None = None,
    ) -> list[Offer]:
        """
        The price of the stop in every crew-day and window it fits, cheapest first.

        Parameters
        ----------
        windows
            The windows to price, in seconds; by default the stop's own.
        to, back
            Driving seconds from every place to the stop and back from it, for an address
            that is not in the travel table; by default row and column `stop.at`.
        """
        o = self.problem.objective
        spans = list(open_spans(stop, o.grace if o.late else 0) if windows is None else windows)
        spans = [(max(a, stop.earliest), b) for a, b in spans]
        into = self._into(stop.at) if to is None else list(to)
        out_of = self.problem.rows[stop.at] if back is None else list(back)
        able = [fits_crew(stop, crew) for crew in self.problem.crews]
        found = []
        for number, day in enumerate(self.problem.days):
            if able[day.crew] and self._is_open(stop, day):
                found += self._in_day(stop, number, spans, into, out_of)
        if self._is_priced_by_time:
            found = [replace(offer, cost=self._exact(stop, offer, into, out_of)) for offer in found]
        found.sort(key=lambda offer: (offer.cost, offer.start))
        return found

    def why_not(self, stop: Stop, crew: Id, shift: int) -> Reason | None:
        """Why that crew-day can't take the stop (of the problem); None when it can."""
        number = self.problem.day_number[crew, shift]
        order = [other for other in self.routes[number].order if self.problem.stops[other].id != stop.id]
        return why_not(self.problem, stop, self.problem.days[number], order)

    def plan(self) -> Plan:
        """The plan as it stands."""
        for number, slack in enumerate(self.routes):
            if slack.order and number not in self._built:
                route = build_route(self.problem, self.problem.days[number], slack.order)
                if route is None:
                    raise AssertionError("a route was changed into one that can't be driven")
                self._built[number] = route
        return assemble(self.problem, self._built.values(), self._reasons)

    # -- changing -------------------------------------------------------------

    def insert(
        self, stop: Stop, offer: Offer, to: Sequence[int] | None = None, back: Sequence[int] | None = None
    ) -> None:
        """Puts the stop in as offered, promising it nothing; only that crew-day is worked out again."""
        held = replace(stop, windows=(offer.window,))
        if stop.id in self.problem.stop_number:
            self._replace(held)
        else:
            self._extend(held, to, back)
        number = self.problem.day_number[offer.crew, offer.shift]
        order = list(self.routes[number].order)
        order.insert(offer.node, self.problem.stop_number[stop.id])
        self._set(number, order)

    def remove(self, stop_id: Id) -> None:
        """Takes the stop out of its route; it becomes unplaced."""
        stop = self.problem.stop_number[stop_id]
        number = self._day_of(stop)
        self._set(number, [other for other in self.routes[number].order if other != stop])

    def _set(self, number: int, order: list[int]) -> None:
        slack = Slack(self.problem, self.problem.days[number], order)
        if order and not slack.is_possible:
            raise ValueError("the route can't be driven with that change")
        self.routes[number] = slack
        self._built.pop(number, None)
        self._time_costs.pop(number, None)

    def _replace(self, stop: Stop) -> None:
        stops = list(self.problem.stops)
        stops[self.problem.stop_number[stop.id]] = stop
        self._rebuild(replace(self.problem, stops=tuple(stops)), self.problem.rows)

    def _extend(self, stop: Stop, to: Sequence[int] | None, back: Sequence[int] | None) -> None:
        problem, rows = self.problem, self.problem.rows
        travel = problem.travel
        if to is not None and back is not None:
            size = len(travel)
            travel = np.zeros((size + 1, size + 1), dtype=np.int64)
            travel[:size, :size], travel[:size, size], travel[size, :size] = problem.travel, to[:size], back[:size]
            rows = [[*row, int(drive)] for row, drive in zip(rows, to, strict=False)]
            rows.append([*map(int, back[:size]), 0])
            stop = replace(stop, at=size)
        self._rebuild(replace(problem, stops=(*problem.stops, stop), travel=travel), rows)

    def _rebuild(self, problem: Problem, rows: list[list[int]]) -> None:
        problem.__dict__["rows"] = rows  # as they were, so they need not be made again
        self.problem = problem
        self.__dict__.pop("_columns", None)
        self.__dict__.pop("_time_costs", None)

    # -- inside ---------------------------------------------------------------

    @cached_property
    def _columns(self) -> dict[int, list[int]]:
        return {}

    @cached_property
    def _time_costs(self) -> dict[int, int]:
        """What each crew-day costs beyond its driving as it stands, worked out when first asked for."""
        return {}

    def _into(self, place: int) -> list[int]:
        if place not in self._columns:
            self._columns[place] = [int(drive) for drive in self.problem.travel[:, place]]
        return self._columns[place]

    def _is_open(self, stop: Stop, day: CrewDay) -> bool:
        crew = self.problem.crews[day.crew]
        if day.shift in crew.off:
            return False
        return stop.locked is None or tuple(stop.locked) == (crew.id, day.shift)

    def _day_of(self, stop: int) -> int:
        for number, slack in enumerate(self.routes):
            if stop in slack.order:
                return number
        raise KeyError(f"stop {self.problem.stops[stop].id!r} is in no route")

    @property
    def _is_priced_by_time(self) -> bool:
        o = self.problem.objective
        return bool(o.paid or o.overtime or (o.late and o.grace))

    def _in_day(
        self, stop: Stop, number: int, spans: Sequence[Span], into: list[int], out_of: list[int]
    ) -> list[Offer]:
        slack, day = self.routes[number], self.problem.days[number]
        if slack.load + stop.load > (day.capacity if day.capacity is not None else NEVER):
            return []
        spans = [span for span in spans if span[0] <= day.limit and span[1] >= day.begin]
        if not spans or not slack.is_possible:
            return []
        gaps = self._gaps(slack, into, out_of)
        crew = self.problem.crews[day.crew].id
        weight = self.problem.objective.drive
        moved = self._moved(stop.id, (crew, day.shift))
        offers = []
        for span in spans:
            for drive, node in gaps:
                start = start_in(slack, node, into, out_of, span, stop.service)
                if start is not None:
                    offers.append(Offer(crew, day.shift, span, node, start, drive, weight * drive + moved))
                    break
        return offers

    def _moved(self, stop_id: Id, where: tuple[Id, int]) -> int:
        before = self.problem.previous.get(stop_id)
        return 0 if before is None or tuple(before) == where else self.problem.objective.moved

    def _gaps(self, slack: Slack, into: list[int], out_of: list[int]) -> list[tuple[int, int]]:
        """(added driving, node) of every gap, cheapest first."""
        rows, places = self.problem.rows, slack.places
        if not slack.order:
            return [(into[places[0]] + out_of[places[1]], 0)]
        gaps = [(into[a] + out_of[b] - rows[a][b], node) for node, (a, b) in enumerate(pairwise(places))]
        gaps.sort()
        return gaps

    def _exact(self, stop: Stop, offer: Offer, into: list[int], out_of: list[int]) -> int:
        """The growth in cost with pay, overtime and lateness, by driving the route with and without."""
        problem = self.problem
        number = problem.day_number[offer.crew, offer.shift]
        slack, rows = self.routes[number], problem.rows
        legs = [rows[a][b] for a, b in pairwise(slack.places)] if slack.order else [0]
        nodes = [self._node(other) for other in slack.order]
        if number not in self._time_costs:
            self._time_costs[number] = _time_cost(problem, slack, legs, nodes) if nodes else 0
        before = self._time_costs[number]
        there, onward = into[slack.places[offer.node]], out_of[slack.places[offer.node + 1]]
        legs[offer.node : offer.node + 1] = [there, onward]
        nodes.insert(offer.node, ((offer.window,), stop.service, None if stop.promised is None else stop.promised[1]))
        return offer.cost + _time_cost(problem, slack, legs, nodes) - before

    def _node(self, number: int) -> _Node:
        stop = self.problem.stops[number]
        return self.problem.windows[number], stop.service, None if stop.promised is None else stop.promised[1]


_Node = tuple[Sequence[Span], int, int | None]  # windows, service, end of the promised window


def _time_cost(problem: Problem, slack: Slack, legs: Sequence[int], nodes: Sequence[_Node]) -> int:
    """Pay, overtime and lateness of a crew-day: back as early as can be, leaving as late as that allows."""
    o, day, lunch = problem.objective, slack.day, slack.day.lunch
    leave0, leave1 = slack.leave0[0], slack.leave1[0]
    for (windows, service, _), leg in zip(nodes, legs, strict=False):
        ready0, ready1 = slack.after_drive(leave0, leave1, leg)
        leave0 = min(next_start(windows, ready0) + service, NEVER)
        leave1 = min(next_start(windows, ready1) + service, NEVER)
    back0, back = slack.after_drive(leave0, leave1, legs[-1])
    if lunch is not None and back0 <= lunch.latest:
        back = min(back, back0)
    late0, late1 = (min(back, lunch.latest) if lunch is not None else LONG_AGO), back
    for place in range(len(nodes), -1, -1):
        late0, late1 = _with_lunch(lunch, late0 - legs[place], late1 - legs[place])
        if place:
            windows, service, _ = nodes[place - 1]
            late0, late1 = _last(windows, late0 - service), _last(windows, late1 - service)
            late0, late1 = _with_lunch(lunch, late0, late1)
    if lunch is not None and late1 < lunch.earliest + lunch.duration:
        late1 = LONG_AGO
    depart = max(day.begin, late0, late1)
    cost = o.paid * (back - depart) + o.overtime * max(0, back - day.end)
    if o.late and o.grace:
        at = depart
        for (windows, service, promised), leg in zip(nodes, legs, strict=False):
            start = next_start(windows, at + leg)
            cost += o.late * max(0, start - promised) if promised is not None else 0
            at = start + service
    return cost


def _last(windows: Sequence[Span], bound: int) -> int:
    start = last_start(windows, bound)
    return LONG_AGO if start < 0 else start


def _with_lunch(lunch: Lunch | None, late0: int, late1: int) -> tuple[int, int]:
    """Latest moments with lunch to come and over, lunch being eaten here if that helps."""
    if lunch is not None:
        eat = min(late1 - lunch.duration, lunch.latest)
        if eat >= lunch.earliest:
            late0 = max(late0, eat)
    return late0, late1
