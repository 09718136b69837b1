"""
The JSON forms of a problem and a plan, as `manage.py route` and the solver process speak them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, Final

import numpy as np

from jobs.rules.routing.model import (
    LARGEST_TIME,
    Crew,
    Id,
    Lunch,
    Objective,
    Plan,
    Problem,
    ProblemError,
    Route,
    Span,
    Stop,
    Unplaced,
)  # fmt: skip
from jobs.rules.routing.reasons import Reason
from jobs.rules.routing.timing import plan_of
from jobs.rules.routing.verify import Fault, PlanBroken, check
from jobs.rules.travel import travel_table
from shared.contracts import ContractError, Reader

LARGEST_DOCUMENT: Final = 32 * 1024 * 1024
MOST_PLACES: Final = 3_000
MOST_STOPS: Final = 2_500
MOST_CREWS: Final = 500
MOST_CREW_DAYS: Final = 2_000
MOST_WINDOWS: Final = 60
"""Of one stop."""
MOST_SECONDS: Final = 86_400


@dataclass(frozen=True, slots=True)
class Request:
    """A document as read: the problem, stop ids of the previous plan in order, budget and seed."""

    problem: Problem
    previous: dict[tuple[Id, int], tuple[Id, ...]]
    seconds: float
    seed: int


class _Places:
    """Numbers the places of a document: rows of its matrix, or its own points."""

    def __init__(self, is_matrix: bool, is_road: bool) -> None:
        self.is_matrix, self.is_road = is_matrix, is_road
        self.points: dict[tuple[Fraction, Fraction], int] = {}

    def read(self, reader: Reader, name: str) -> int:
        if self.is_matrix:
            return int(reader.integer(name, most=LARGEST_TIME))
        point = reader.raw(name)
        bound = "[longitude, latitude]" if self.is_road else "[x, y]"
        if not isinstance(point, list) or len(point) != 2:
            reader.refuse(name, "a place is two numbers with this travel", bound)
        limits = (180, 90) if self.is_road else (10**9, 10**9)
        pair = Reader({"[0]": point[0], "[1]": point[1]}, reader.at(name))
        x, y = (_coordinate(pair, f"[{i}]", reader.at(name), limit) for i, limit in enumerate(limits))
        return self.points.setdefault((x, y), len(self.points))


def _coordinate(pair: Reader, name: str, at: str, limit: int) -> Fraction:
    try:
        return Fraction(pair.number(name, least=-limit, most=limit))
    except ContractError as error:
        raise ContractError(at + name, error.problem, error.bound) from None


def read_request(text: str | bytes) -> Request:
    """
    Reads a planning document.

    Raises
    ------
    ContractError
        When it can't be used, naming the field.
    """
    document = Reader.parse(text, most=LARGEST_DOCUMENT)
    document.string("unit", "s", choices=("s",))
    travel = document.object("travel")
    places, table = _travel(travel)
    crews = tuple(_crew(reader, places) for reader in document.objects("crews", most=MOST_CREWS))
    stops = tuple(_stop(reader, places) for reader in document.objects("stops", most=MOST_STOPS))
    if (days := sum(len(crew.shifts) for crew in crews)) > MOST_CREW_DAYS:
        document.refuse("crews", f"{days} shifts in all", f"at most {MOST_CREW_DAYS}")
    if len(places.points) > MOST_PLACES:
        document.refuse("stops", f"{len(places.points)} different places", f"at most {MOST_PLACES}")
    previous = _previous(document)
    objective = _objective(document.object("objective", None))
    seconds = float(document.number("seconds", Fraction(10), above=0, most=MOST_SECONDS))
    seed = document.integer("seed", 0, most=2**31 - 1)
    document.done()
    where = {stop: key for key, ids in previous.items() for stop in ids}
    try:
        problem = Problem(crews, stops, table(places), objective, where)
    except ProblemError as error:
        raise ContractError(error.field, error.problem, error.bound) from None
    return Request(problem, previous, seconds, seed)


def _travel(travel: Reader) -> tuple[_Places, Callable[[_Places], np.ndarray]]:
    if travel.has("matrix"):
        matrix = _matrix(travel)
        travel.done()
        return _Places(True, False), lambda places: matrix
    metric = travel.string("metric", choices=("euclidean", "dimacs", "road"))
    scale = Fraction(1)
    if metric == "euclidean":
        scale = travel.number("scale", Fraction(1), above=0, most=10**6)
    travel.done()
    if metric == "road":
        return _Places(False, True), lambda places: travel_table([(float(x), float(y)) for x, y in places.points])
    return _Places(False, False), lambda places: _plane_table(places, float(scale), metric == "dimacs")


def _plane_table(places: _Places, scale: float, is_dimacs: bool) -> np.ndarray:
    """round(scale x distance), or floor(10 x distance) for the benchmark convention."""
    at = np.array([[float(x), float(y)] for x, y in places.points], dtype=float).reshape(-1, 2)
    distance = np.hypot(at[:, None, 0] - at[None, :, 0], at[:, None, 1] - at[None, :, 1])
    if is_dimacs:
        # sqrt of a whole number of squares is exact where it is whole; hypot need not be
        squares = ((at[:, None, :] - at[None, :, :]) ** 2).sum(axis=2)
        table = np.floor(np.sqrt(100 * squares))
    else:
        table = np.rint(scale * distance)
    if table.size and table.max() > LARGEST_TIME:
        raise ContractError("travel.scale", "a drive takes longer than any day", f"at most {LARGEST_TIME} seconds")
    return np.asarray(table.astype(np.int64))


def _matrix(travel: Reader) -> np.ndarray:
    rows = travel.raw("matrix")
    if not isinstance(rows, list) or not rows:
        travel.refuse("matrix", "not a list of rows", "[[..], ..]")
    if len(rows) > MOST_PLACES:
        travel.refuse("matrix", f"{len(rows)} rows", f"at most {MOST_PLACES}")
    for place, row in enumerate(rows):
        if not isinstance(row, list) or len(row) != len(rows):
            travel.refuse(f"matrix[{place}]", "not as long as the table is high", f"{len(rows)} whole numbers")
        if set(map(type, row)) - {int}:
            column = next(i for i, value in enumerate(row) if type(value) is not int)
            travel.refuse(f"matrix[{place}][{column}]", "not a whole number", f"0 to {LARGEST_TIME} seconds")
        low, high = min(row), max(row)
        if low < 0 or high > LARGEST_TIME:
            column = row.index(low if low < 0 else high)
            travel.refuse(f"matrix[{place}][{column}]", f"{row[column]} is out of bounds", f"0 to {LARGEST_TIME}")
        if row[place]:
            travel.refuse(f"matrix[{place}][{place}]", "a place is not 0 seconds from itself", "0")
    return np.array(rows, dtype=np.int64)


def _crew(reader: Reader, places: _Places) -> Crew:
    start = places.read(reader, "start")
    crew = Crew(
        id=_id(reader, "id"),
        start=start,
        end=places.read(reader, "end") if reader.has("end") else start,
        shifts=tuple(_spans(reader, "shifts")),
        skills=frozenset(reader.strings("skills", ())),
        capacity=reader.integer("capacity", None, most=LARGEST_TIME),
        lunch=_lunch(reader),
        overtime=_overtime(reader),
        people=reader.integer("people", 1, least=1, most=1000),
        off=frozenset(_numbers(reader, "off")),
        no_overtime=frozenset(_numbers(reader, "no_overtime")),
        team=_maybe_id(reader, "team"),
    )
    reader.raw("end", None)
    reader.done()
    return crew


def _numbers(reader: Reader, name: str) -> list[int]:
    value = reader.raw(name, [])
    if not isinstance(value, list) or any(type(entry) is not int for entry in value):
        reader.refuse(name, "not a list of whole numbers", "[0, ..]")
    return list(value)


def _lunch(reader: Reader) -> Lunch | None:
    lunch = reader.object("lunch", None)
    if lunch is None:
        return None
    begin = lunch.integer("from", most=LARGEST_TIME)
    end = lunch.integer("to", least=begin, most=LARGEST_TIME)
    duration = round(60 * lunch.number("minutes", most=1440))
    lunch.done()
    return Lunch(begin, end, duration)


def _overtime(reader: Reader) -> int:
    """Seconds over the shift's end: a whole number, or {"minutes": n}."""
    if isinstance(reader.raw("overtime", None), dict):
        inner = reader.object("overtime")
        seconds = 60 * inner.integer("minutes", most=10**6)
        inner.done()
        return int(seconds)
    return int(reader.integer("overtime", None, most=LARGEST_TIME) or 0)


