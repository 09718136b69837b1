"""
Routing instances: our own, made from a seed, and the published ones, read from a folder.

Our branches plant a plan, so all of their stops are known to fit. The published
instances stay where they are; their convention is that of the 12th DIMACS challenge
(drives of floor(10 x distance), times x 10, total distance alone counts).
"""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import numpy as np

from jobs.rules.routing import Crew, Problem, Stop

DAY = 86_400
SKILLS = ("measure", "install")


def make_branch(seed: int, jobs: int = 200, crews: int = 10, days: int = 5, tight: float = 1.0) -> Problem:
    """
    A branch of measure visits and installations with a planted plan behind it.

    Crews work 8:00 to 18:00 from home or the depot; a planted day is filled until its
    stops and drives take up about `tight` of what is planned evenly; every window holds
    the planted start, and other windows on other days are added to most of them.
    """
    pick = random.Random(seed)
    side = 30_000
    at = [(pick.uniform(0, side), pick.uniform(0, side)) for _ in range(jobs)]
    depot = (side / 2, side / 2)
    bases = [depot if pick.random() < 0.5 else (pick.uniform(0, side), pick.uniform(0, side)) for _ in range(crews)]
    measuring = max(1, round(0.4 * crews))
    places = np.array([*at, *bases])
    metres = 1.3 * np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    travel = np.where(metres == 0, 0, np.rint(metres / 9.2) + 120).astype(np.int64)
    planted = _plant(pick, travel, jobs, crews, days, measuring, tight)
    team = tuple(
        Crew(
            id=f"crew {c}",
            start=jobs + c,
            end=jobs + c,
            shifts=tuple((d * DAY + 8 * 3600, d * DAY + 18 * 3600) for d in range(days)),
            skills=frozenset([SKILLS[c >= measuring]]),
        )
        for c in range(crews)
    )
    stops = tuple(_branch_stop(pick, job, planted[job], days) for job in sorted(planted))
    return Problem(team, stops, travel)


def _plant(
    pick: random.Random, travel: np.ndarray, jobs: int, crews: int, days: int, measuring: int, tight: float
) -> dict[int, tuple[int, int, int, int]]:
    """{job: (crew, day, start, service)}: jobs dealt out by turns, driven in the order they came."""
    where = {(c, d): [jobs + c, d * DAY + 8 * 3600] for c in range(crews) for d in range(days)}
    planted = {}
    turns = [(c, d) for d in range(days) for c in range(crews)]
    job = 0
    while job < jobs and turns:
        for crew, day in list(turns):
            if job >= jobs:
                break
            is_measure = crew < measuring
            service = pick.choice([1800, 2100, 2400, 2700]) if is_measure else pick.choice([5400, 7200, 9000, 10800])
            place, clock = where[crew, day]
            start = clock + int(travel[place, job]) + pick.choice([0, 0, 300, 900])
            if start + service + int(travel[job, jobs + crew]) > day * DAY + (8 + 10 * tight) * 3600:
                turns.remove((crew, day))
                continue
            planted[job] = (crew, day, start, service)
            where[crew, day] = [job, start + service]
            job += 1
    return planted


def _branch_stop(pick: random.Random, job: int, planted: tuple[int, int, int, int], days: int) -> Stop:
    crew, day, start, service = planted
    skill = frozenset([SKILLS[service > 3000]])
    if pick.random() < 0.2:
        windows: tuple[tuple[int, int], ...] = ()
    else:
        opens = start - pick.randint(0, 10_800)
        windows = ((max(day * DAY + 8 * 3600, opens), max(start, opens + pick.choice([7200, 10_800, 14_400]))),)
        for other in pick.sample(range(days), min(days, pick.choice([0, 1, 2]))):
            if other != day:
                begin = other * DAY + pick.choice([8, 10, 12, 14]) * 3600
                windows += ((begin, begin + pick.choice([7200, 10_800, 14_400])),)
    locked = (f"crew {crew}", day) if pick.random() < 0.12 else None
    return Stop(job, job, service, tuple(sorted(windows)), skill, priority=pick.choice([1, 1, 1, 2]), locked=locked)


