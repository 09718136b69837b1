"""
PyVRP on our problems: a referee of our plans, in benchmarks and tests.

One client per window of a stop (at most one of them is served), one vehicle type per kind
of crew-day, skills and locks as load dimensions. It knows no lunch, no price of moving a
stop, of its waiting or of coming late, and no stops that hang together. Whole numbers throughout.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyvrp
from pyvrp.IteratedLocalSearch import IteratedLocalSearchCallbacks, IteratedLocalSearchParams

from jobs.rules.routing.arrays import Arrays, arrays_of
from jobs.rules.routing.model import Problem

Orders = dict[int, list[int]]


def plan_with_pyvrp(problem: Problem, seconds: float, tell: Callable[[Orders], object], seed: int = 0) -> None:
    """
    Runs PyVRP from its own random plan for `seconds` of wall time; `tell` gets every better plan's orders.

    On a plain problem it asks for all stops: a required stop that can't be placed would leave it with no
    legal plan at all.
    """
    deadline = time.monotonic() + seconds
    model = _model(problem)

    class Callbacks(IteratedLocalSearchCallbacks):
        def on_best(self, best: Any) -> None:
            if best.is_feasible():
                tell(model.orders(best))

    result = pyvrp.solve(
        model.data,
        stop=lambda best: time.monotonic() >= deadline,
        seed=seed,
        collect_stats=False,
        params=pyvrp.SolveParams(ils=IteratedLocalSearchParams(callbacks=Callbacks())),
    )
    if result.best.is_feasible():
        tell(model.orders(result.best))


@dataclass(frozen=True, slots=True)
class _Model:
    data: Any
    stop_of: list[int]  # stop number per client
    days_of: list[list[int]]  # crew-day numbers per vehicle type

    def orders(self, solution: Any) -> Orders:
        free = [list(numbers) for numbers in self.days_of]
        orders: Orders = {}
        for route in solution.routes():
            stops = [self.stop_of[activity.idx] for activity in route if activity.is_client()]
            if stops:
                orders[free[route.vehicle_type()].pop(0)] = stops
        return orders


def _crew_sets(problem: Problem) -> dict[frozenset[int], int]:
    """Numbers the different sets of crews that may do a stop; the set of all crews is not among them."""
    sets: dict[frozenset[int], int] = {}
    for numbers in problem.allowed:
        crews = frozenset(problem.days[number].crew for number in numbers)
        if len(crews) < len(problem.crews):
            sets.setdefault(crews, len(sets))
    return sets


def _model(problem: Problem) -> _Model:
    arrays, sets = arrays_of(problem), _crew_sets(problem)
    is_loaded = any(day.capacity is not None for day in problem.days)
    is_complete = bool(arrays.allowed.all()) and all(len(windows) == 1 for windows in problem.windows)
    prize = _prize(problem)
    locations = [pyvrp.Location(0, 0) for _ in range(len(arrays.travel))]
    clients: list[object] = []
    groups: list[object] = []
    stop_of: list[int] = []
    for number, stop in enumerate(problem.stops):
        spans = _spans(problem, number)
        group = len(groups) if len(spans) > 1 else None
        members = []
        for begin, end in spans:
            members.append(len(clients))
            stop_of.append(number)
            clients.append(
                pyvrp.Client(
                    location=number,
                    delivery=_load(problem, number, sets, is_loaded),
                    service_duration=stop.service,
                    tw_early=begin,
                    tw_late=end,
                    prize=0 if is_complete else prize * max(1, stop.priority),
                    required=is_complete and group is None,
                    group=group,
                )
            )
        if group is not None:
            groups.append(pyvrp.ClientGroup(members, required=is_complete))
    kinds, types, depots = _vehicles(problem, arrays.kind, sets, is_loaded, arrays)
    data = pyvrp.ProblemData(locations, clients, depots, types, [arrays.travel], [arrays.travel], groups)
    return _Model(data, stop_of, kinds)


def _spans(problem: Problem, number: int) -> list[tuple[int, int]]:
    """The windows of a stop, cut to the shifts it may be done in."""
    days = [problem.days[day] for day in problem.allowed[number]]
    out = []
    for begin, end in problem.windows[number]:
        meets = [day for day in days if begin <= day.limit and end >= day.begin]
        if meets:
            first = max(begin, min(day.begin for day in meets))
            last = min(end, max(day.limit for day in meets))
            out.append((first, last))
    return out


def _load(problem: Problem, number: int, sets: Mapping[frozenset[int], int], is_loaded: bool) -> list[int]:
    load = [problem.stops[number].load] if is_loaded else []
    crews = frozenset(problem.days[day].crew for day in problem.allowed[number])
    return load + [100 if sets.get(crews) == place else 0 for place in range(len(sets))]


def _vehicles(
    problem: Problem, kind: np.ndarray, sets: Mapping[frozenset[int], int], is_loaded: bool, arrays: Arrays
) -> tuple[list[list[int]], list[object], list[object]]:
    bases = sorted({int(base) for base in (*arrays.start_at, *arrays.end_at)})
    depots = [pyvrp.Depot(base) for base in bases]
    kinds: dict[tuple[int, int], list[int]] = {}
    for number, day in enumerate(problem.days):
        if day.shift not in problem.crews[day.crew].off:
            kinds.setdefault((int(kind[number]), -1 if not sets else day.crew), []).append(number)
    types = []
    for numbers in kinds.values():
        day = problem.days[numbers[0]]
        room = [10**9 if day.capacity is None else day.capacity] if is_loaded else []
        room += [10**6 if day.crew in crews else 0 for crews in sets]
        types.append(
            pyvrp.VehicleType(
                num_available=len(numbers),
                capacity=room,
                start_depot=bases.index(int(arrays.start_at[numbers[0]])),
                end_depot=bases.index(int(arrays.end_at[numbers[0]])),
                tw_early=day.begin,
                tw_late=day.limit,
                unit_distance_cost=problem.objective.drive,
                unit_duration_cost=problem.objective.paid,
            )
        )
    return list(kinds.values()), types, depots


def _prize(problem: Problem) -> int:
    """More than any stop's detour can cost, and well below the solver's cap on penalties."""
    longest = int(problem.travel.max(initial=0))
    weight = problem.objective.drive + problem.objective.paid
    return int(min(max(1, 3 * longest * weight), 100_000))