def _stop(reader: Reader, places: _Places) -> Stop:
    locked = reader.object("locked", None)
    where = None
    if locked is not None:
        where = (_id(locked, "crew"), locked.integer("shift", most=LARGEST_TIME))
        locked.done()
    stop = Stop(
        id=_id(reader, "id"),
        at=places.read(reader, "at"),
        service=reader.integer("service", 0, most=LARGEST_TIME),
        windows=tuple(_spans(reader, "windows")),
        skills=frozenset(reader.strings("skills", ())),
        load=reader.integer("load", 0, most=LARGEST_TIME),
        priority=reader.integer("priority", 1, most=10**6),
        required=reader.boolean("required", False),
        locked=where,
        promised=_span(reader, "promised", reader.raw("promised", None)),
        earliest=reader.integer("earliest", 0, most=LARGEST_TIME),
        people=reader.integer("people", 1, least=1, most=1000),
        meets=_maybe_id(reader, "meets"),
        follows=_maybe_id(reader, "follows"),
    )
    reader.done()
    return stop


def _id(reader: Reader, name: str) -> Id:
    """An id as the document writes it: text or a whole number."""
    value = reader.raw(name)
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    if not isinstance(value, str) or not value or len(value) > 200:
        reader.refuse(name, "not an id", "text of 1 to 200 characters, or a whole number")
    return str(value)


