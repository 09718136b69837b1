"""The problem as arrays, for the numpy and compiled searches. Times in seconds, int64."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from jobs.rules.routing.model import CrewDay, Lunch, Problem, waiting_cost

FAR = np.int64(1) << 40
"""Later than any time, and still far from overflowing."""
NO_LUNCH: Final = Lunch(0, 0, 0)


@dataclass(frozen=True, eq=False)
class Arrays:
    """
    n stops, m crew-days, p places (stops first, then bases), w windows at most per stop.

    `travel` is (p, p) between those places; a stop's place is its own number. `open_lo`,
    `open_hi` are (n, w), unused windows (FAR, -1). `allowed` and `extra` are (n, m): may
    the crew-day take the stop, and what it costs beside driving. `lunch_*` is 0-length
    where a crew-day has none. `kind` numbers crew-days that are alike while empty.
    """

    travel: np.ndarray
    service: np.ndarray
    eats: np.ndarray
    open_lo: np.ndarray
    open_hi: np.ndarray
    load: np.ndarray
    priority: np.ndarray
    allowed: np.ndarray
    extra: np.ndarray
    promised_end: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    limit: np.ndarray
    start_at: np.ndarray
    end_at: np.ndarray
    capacity: np.ndarray
    lunch_lo: np.ndarray
    lunch_hi: np.ndarray
    lunch_len: np.ndarray
    kind: np.ndarray


def part_of(arrays: Arrays, stops: np.ndarray, days: np.ndarray) -> Arrays:
    """The problem of these stops and crew-days (numbers, ascending) alone; bases stay."""
    total = len(arrays.service)
    places = np.concatenate([stops, np.arange(total, len(arrays.travel))])
    shift = total - len(stops)
    by_stop = ("service", "eats", "open_lo", "open_hi", "load", "priority", "promised_end")
    by_day = ("begin", "end", "limit", "capacity", "lunch_lo", "lunch_hi", "lunch_len")
    return Arrays(
        travel=arrays.travel[np.ix_(places, places)],
        allowed=arrays.allowed[np.ix_(stops, days)],
        extra=arrays.extra[np.ix_(stops, days)],
        start_at=arrays.start_at[days] - shift,
        end_at=arrays.end_at[days] - shift,
        kind=np.unique(arrays.kind[days], return_inverse=True)[1],
        **{name: getattr(arrays, name)[stops] for name in by_stop},
        **{name: getattr(arrays, name)[days] for name in by_day},
    )


def arrays_of(problem: Problem) -> Arrays:
    """Everything the searches read, made once."""
    stops, days = problem.stops, problem.days
    bases = sorted({d.start_at for d in days} | {d.end_at for d in days})
    place_of_base = {base: len(stops) + number for number, base in enumerate(bases)}
    places = np.array([*(stop.at for stop in stops), *bases], dtype=np.int64)
    open_lo, open_hi = _edges(problem)
    return Arrays(
        travel=problem.travel[np.ix_(places, places)] if len(places) else np.zeros((0, 0), np.int64),
        service=_ints(stop.service for stop in stops),
        eats=_ints(stop.eats for stop in stops),
        open_lo=open_lo,
        open_hi=open_hi,
        load=_ints(stop.load for stop in stops),
        priority=_ints(_weights(problem)),
        allowed=_allowed(problem, open_lo, open_hi),
        extra=_extra(problem),
        promised_end=_ints(int(FAR) if s.promised is None else s.promised[1] for s in stops),
        begin=_ints(day.begin for day in days),
        end=_ints(day.end for day in days),
        limit=_ints(day.limit for day in days),
        start_at=_ints(place_of_base[day.start_at] for day in days),
        end_at=_ints(place_of_base[day.end_at] for day in days),
        capacity=_ints(int(FAR) if day.capacity is None else day.capacity for day in days),
        kind=_kinds(problem, days),
        **_lunches(days),
    )


def _lunches(days: Sequence[CrewDay]) -> dict[str, np.ndarray]:
    lunches = [day.lunch or NO_LUNCH for day in days]
    return {
        "lunch_lo": _ints(lunch.earliest for lunch in lunches),
        "lunch_hi": _ints(lunch.latest for lunch in lunches),
        "lunch_len": _ints(lunch.duration for lunch in lunches),
    }


LONG: Final = 15
"""Stops of a route from which on routes count as long."""


def has_long_routes(orders: Mapping[int, Sequence[int]]) -> bool:
    """Whether the average route that has stops has many: wide windows, small loads."""
    used = [len(order) for order in orders.values() if order]
    return sum(used) > LONG * len(used)


def _ints(values: Iterable[int]) -> np.ndarray:
    return np.array(list(values), dtype=np.int64)


def _edges(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Begins and ends of every stop's windows, shape (stops, most windows of one stop); what is over never opens."""
    windows = problem.windows
    shape = (len(problem.stops), max([1, *(len(spans) for spans in windows)]))
    open_lo = np.full(shape, FAR, dtype=np.int64)
    open_hi = np.full(shape, -1, dtype=np.int64)
    for number, spans in enumerate(windows):
        for place, (begin, end) in enumerate(spans):
            open_lo[number, place], open_hi[number, place] = begin, end
    return open_lo, open_hi


def _weights(problem: Problem) -> list[int]:
    """Priorities as the search counts them: a required stop outweighs all that are not."""
    total = sum(stop.priority for stop in problem.stops)
    return [stop.priority + (total + 1 if stop.required else 0) for stop in problem.stops]


def _allowed(problem: Problem, open_lo: np.ndarray, open_hi: np.ndarray) -> np.ndarray:
    days = problem.days
    allowed = np.zeros((len(problem.stops), len(days)), dtype=np.bool_)
    for number, numbers in enumerate(problem.allowed):
        allowed[number, list(numbers)] = True
    for number, day in enumerate(days):
        meets = ((open_lo <= day.limit) & (open_hi >= day.begin)).any(axis=1)
        allowed[:, number] &= meets
    return allowed


def _extra(problem: Problem) -> np.ndarray:
    extra = _moved(problem)
    for number, stop in enumerate(problem.stops):
        if stop.wait or stop.overdue:
            extra[number] += _ints(waiting_cost(stop, day) for day in problem.days)
    return extra


def _moved(problem: Problem) -> np.ndarray:
    extra = np.zeros((len(problem.stops), len(problem.days)), dtype=np.int64)
    if problem.objective.moved and problem.previous:
        for stop, where in problem.previous.items():
            if stop in problem.stop_number:
                row = problem.stop_number[stop]
                extra[row, :] = problem.objective.moved
                if tuple(where) in problem.day_number:
                    extra[row, problem.day_number[where[0], where[1]]] = 0
    return extra


def _kinds(problem: Problem, days: tuple[CrewDay, ...]) -> np.ndarray:
    locked = {stop.locked for stop in problem.stops if stop.locked} | set(map(tuple, problem.previous.values()))
    kinds: dict[object, int] = {}
    out = []
    for day in days:
        crew = problem.crews[day.crew]
        own = (crew.id, day.shift) if (crew.id, day.shift) in locked else None
        key = (
            day.begin, day.end, day.limit, day.start_at, day.end_at, day.capacity, day.lunch,
            crew.skills, crew.people, own,
        )  # fmt: skip
        out.append(kinds.setdefault(key, len(kinds)))
    return np.array(out, dtype=np.int64)