def make_academic(seed: int, customers: int, kind: str) -> Problem:
    """
    A vehicle-routing instance with time windows, of the kinds the literature has.

    `kind` is r, c or rc (scattered, clustered, both) and 1 or 2 (short days and small
    loads, long days and large ones); times and drives are in tenths.
    """
    pick = random.Random(seed)
    place, long = kind[:-1], kind[-1] == "2"
    clusters = [(pick.uniform(10, 90), pick.uniform(10, 90)) for _ in range(max(5, customers // 10))]
    at = [(50.0, 50.0)]
    for number in range(customers):
        in_cluster = place == "c" or (place == "rc" and number % 2 == 0)
        x, y = pick.choice(clusters) if in_cluster else (pick.uniform(0, 100), pick.uniform(0, 100))
        at.append((x + pick.gauss(0, 3), y + pick.gauss(0, 3)) if in_cluster else (x, y))
    points = np.rint(np.array(at))
    travel = np.floor(10 * np.hypot(*(points[:, None, :] - points[None, :, :]).transpose(2, 0, 1))).astype(np.int64)
    service = 900 if place == "c" else 100
    horizon = {("c", False): 12_000, ("c", True): 34_000}.get((place, long), 10_000 if long else 2_400)
    density, width = pick.choice([1.0, 0.75, 0.5]), pick.choice([0.05, 0.12, 0.25]) * horizon
    stops = []
    for number in range(1, customers + 1):
        low, high = int(travel[0, number]), horizon - int(travel[number, 0]) - service
        window = (low, high)
        if pick.random() < density:
            middle = pick.uniform(low, high)
            window = (max(low, int(middle - width / 2)), min(high, int(middle + width / 2)))
        stops.append(Stop(number, number, service, (window,), load=pick.randint(1, 41)))
    fleet = max(25, customers // 4)
    crews = tuple(Crew(k, 0, 0, ((0, horizon),), capacity=1000 if long else 200) for k in range(fleet))
    return Problem(crews, tuple(stops), travel)


# -- published ones, in a folder outside the project -----------------------------


def read_academic(path: Path) -> Problem:
    """A file in the usual text form: fleet and capacity, then a row per node, the depot first."""
    rows = [line.split() for line in path.read_text().splitlines()]
    numbers = [[int(float(word)) for word in row] for row in rows if row and all(_is_number(word) for word in row)]
    (fleet, capacity), depot, *nodes = numbers
    points = np.array([[row[1], row[2]] for row in (depot, *nodes)], dtype=float)
    squares = ((points[:, None, :] - points[None, :, :]) ** 2).sum(axis=2)
    stops = tuple(
        Stop(row[0], place, 10 * row[6], ((10 * row[4], 10 * row[5]),), load=row[3])
        for place, row in enumerate(nodes, start=1)
    )
    crews = tuple(Crew(k, 0, 0, ((10 * depot[4], 10 * depot[5]),), capacity=capacity) for k in range(fleet))
    return Problem(crews, stops, np.floor(np.sqrt(100 * squares)).astype(np.int64))


def _is_number(word: str) -> bool:
    return word.replace(".", "", 1).lstrip("-").isdigit()


def read_solution(path: Path) -> tuple[int, list[list[int]]]:
    """Cost in tenths and the routes of a solution file."""
    routes, cost = [], 0
    for line in path.read_text().splitlines():
        if line.startswith("Route"):
            routes.append([int(word) for word in line.split(":")[1].split()])
        elif line.lower().startswith("cost"):
            cost = round(10 * float(line.split()[1]))
    return cost, routes


def read_best_known(folder: Path) -> dict[str, int]:
    """Best known costs in tenths, from the table in the folder's README."""
    best = {}
    for line in (folder / "README.md").read_text().splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) >= 5 and cells[1].isdigit() and _is_number(cells[4]):
            best[cells[0]] = round(10 * float(cells[4]))
    return best


def read_branch(path: Path) -> tuple[Problem, dict[str, Any]]:
    """A branch file of the folder, and the document itself (it holds a planted plan and the best found)."""
    document = json.loads(path.read_text())
    points: dict[tuple[int, int], int] = {}

    def place(point: list[int]) -> int:
        return points.setdefault((point[0], point[1]), len(points))

    stops = [place(job["xy"]) for job in document["jobs"]]
    bases = [place(c["home"] if c["starts_at"] == "home" else document["depot"]) for c in document["crews"]]
    at = np.array(list(points), dtype=float)
    metres = np.rint(1.3 * np.hypot(*(at[:, None, :] - at[None, :, :]).transpose(2, 0, 1)))
    travel = np.where(metres == 0, 0, np.rint(metres / 9.2) + 120).astype(np.int64)
    begin, end = document["shift_s"]
    shifts = tuple((day * DAY + begin, day * DAY + end) for day in range(document["days"]))
    crews = tuple(
        Crew(c["id"], base, base, shifts, frozenset(c["skills"]))
        for c, base in zip(document["crews"], bases, strict=True)
    )
    jobs = tuple(
        Stop(
            id=job["id"],
            at=at_row,
            service=job["service_s"],
            windows=tuple((a, b) for a, b in job["windows"]),
            skills=frozenset([job["skill"]]),
            priority=job["priority"],
            locked=_lock(job["locked_to"]),
        )
        for job, at_row in zip(document["jobs"], stops, strict=True)
    )
    return Problem(crews, jobs, travel), document


def _lock(locked: Any) -> tuple[int, int] | None:
    if locked is None:
        return None
    return (locked["crew"], locked["day"]) if isinstance(locked, dict) else (locked[0], locked[1])
