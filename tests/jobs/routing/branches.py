"""Small and random branches of our own, for the routing tests."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from importlib.util import find_spec
from typing import Any

import numpy as np

from jobs.rules.routing import Crew, Lunch, Objective, Plan, Problem, Progress, Stop, solve

HOUR = 3600


def line(
    *stops: Stop, crews: tuple[Crew, ...] | None = None, length: int = 20, step: int = 600, **more: Any
) -> Problem:
    """Places 0..length-1 on one street, `step` seconds apart; one crew based at place 0, 8:00 to 16:00."""
    at = np.arange(length)
    crews = crews or (Crew("c", 0, 0, ((8 * HOUR, 16 * HOUR),)),)
    return Problem(crews, tuple(stops), step * np.abs(at[:, None] - at[None, :]), **more)


def solve_until(is_enough: Callable[[Plan], bool], problem: Problem, seed: int = 0, seconds: float = 20) -> Plan:
    """
    `solve`, ended by the first plan that is good enough: quick where the machine is, and patient where it is not.

    The search is compiled before its time begins: on a busy machine that alone takes longer.
    """
    compile_once()
    found: list[bool] = []

    def told(progress: Progress) -> None:
        if is_enough(progress.plan):
            found.append(True)

    return solve(problem, seconds, seed, progress=told, should_stop=lambda: bool(found))


@cache
def compile_once() -> None:
    """Some seconds where nobody has compiled the search yet."""
    if find_spec("numba") is not None:
        from jobs.rules.routing.search import compile_all

        compile_all()


def random_branch(seed: int, stops: int | None = None) -> Problem:
    """Any mix of what a problem can ask for; many can't be done in full."""
    pick = random.Random(seed)
    count = stops or pick.randint(0, 14)
    places = count + 4
    at = np.array([[pick.randint(0, 60), pick.randint(0, 60)] for _ in range(places)], dtype=float)
    travel = np.rint(60 * np.hypot(*(at[:, None, :] - at[None, :, :]).transpose(2, 0, 1))).astype(int)
    if pick.random() < 0.3:  # one-way streets
        travel += np.array([[pick.randint(0, 300) for _ in range(places)] for _ in range(places)])
        np.fill_diagonal(travel, 0)
    days = pick.randint(1, 3)
    crews = tuple(_crew(pick, number, days) for number in range(pick.randint(1, 4)))
    jobs = tuple(_stop(pick, number, days, crews) for number in range(count))
    shifts = [(crew.id, shift) for crew in crews for shift in range(len(crew.shifts))]
    previous = {job.id: pick.choice(shifts) for job in jobs if shifts and pick.random() < 0.3}
    objective = pick.choice([
        Objective(),
        Objective(drive=2, paid=1, overtime=3, moved=500),
        Objective(drive=1, moved=1000),
        Objective(drive=1, late=5, grace=1800),
    ])  # fmt: skip
    return Problem(crews, jobs, travel, objective, previous)


def linked_branch(seed: int) -> Problem:
    """A random branch, some of its stops hanging together."""
    pick = random.Random(seed)
    problem = random_branch(seed, pick.randint(4, 12))
    stops = list(problem.stops)
    numbers = list(range(len(stops)))
    pick.shuffle(numbers)
    for _ in range(pick.randint(1, 2)):
        one, two = numbers.pop(), numbers.pop()
        if pick.random() < 0.5:
            stops[one] = replace(stops[one], meets=stops[two].id)
            if pick.random() < 0.7:  # as the two halves of one job are
                stops[one] = replace(
                    stops[one], at=stops[two].at, windows=stops[two].windows, promised=stops[two].promised, earliest=0
                )
        else:
            stops[one] = replace(stops[one], follows=stops[two].id)
    return replace(problem, stops=tuple(stops))


def meeting(seed: int) -> Problem:
    """A random branch with many meetings, most of its crews at lunch about noon."""
    pick = random.Random(seed)
    problem = random_branch(seed, pick.randint(8, 25))
    stops = list(problem.stops)
    numbers = list(range(len(stops)))
    pick.shuffle(numbers)
    for _ in range(pick.randint(2, 4)):
        one, two = numbers.pop(), numbers.pop()
        windows = pick.choice([stops[two].windows, (), stops[one].windows])
        both = {"windows": windows, "promised": None, "earliest": 0, "locked": None, "skills": frozenset()}
        stops[two] = replace(stops[two], **both)
        stops[one] = replace(stops[two], id=stops[one].id, meets=stops[two].id)
    lunch = Lunch(11 * HOUR, 13 * HOUR, 1800)
    crews = tuple(replace(c, people=2, lunch=lunch if pick.random() < 0.6 else c.lunch) for c in problem.crews)
    return replace(problem, crews=crews, stops=tuple(stops), previous={})


def _crew(pick: random.Random, number: int, days: int) -> Crew:
    shifts = tuple(
        (day * 24 * HOUR + pick.randint(6, 9) * HOUR, day * 24 * HOUR + pick.randint(14, 18) * HOUR)
        for day in range(days)
        if pick.random() < 0.9
    )
    lunch = Lunch(11 * HOUR, 13 * HOUR, pick.choice([1800, 2700])) if pick.random() < 0.4 else None
    return Crew(
        id=f"crew {number}",
        start=pick.randint(0, 3),
        end=pick.randint(0, 3),
        shifts=shifts,
        skills=frozenset(pick.sample(["measure", "install", "motor"], pick.randint(0, 3))),
        capacity=pick.choice([None, None, 10]),
        lunch=lunch,
        overtime=pick.choice([0, 0, HOUR]),
        people=pick.randint(1, 2),
    )


def _stop(pick: random.Random, number: int, days: int, crews: tuple[Crew, ...]) -> Stop:
    windows = []
    for _ in range(pick.choice([0, 1, 1, 2, 3])):
        begin = pick.randrange(days) * 24 * HOUR + pick.randint(6, 16) * HOUR
        windows.append((begin, begin + pick.choice([0, HOUR, 2 * HOUR, 4 * HOUR])))
    with_shifts = [crew for crew in crews if crew.shifts]
    locked = None
    if with_shifts and pick.random() < 0.1:
        crew = pick.choice(with_shifts)
        locked = (crew.id, pick.randrange(len(crew.shifts)))
    service = pick.randint(0, 7200)
    return Stop(
        id=number,
        at=4 + number,
        service=service,
        eats=service > 5000,
        windows=tuple(windows),
        skills=frozenset(pick.sample(["measure", "install", "motor"], pick.choice([0, 0, 1, 1, 2]))),
        load=pick.randint(0, 5),
        priority=pick.choice([1, 1, 1, 2, 5]),
        required=pick.random() < 0.1,
        locked=locked,
        promised=windows[0] if windows and pick.random() < 0.2 else None,
        earliest=pick.choice([0, 0, 0, 24 * HOUR]),
        people=pick.choice([1, 1, 1, 2]),
    )
