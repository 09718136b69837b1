"""
Stops that hang together: crews that meet at one address, work of two days that keeps its team.

The searches move one stop at a time. So linked stops are put in here as a whole,
each of its stops held to a crew-day (and to its start where others wait for it), and the
rest is searched around it; then it is taken out and put back where it costs least by now.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from heapq import heappop, heappush
from itertools import islice, pairwise, takewhile
from typing import Final

import numpy as np

from jobs.rules.routing.model import LARGEST_TIME, Id, Plan, Problem, Span, Unplaced, open_spans, waiting_cost
from jobs.rules.routing.reasons import Reason
from jobs.rules.routing.slack import Slack, start_in
from jobs.rules.routing.timing import NEVER, assemble, hold, next_start, orders_of, plan_of
from jobs.rules.routing.why import explain

Orders = dict[int, list[int]]

CHOICES: Final = 6
"""How many places of each meeting are looked into; of each stop in it, teams, or as many as meet."""
MOST_WAYS: Final = CHOICES**3
"""How many ways to put some linked stops in are driven: all of up to three meetings."""
MOST_TRIED: Final = 5_000
"""How many ways to share a meeting out among teams are looked into."""
MOST_CELLS: Final = 10**8
"""Starts times gaps that are compared; of more starts every so manieth is tried."""
EACH_TEAM: Final = 2
"""How many of those may be of one team, so that others are looked into too."""
DEAR: Final = np.int64(1) << 50


@dataclass(frozen=True, slots=True)
class _Gap:
    """A gap of a route the stop may go into: crew-day, place in its order, its price, first and last start."""

    day: int
    node: int
    price: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class _Choice:
    """One way to do a meeting: when it begins, and the gap of every stop."""

    start: int
    gaps: tuple[_Gap, ...]


def held_as(problem: Problem, plan: Plan) -> Problem:
    """
    The problem without links, its linked stops held where the plan has them.

    A stop keeps its exact start where another crew waits for it, or where what it follows
    is done in the same shift; else it is held to its crew-day only.
    """
    where = _places(problem, plan)
    return hold(problem, {stop: (day, _span(problem, stop, where)) for stop, (day, _) in where.items()})


def put_in(
    problem: Problem, plan: Plan, *, only_new: bool = False, should_stop: Callable[[], bool] | None = None
) -> Plan:
    """
    The plan with its linked stops where they cost least, the other stops staying in their order.

    Those linked to each other that have no place are put in if they fit; those that have are
    moved if that is cheaper, unless `only_new`.
    """
    for linked in sorted(problem.linked_stops, key=lambda some: max(_weight(problem, s) for s in some), reverse=True):
        if should_stop is not None and should_stop():
            break
        where = plan.where()
        is_in = all(problem.stops[stop].id in where for stop in linked)
        if not (only_new and is_in):
            found = _with_linked(problem, plan, linked, should_stop or (lambda: False))
            if found is not None and found.rank < plan.rank:
                plan = found
    return plan


def without_broken(problem: Problem, orders: Mapping[int, Sequence[int]]) -> Orders:
    """The orders without linked stops of which one is missing."""
    there = {stop for order in orders.values() for stop in order}
    broken = {stop for linked in problem.linked_stops if not there.issuperset(linked) for stop in linked}
    return {day: [stop for stop in order if stop not in broken] for day, order in orders.items()}


def explain_linked_stops(problem: Problem, plan: Plan, is_late: Callable[[], bool] = lambda: False) -> Plan:
    """The same plan, every unplaced stop with its reason, that of a linked stop naming what it hangs on."""
    all_linked = {problem.stops[stop].id for linked in problem.linked_stops for stop in linked}
    free = replace(problem, stops=tuple(replace(stop, meets=None, follows=None) for stop in problem.stops))
    alone = [entry for entry in plan.unplaced if entry.id in all_linked]
    others = [entry for entry in plan.unplaced if entry.id not in all_linked]
    explained = explain(held_as(problem, plan), replace(plan, unplaced=tuple(others)), is_late).unplaced
    explained += tuple(
        entry if entry.reason != Reason("fits") else Unplaced(entry.id, _hangs_on(problem, entry.id))
        for entry in explain(free, replace(plan, unplaced=tuple(alone)), is_late).unplaced
    )
    why = {entry.id: entry for entry in explained}
    return replace(plan, unplaced=tuple(why[entry.id] for entry in plan.unplaced))


def _hangs_on(problem: Problem, stop_id: Id) -> Reason:
    stop = problem.stops[problem.stop_number[stop_id]]
    meets = stop.meets or next((other.id for other in problem.stops if other.meets == stop_id), None)
    if meets is not None:
        return Reason("no_meeting", stop=meets)
    if stop.follows is not None:
        return Reason("no_team_after", stop=stop.follows)
    return Reason("no_team_before")


def _weight(problem: Problem, stop: int) -> tuple[bool, int]:
    return problem.stops[stop].required, problem.stops[stop].priority


def _places(problem: Problem, plan: Plan) -> dict[int, tuple[int, int]]:
    """(crew-day, start) of every linked stop in the plan."""
    all_linked = {stop for linked in problem.linked_stops for stop in linked}
    return {
        stop: (problem.day_number[route.crew, route.shift], visit.start)
        for route in plan.routes
        for visit in route.visits
        if (stop := problem.stop_number[visit.id]) in all_linked
    }


def _span(problem: Problem, stop: int, where: Mapping[int, tuple[int, int]]) -> tuple[int, int]:
    day, start = where[stop]
    me = problem.stops[stop]
    for other, (there, _) in where.items():
        its = problem.stops[other]
        if me.meets == its.id or its.meets == me.id:
            return start, start
        days = (there, day) if me.follows == its.id else (day, there) if its.follows == me.id else None
        if days is not None and problem.days[days[0]].limit > problem.days[days[1]].begin:
            return start, start
    return 0, LARGEST_TIME


# -- some linked to each other ------------------------------------------------

Where = dict[int, tuple[int, Span]]  # crew-day and span of starts by stop, as `hold` takes them


def _with_linked(problem: Problem, plan: Plan, linked: Sequence[int], should_stop: Callable[[], bool]) -> Plan | None:
    """The best plan with these linked stops put in anew; None where they do not fit, or were not tried in time."""
    places = _places(problem, plan)
    rest = {stop: (day, _span(problem, stop, places)) for stop, (day, _) in places.items() if stop not in linked}
    orders = {day: [s for s in order if s not in linked] for day, order in orders_of(problem, plan).items()}
    ways = islice(_ways(problem, rest, orders, problem.meetings(linked), should_stop), MOST_WAYS)
    found = (
        assemble(problem, trial.routes)
        for where, changed in takewhile(lambda way: not should_stop(), ways)
        if (trial := plan_of(hold(problem, where), changed)) is not None
    )
    return min(found, key=lambda plan: plan.rank, default=None)


def _ways(
    problem: Problem,
    where: Where,
    orders: Orders,
    meetings: Sequence[tuple[int, ...]],
    should_stop: Callable[[], bool],
) -> Iterator[tuple[Where, Orders]]:
    """Ways to put these meetings in one after another."""
    if not meetings:
        yield where, orders
        return
    meeting, *later = meetings
    held = hold(problem, where)
    routes = [Slack(held, day, orders.get(number, ())) for number, day in enumerate(problem.days)]
    for choice in islice(_choices(problem, routes, meeting, where, should_stop), CHOICES):
        changed, there = dict(orders), dict(where)
        for stop, gap in zip(meeting, choice.gaps, strict=True):
            order = list(changed.get(gap.day, ()))
            order.insert(gap.node, stop)
            changed[gap.day], there[stop] = order, (gap.day, (choice.start, choice.start))
        yield from _ways(problem, there, changed, later, should_stop)


def _choices(
    problem: Problem, routes: Sequence[Slack], meeting: Sequence[int], where: Where, should_stop: Callable[[], bool]
) -> Iterator[_Choice]:
    """Ways to do one meeting, those that add least driving first, few of them of one team."""
    gaps = [[] if should_stop() else _gaps(problem, routes, stop, where) for stop in meeting]
    if not all(gaps):
        return
    used: Counter[Id] = Counter()
    for start in _starts(gaps):
        if should_stop():
            return
        choice = _at(problem, routes, meeting, gaps, start)
        if choice is not None:
            team = _team(problem, choice.gaps[0].day)
            used[team] += 1
            if used[team] <= EACH_TEAM:
                yield choice


def _gaps(problem: Problem, routes: Sequence[Slack], number: int, where: Where) -> list[_Gap]:
    """Gaps the stop may go into, as if nobody had to wait for another."""
    stop, o = problem.stops[number], problem.objective
    windows, out_of, into = open_spans(stop), problem.rows[stop.at], problem.travel[:, stop.at].tolist()
    first = None if stop.follows is None else problem.stop_number[stop.follows]
    team = None if first is None else _team(problem, where[first][0])
    low = 0 if first is None else where[first][1][1] + problem.stops[first].service
    before = problem.previous.get(stop.id)
    found = []
    for day in problem.allowed[number]:
        slack, crew_day = routes[day], problem.days[day]
        room = NEVER if crew_day.capacity is None else crew_day.capacity - slack.load
        if not slack.is_possible or stop.load > room or (team is not None and _team(problem, day) != team):
            continue
        key = (problem.crews[crew_day.crew].id, crew_day.shift)
        extra = o.moved if before is not None and tuple(before) != key else 0
        extra += waiting_cost(stop, crew_day)
        for node, (a, b) in enumerate(pairwise(slack.places)):
            ready = min(slack.after_drive(slack.leave0[node], slack.leave1[node], into[a]))
            start = next_start(windows, max(ready, low))
            last = max(slack.late0[node + 1], slack.late1[node + 1]) - out_of[b] - stop.service
            if start <= last:
                gone = problem.rows[a][b] if slack.order else 0
                price = (o.drive + o.paid) * (into[a] + out_of[b] - gone) + extra
                found.append(_Gap(day, node, price, start, last))
    return found


def _starts(gaps: Sequence[Sequence[_Gap]]) -> list[int]:
    """Starts at which every stop has a gap, the cheapest together first; the earliest of equals first."""
    starts = np.unique([gap.first for some in gaps for gap in some])
    starts = starts[:: 1 + len(starts) * sum(map(len, gaps)) // MOST_CELLS]
    total = np.zeros(len(starts), dtype=np.int64)
    for some in gaps:
        first, last, price = (np.array([getattr(gap, name) for gap in some]) for name in ("first", "last", "price"))
        for block in range(0, len(starts), 256):
            at = starts[block : block + 256, None]
            total[block : block + 256] += np.where((first <= at) & (at <= last), price, DEAR).min(axis=1)
    order = np.argsort(total, kind="stable")
    return [int(starts[place]) for place in order if total[place] < DEAR]


def _at(
    problem: Problem, routes: Sequence[Slack], meeting: Sequence[int], gaps: Sequence[Sequence[_Gap]], start: int
) -> _Choice | None:
    """The cheapest way to begin the meeting then, each stop with a team of its own."""
    fitting = []
    for number, some in zip(meeting, gaps, strict=True):
        stop = problem.stops[number]
        if not any(a <= start <= b for a, b in open_spans(stop)):
            return None
        into, out_of = problem.travel[:, stop.at].tolist(), problem.rows[stop.at]
        open_ones = sorted((gap for gap in some if gap.first <= start <= gap.last), key=lambda gap: gap.price)
        teams: dict[Id, _Gap] = {}  # the cheapest gap of each
        for gap in open_ones:
            team = _team(problem, gap.day)
            if team not in teams and (
                start_in(routes[gap.day], gap.node, into, out_of, (start, start), stop) is not None
            ):
                teams[team] = gap
            if len(teams) == max(CHOICES, len(meeting)):
                break
        fitting.append([(gap, team) for team, gap in teams.items()])
    chosen = _shared_out(fitting)
    return None if chosen is None else _Choice(start, chosen)


def _shared_out(fitting: Sequence[Sequence[tuple[_Gap, Id]]]) -> tuple[_Gap, ...] | None:
    """
    The cheapest choice of one gap of each, no team twice; None when there is none, or none was found soon.

    Every part of a choice is worth its price and the least of what is still to choose,
    and the one worth least is gone on with (A*): a meeting of many need not be tried in all
    its ways, of which there are six to the power of how many come.
    """
    if not all(fitting) or len({team for some in fitting for _, team in some}) < len(fitting):
        return None
    least = sum(some[0][0].price for some in fitting)  # each is sorted by price
    waiting: list[tuple[int, tuple[int, ...]]] = [(least, ())]
    for _ in range(MOST_TRIED):
        if not waiting:
            return None
        worth, taken = heappop(waiting)
        if len(taken) == len(fitting):
            return tuple(some[place][0] for some, place in zip(fitting, taken, strict=True))
        teams = {some[place][1] for some, place in zip(fitting, taken, strict=False)}
        some = fitting[len(taken)]
        for place, (gap, team) in enumerate(some):
            if team not in teams:
                heappush(waiting, (worth + gap.price - some[0][0].price, (*taken, place)))
    return None


def _team(problem: Problem, day: int) -> Id:
    return problem.crews[problem.days[day].crew].people_of
