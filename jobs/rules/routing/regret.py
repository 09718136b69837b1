"""
Construction by regret: next comes the stop that loses most if it has to wait.

Plain Python and numpy, so there is always a legal plan, whatever else is installed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from jobs.rules.routing.arrays import FAR, Arrays, arrays_of
from jobs.rules.routing.linked_stops import held_as, put_in, without_broken
from jobs.rules.routing.model import Plan, Problem
from jobs.rules.routing.slack import Slack
from jobs.rules.routing.timing import NEVER, assemble, build_route, hold, orders_of, plan_of, starts_of
from jobs.rules.routing.verify import route_faults

CHOICES = 3  # how many crew-days a stop's regret looks at


def regret_plan(
    problem: Problem,
    start: Mapping[int, Sequence[int]] | None = None,
    arrays: Arrays | None = None,
    should_stop: Callable[[], bool] | None = None,
    starts: Mapping[int, int] | None = None,
) -> Plan:
    """
    A legal plan: cheapest insertion, the stop with the largest regret first.

    Required stops go first, then the rest together; `start` (stop numbers per crew-day
    number, which can be driven) is kept as it is. Stops that hang together go in as a whole,
    before the others or after them, whichever is better; those of `start` begin at `starts`
    (by stop number) where crews need not agree on the earliest. Deterministic.
    """
    if problem.linked_stops:
        return _with_linked_stops(problem, _base(problem, start or {}, starts, should_stop), should_stop)
    arrays = arrays or arrays_of(problem)
    builder = _Builder(problem, arrays, start or {})
    while builder.insert_next():
        if should_stop is not None and should_stop():
            break
    plan = plan_of(problem, builder.orders())
    if plan is None:
        raise AssertionError("regret insertion made a route that can't be driven")
    return plan


def _base(
    problem: Problem,
    start: Mapping[int, Sequence[int]],
    starts: Mapping[int, int] | None,
    should_stop: Callable[[], bool] | None,
) -> Plan:
    """The plan of `start` without links broken; without linked stops where their crews find no start together."""
    orders = without_broken(problem, start)
    plan = plan_of(problem, orders, starts) or plan_of(problem, orders)
    if plan is None:
        plan = plan_of(problem, drivable(problem, orders, should_stop))
    if plan is None:
        raise AssertionError("stops that can be driven one after another can't be driven")
    return plan


def drivable(
    problem: Problem, orders: Mapping[int, Sequence[int]], should_stop: Callable[[], bool] | None = None
) -> dict[int, list[int]]:
    """
    As much of these routes as can be driven, whole or stop by stop; of linked stops, none.

    A route need not stay one when a stop is taken out: the way past it may be longer.
    """
    alone = hold(problem, {}) if problem.linked_stops else problem
    linked = {stop for some in problem.linked_stops for stop in some}
    kept: dict[int, list[int]] = {}
    for number, order in orders.items():
        route = [stop for stop in order if stop not in linked]
        kept[number] = route if _goes(alone, number, route) else []
        for stop in route if not kept[number] else ():
            if should_stop is not None and should_stop():
                break
            if _goes(alone, number, [*kept[number], stop]):
                kept[number].append(stop)
    return kept


def _goes(problem: Problem, number: int, order: Sequence[int]) -> bool:
    """Whether the crew-day can drive these stops, and nothing else forbids it."""
    route = build_route(problem, problem.days[number], order)
    return route is not None and not any(route_faults(problem, route))


def _with_linked_stops(problem: Problem, base: Plan, should_stop: Callable[[], bool] | None) -> Plan:
    def with_linked(plan: Plan) -> Plan:
        return put_in(problem, plan, only_new=True, should_stop=should_stop)

    def with_rest(plan: Plan) -> Plan:
        rest = regret_plan(held_as(problem, plan), orders_of(problem, plan), None, should_stop)
        return assemble(problem, rest.routes)

    return min(with_rest(with_linked(base)), with_linked(with_rest(base)), key=lambda plan: plan.rank)


def make_room(problem: Problem, plan: Plan, should_stop: Callable[[], bool] | None = None) -> Plan:
    """
    The plan with linked stops it leaves out put in by clearing their crew-days, if that is better.

    The stops cleared away go wherever they fit by now.
    """
    all_linked = {stop for linked in problem.linked_stops for stop in linked}
    orders = orders_of(problem, plan)
    bare = plan_of(problem, {day: [stop for stop in order if stop in all_linked] for day, order in orders.items()})
    if bare is None:
        return plan
    before, after = (
        orders_of(problem, found) for found in (bare, put_in(problem, bare, only_new=True, should_stop=should_stop))
    )
    cleared = {day: order for day, order in after.items() if order != before.get(day)}
    if not cleared or plan_of(problem, orders | cleared) is None:
        return plan
    return min(plan, regret_plan(problem, orders | cleared, should_stop=should_stop), key=lambda plan: plan.rank)


def fill(
    problem: Problem, plan: Plan, arrays: Arrays | None = None, should_stop: Callable[[], bool] | None = None
) -> Plan:
    """The plan with what it leaves out put in where it fits; what it has stays as it is."""
    return regret_plan(problem, orders_of(problem, plan), arrays, should_stop, starts_of(problem, plan))


class _Builder:
    """Best insertion price of every open stop in every crew-day, kept up to date."""

    def __init__(self, problem: Problem, arrays: Arrays, start: Mapping[int, Sequence[int]]) -> None:
        self.problem, self.arrays = problem, arrays
        count, days = len(problem.stops), len(problem.days)
        self.routes = [Slack(problem, day, start.get(n, ())) for n, day in enumerate(problem.days)]
        self.open = np.ones(count, dtype=np.bool_)
        for order in start.values():
            self.open[list(order)] = False
        self.price = np.full((count, days), FAR, dtype=np.int64)
        self.lowest = np.full((count, min(CHOICES, days)), FAR, dtype=np.int64)  # prices of each stop, the best first
        self.place = np.zeros((count, days), dtype=np.int64)
        self.shown: set[int] = set()  # kinds of empty crew-day already on offer
        for number in range(days):
            self._offer(number)

    def orders(self) -> dict[int, list[int]]:
        return {number: route.order for number, route in enumerate(self.routes) if route.order}

    def _offer(self, number: int) -> None:
        """Puts a crew-day on offer; of empty ones that are alike, only the first."""
        if not self.routes[number].order:
            kind = int(self.arrays.kind[number])
            if kind in self.shown:
                return
            self.shown.add(kind)
        self._reprice(number)

    def _reprice(self, number: int) -> None:
        rows = np.flatnonzero(self.open & self.arrays.allowed[:, number])
        before = self.price[:, number].copy()
        self.price[:, number] = FAR
        if len(rows):
            price, place = insertion_prices(self.problem, self.arrays, self.routes[number], number, rows)
            self.price[rows, number], self.place[rows, number] = price, place
        self._rank(number, before)

    def _rank(self, number: int, before: np.ndarray) -> None:
        """Keeps `lowest` after a crew-day's prices have changed."""
        depth = self.lowest.shape[1]
        both = np.column_stack([self.lowest, self.price[:, number]])
        gone = np.flatnonzero((before <= self.lowest[:, -1]) & (before < FAR))
        self.lowest = np.sort(both, axis=1)[:, :depth]
        self.lowest[gone] = np.sort(np.partition(self.price[gone], depth - 1, axis=1)[:, :depth], axis=1)

    def insert_next(self) -> bool:
        """Inserts one stop; False when none fits anywhere."""
        rows = np.flatnonzero(self.lowest[:, 0] < FAR) if self.lowest.size else np.zeros(0, dtype=np.int64)
        if not len(rows):
            return False
        weight = self.arrays.priority[rows]
        rows = rows[weight >= (weight.max() if self._has_required(rows) else 0)]
        stop = int(rows[np.argmax(self._regrets(rows))])
        number = int(np.argmin(self.price[stop]))
        self._insert(stop, number)
        return True

    def _has_required(self, rows: np.ndarray) -> bool:
        return any(self.problem.stops[row].required for row in rows)

    def _regrets(self, rows: np.ndarray) -> np.ndarray:
        lowest = self.lowest[rows].astype(np.float64)
        # a stop with fewer places left than it looks at is urgent: FAR makes its regret huge
        scale = np.maximum(self.arrays.priority[rows], 1)
        return np.asarray((lowest.sum(axis=1) - lowest.shape[1] * lowest[:, 0]) * scale)

    def _insert(self, stop: int, number: int) -> None:
        was_empty = not self.routes[number].order
        order = list(self.routes[number].order)
        order.insert(int(self.place[stop, number]), stop)
        self.routes[number] = Slack(self.problem, self.problem.days[number], order)
        self.open[stop] = False
        self.price[stop, :] = self.lowest[stop, :] = FAR
        self._reprice(number)
        if was_empty:
            self._offer_another(int(self.arrays.kind[number]))

    def _offer_another(self, kind: int) -> None:
        self.shown.discard(kind)
        for number in np.flatnonzero(self.arrays.kind == kind):
            if not self.routes[number].order:
                self._offer(int(number))
                return