def _maybe_id(reader: Reader, name: str) -> Id | None:
    return None if reader.raw(name, None) is None else _id(reader, name)


def _spans(reader: Reader, name: str) -> list[Span]:
    value = reader.raw(name, [])
    if not isinstance(value, list):
        reader.refuse(name, "not a list", "[[from, to], ..]")
    if name == "windows" and len(value) > MOST_WINDOWS:
        reader.refuse(name, f"{len(value)} windows", f"at most {MOST_WINDOWS}")
    out = []
    for place, entry in enumerate(value):
        span = _span(reader, f"{name}[{place}]", entry)
        if span is None:
            reader.refuse(f"{name}[{place}]", "null where a window belongs", "[from, to]")
        out.append(span)
    return [span for span in out if span is not None]


def _span(reader: Reader, name: str, value: Any) -> Span | None:
    if value is None:
        return None
    if not isinstance(value, list) or len(value) != 2 or any(type(end) is not int for end in value):
        reader.refuse(name, "not two whole numbers", "[from, to], in seconds")
    begin, end = value
    for place, bound in enumerate(value):
        if not 0 <= bound <= LARGEST_TIME:
            reader.refuse(f"{name}[{place}]", f"{bound} is out of bounds", f"0 to {LARGEST_TIME}")
    if begin > end:
        reader.refuse(name, f"ends at {end}, before it begins at {begin}", "from <= to")
    return (begin, end)


def _objective(reader: Reader | None) -> Objective:
    if reader is None:
        return Objective()
    usual = Objective()
    names = Objective.__dataclass_fields__
    values = {name: reader.integer(name, getattr(usual, name), most=LARGEST_TIME) for name in names}
    reader.done()
    return Objective(**values)


def _previous(document: Reader) -> dict[tuple[Id, int], tuple[Id, ...]]:
    """Routes as we write them; only who drives where is read."""
    out: dict[tuple[Id, int], tuple[Id, ...]] = {}
    for reader in document.objects("previous", None) or []:
        key = (_id(reader, "crew"), reader.integer("shift", most=LARGEST_TIME))
        if key in out:
            reader.refuse("shift", f"crew {key[0]} has two routes in shift {key[1]}", "one")
        out[key] = tuple(_id(entry, "id") for entry in reader.objects("stops"))
    return out


