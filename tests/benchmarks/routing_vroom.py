"""
VROOM (the package pyvroom) on our problems: a referee of our plans, in benchmarks and tests.

It knows skills, several windows a stop, priorities and lunch by itself; waiting is free to
it. A lock, or a set of able crews, becomes a skill of the crew-days that have it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any, Final

import numpy as np
import vroom

from jobs.rules.routing.arrays import arrays_of
from jobs.rules.routing.model import Problem

Orders = dict[int, list[int]]

MOST_PRIORITY: Final = 100
LEVELS: Final = (0, 2, 4)
"""Exploration levels, each from scratch: quick and rough first."""


def build_with_vroom(
    problem: Problem, seconds: float, tell: Callable[[Orders], object], levels: tuple[int, ...] = LEVELS
) -> None:
    """Builds plans at rising effort, as many levels as there is time for; `tell` gets each."""
    began = time.monotonic()
    for level in levels:
        left = seconds - (time.monotonic() - began)
        if left <= 0:
            return
        solution = _input(problem).solve(exploration_level=level, nb_threads=1, timeout=timedelta(seconds=left))
        tell(_orders(solution))


def _input(problem: Problem) -> Any:
    arrays = arrays_of(problem)
    request = vroom.Input()
    request.set_durations_matrix("car", arrays.travel.astype(np.uint32))
    sets: dict[tuple[int, ...], int] = {}
    for numbers in problem.allowed:
        if len(numbers) < len(problem.days):
            sets.setdefault(numbers, len(sets))
    skills: list[set[int]] = [set() for _ in problem.days]
    for numbers, skill in sets.items():
        for number in numbers:
            skills[number].add(skill)
    for number, day in enumerate(problem.days):
        if day.shift not in problem.crews[day.crew].off:
            request.add_vehicle(_vehicle(problem, arrays, number, skills[number]))
    most = max((stop.priority for stop in problem.stops), default=1)
    for number in range(len(problem.stops)):
        if problem.allowed[number] and problem.windows[number]:
            request.add_job(_job(problem, number, sets, most))
    return request


def _vehicle(problem: Problem, arrays: Any, number: int, skills: set[int]) -> Any:
    day = problem.days[number]
    breaks = []
    if day.lunch is not None:
        span = vroom.TimeWindow(day.lunch.earliest, day.lunch.latest)
        breaks.append(vroom.Break(id=0, time_windows=[span], service=day.lunch.duration))
    return vroom.Vehicle(
        id=number,
        start=int(arrays.start_at[number]),
        end=int(arrays.end_at[number]),
        capacity=[min(10**9 if day.capacity is None else day.capacity, 10**9)],
        skills=skills,
        time_window=vroom.TimeWindow(day.begin, day.limit),
        breaks=breaks,
    )


def _job(problem: Problem, number: int, sets: dict[tuple[int, ...], int], most: int) -> Any:
    stop = problem.stops[number]
    skill = sets.get(problem.allowed[number])
    weight = MOST_PRIORITY if stop.required else round((MOST_PRIORITY - 1) * stop.priority / max(1, most))
    return vroom.Job(
        id=number,
        location=number,
        default_service=stop.service,
        delivery=[stop.load],
        skills=set() if skill is None else {skill},
        priority=weight,
        time_windows=[vroom.TimeWindow(begin, min(end, 2 * 10**9)) for begin, end in problem.windows[number]],
    )


def _orders(solution: Any) -> Orders:
    routes = solution.routes
    orders: Orders = {}
    for vehicle, kind, job in zip(routes["vehicle_id"], routes["type"], routes["id"], strict=True):
        if kind == "job":
            orders.setdefault(int(vehicle), []).append(int(job))
    return orders