def insertion_prices(
    problem: Problem, arrays: Arrays, route: Slack, number: int, rows: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """
    The cheapest legal place in one route for each of some stops, and its price.

    Returns
    -------
    tuple[np.ndarray, np.ndarray]
        Price (FAR where nothing is legal) and place in the order, both (len(rows),).
    """
    places = np.array([arrays.start_at[number], *route.order, arrays.end_at[number]], dtype=np.int64)
    there = arrays.travel[places[:-1]][:, rows]  # (places, stops)
    onward = arrays.travel[rows][:, places[1:]].T
    direct = arrays.travel[places[:-1], places[1:]][:, None] if route.order else 0
    leave0 = np.minimum(np.array(route.leave0)[:, None], FAR)
    leave1 = np.minimum(np.array(route.leave1)[:, None], FAR)
    late0 = np.array(route.late0[1:])[:, None]
    late1 = np.array(route.late1[1:])[:, None]
    service = arrays.service[rows]
    ready1 = leave1 + there
    if route.lunch_len:
        eat = np.maximum(leave0, route.lunch_lo)
        ready1 = np.minimum(ready1, np.where(eat <= route.lunch_hi, eat + route.lunch_len + there, FAR))
        eat = np.maximum(leave0 + there, route.lunch_lo)
        ready1 = np.minimum(ready1, np.where(eat <= route.lunch_hi, eat + route.lunch_len, FAR))
    done1 = _starts(arrays, rows, ready1) + service
    legal = done1 + onward <= late1
    if route.lunch_len:
        start0 = _starts(arrays, rows, leave0 + there)
        done0 = start0 + service
        legal |= done0 + onward <= late0
        within = (arrays.eats[rows] > 0) & (start0 <= route.lunch_hi) & (done0 >= route.lunch_lo)
        legal |= within & (done0 + route.lunch_len + onward <= late1)
        eat = np.maximum(done0, route.lunch_lo)
        legal |= (eat <= route.lunch_hi) & (eat + route.lunch_len + onward <= late1)
    legal &= (route.load + arrays.load[rows] <= arrays.capacity[number])[None, :]
    o = problem.objective
    price = (o.drive + o.paid) * (there + onward - direct) + arrays.extra[rows, number]
    price = np.where(legal, price, FAR)
    place = price.argmin(axis=0)
    return price[place, np.arange(len(rows))], place


def _starts(arrays: Arrays, rows: np.ndarray, ready: np.ndarray) -> np.ndarray:
    """The first moment from `ready` on inside a window of each stop; FAR if none."""
    best = np.full(ready.shape, FAR, dtype=np.int64)
    for place in range(arrays.open_lo.shape[1]):
        low, high = arrays.open_lo[rows, place], arrays.open_hi[rows, place]
        best = np.minimum(best, np.where(ready <= high, np.maximum(ready, low), FAR))
    return best


__all__ = ["NEVER", "insertion_prices", "regret_plan"]