def plan_from(problem: Problem, document: Mapping[str, Any]) -> Plan:
    """
    The plan of an answer document; its times are worked out afresh.

    Raises
    ------
    PlanBroken
        When the routes can't be driven.
    """
    orders = {
        problem.day_number[route["crew"], route["shift"]]: [problem.stop_number[stop["id"]] for stop in route["stops"]]
        for route in document["routes"]
    }
    left = [entry for entry in document.get("unplaced", ()) if "reason" in entry]
    reasons = {entry["id"]: Reason.from_json(entry["reason"]) for entry in left}
    starts = {problem.stop_number[stop["id"]]: stop["start"] for route in document["routes"] for stop in route["stops"]}
    plan = plan_of(problem, orders, starts)
    if plan is None:
        raise PlanBroken((Fault("travel", "A route of the answer can't be driven."),))
    return check(problem, replace(plan, unplaced=tuple(Unplaced(u.id, reasons.get(u.id)) for u in plan.unplaced)))


# -- writing ------------------------------------------------------------------


def plan_document(
    plan: Plan, seconds: float, engines: Mapping[str, str] | None = None, bound: int | None = None
) -> dict[str, Any]:
    """The answer: routes with times, what is unplaced and why, travel and cost, what no plan can cost less than."""
    out: dict[str, Any] = {
        "routes": [_route(route) for route in plan.routes],
        "unplaced": [_unplaced(entry) for entry in plan.unplaced],
        "travel": plan.travel,
        "cost": plan.cost,
        "seconds": round(seconds, 3),
    }
    if bound is not None:
        out["bound"] = bound
    if engines:
        out["engines"] = dict(engines)
    return out


def _unplaced(entry: Unplaced) -> dict[str, Any]:
    out: dict[str, Any] = {"id": entry.id, "why": entry.why}
    return out if entry.reason is None else out | {"reason": entry.reason.to_json()}


def _route(route: Route) -> dict[str, Any]:
    out: dict[str, Any] = {
        "crew": route.crew,
        "shift": route.shift,
        "stops": [{"id": v.id, "arrive": v.arrive, "start": v.start, "leave": v.leave} for v in route.visits],
        "travel": route.travel,
        "depart": route.depart,
        "back": route.back,
    }
    if route.lunch is not None:
        out["lunch"] = route.lunch
    return out


def problem_document(problem: Problem, seconds: float, seed: int) -> dict[str, Any]:
    """The document `read_request` makes the same problem of; its travel is a matrix."""
    o = problem.objective
    return {
        "unit": "s",
        "crews": [_crew_out(crew) for crew in problem.crews],
        "stops": [_stop_out(stop) for stop in problem.stops],
        "travel": {"matrix": problem.travel.tolist()},
        "objective": {name: getattr(o, name) for name in Objective.__dataclass_fields__},
        "previous": _previous_out(problem),
        "seconds": seconds,
        "seed": seed,
    }


def _previous_out(problem: Problem) -> list[dict[str, Any]]:
    routes: dict[tuple[Id, int], list[Id]] = {}
    for stop, (crew, shift) in problem.previous.items():
        routes.setdefault((crew, shift), []).append(stop)
    return [{"crew": c, "shift": s, "stops": [{"id": i} for i in ids]} for (c, s), ids in routes.items()]


def _crew_out(crew: Crew) -> dict[str, Any]:
    lunch = crew.lunch
    return {
        "id": crew.id,
        "start": crew.start,
        "end": crew.end,
        "shifts": [list(span) for span in crew.shifts],
        "skills": sorted(crew.skills),
        "capacity": crew.capacity,
        "lunch": lunch and {"from": lunch.earliest, "to": lunch.latest, "minutes": lunch.duration / 60},
        "overtime": crew.overtime,
        "people": crew.people,
        "off": sorted(crew.off),
        "no_overtime": sorted(crew.no_overtime),
        "team": crew.team,
    }


def _stop_out(stop: Stop) -> dict[str, Any]:
    return {
        "id": stop.id,
        "at": stop.at,
        "service": stop.service,
        "windows": [list(span) for span in stop.windows],
        "skills": sorted(stop.skills),
        "load": stop.load,
        "priority": stop.priority,
        "required": stop.required,
        "locked": stop.locked and {"crew": stop.locked[0], "shift": stop.locked[1]},
        "promised": stop.promised and list(stop.promised),
        "earliest": stop.earliest,
        "people": stop.people,
        "meets": stop.meets,
        "follows": stop.follows,
    }
