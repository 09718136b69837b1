"""
The JSON forms of a problem and a plan, as `manage.py route` and the solver process speak them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Annotated, Any, ClassVar, Final

import numpy as np

from jobs.rules.routing.model import (
    LARGEST_TIME,
    Crew,
    Id,
    Lunch,
    Objective,
    Overtime,
    Plan,
    Problem,
    Route,
    Span,
    Stop,
    Unplaced,
    Whole,
)  # fmt: skip
from jobs.rules.routing.reasons import OpenSpan, Reason
from jobs.rules.routing.timing import plan_of
from jobs.rules.routing.verify import Fault, PlanBroken, check
from jobs.rules.travel import travel_table
from shared.contracts import ContractError, parse_json
from shared.records import Entries, MakeHook, OneOf, Within, document_form

LARGEST_DOCUMENT: Final = 32 * 1024 * 1024
MOST_PLACES: Final = 3_000
MOST_STOPS: Final = 2_500
MOST_CREWS: Final = 500
MOST_CREW_DAYS: Final = 2_000
MOST_SECONDS: Final = 86_400
Share = Annotated[float, "of a whole"]


@dataclass(frozen=True, slots=True)
class Request:
    """A document as read: the problem, stop ids of the previous plan in order, budget and seed."""

    problem: Problem
    previous: dict[tuple[Id, int], tuple[Id, ...]]
    seconds: float
    seed: int


# -- what a document says ------------------------------------------------------


@dataclass(frozen=True)
class Travel:
    """How long drives take: a matrix, or how the places' own points are measured."""

    matrix: Any = None
    metric: Annotated[str | None, OneOf("euclidean", "dimacs", "road")] = None
    scale: Annotated[Fraction | None, Within(above=0, most=10**6)] = None

    def check(self) -> None:
        """One of both; a scale is of the Euclidean metric alone."""
        if self.matrix is None and self.metric is None:
            raise ContractError("metric", "missing", "required")
        if self.matrix is not None and self.metric is not None:
            raise ContractError("metric", "unknown field", "known here: matrix")
        if self.scale is not None and self.metric != "euclidean":
            raise ContractError("scale", "unknown field", "known here: matrix, metric")


@dataclass(frozen=True)
class Named:
    """A stop of a route, of which no more is read than which it is."""

    TAKES_MORE: ClassVar[bool] = True
    id: Id


@dataclass(frozen=True)
class Driven:
    """A route as we write it; only who drives where is read."""

    TAKES_MORE: ClassVar[bool] = True
    crew: Id
    shift: Whole
    stops: tuple[Named, ...]


@dataclass(frozen=True, kw_only=True)
class Document:
    """A planning document, its places numbered."""

    crews: Annotated[tuple[Crew, ...], Entries(MOST_CREWS)]
    stops: Annotated[tuple[Stop, ...], Entries(MOST_STOPS)]
    travel: Travel
    unit: Annotated[str, OneOf("s")] = "s"
    objective: Objective | None = None
    previous: tuple[Driven, ...] | None = None
    seconds: Annotated[Fraction, Within(above=0, most=MOST_SECONDS)] = Fraction(10)
    seed: Annotated[int, Within(0, 2**31 - 1)] = 0


@dataclass(frozen=True)
class WrittenLunch:
    """A `Lunch` as documents have it."""

    begin: Whole = field(metadata={"name": "from"})
    end: Whole = field(metadata={"name": "to"})
    minutes: Annotated[Fraction, Within(0, 1440)]

    def check(self) -> None:
        """It ends after it begins."""
        if self.end < self.begin:
            raise ContractError("to", f"{self.end} is out of bounds", f"{self.begin} to {LARGEST_TIME}")


@dataclass(frozen=True)
class Locked:
    """A crew's shift."""

    crew: Id
    shift: Whole


@dataclass(frozen=True)
class Minutes:
    """Overtime in minutes."""

    minutes: Annotated[int, Within(0, 10**6)]


# -- what an answer says -------------------------------------------------------


@dataclass(frozen=True)
class Reached:
    """A stop of an answer's route, and when its service starts."""

    TAKES_MORE: ClassVar[bool] = True
    id: Id
    start: Whole


@dataclass(frozen=True)
class Planned:
    """A route of an answer; its other times are worked out afresh."""

    TAKES_MORE: ClassVar[bool] = True
    crew: Id
    shift: Whole
    stops: tuple[Reached, ...]


@dataclass(frozen=True)
class LeftOut:
    """A stop of no route, and what is short."""

    TAKES_MORE: ClassVar[bool] = True
    id: Id
    reason: Reason | None = None


@dataclass(frozen=True)
class Answer:
    """A plan as the solver's answer has it, its bound, what found it; of a spread the share that keeps its crew."""

    TAKES_MORE: ClassVar[bool] = True
    routes: tuple[Planned, ...]
    unplaced: tuple[LeftOut, ...] = ()
    bound: int | None = None
    engines: Mapping[str, str] = field(default_factory=dict)
    kept: Share | None = None


def _id(value: object) -> Id:
    """Text or a whole number."""
    if type(value) is not int and not (isinstance(value, str) and 0 < len(value) <= 200):
        raise ContractError("", "not an id", "text of 1 to 200 characters, or a whole number")
    number_or_text: Id = value
    return number_or_text


def _span(value: object) -> Span:
    if not isinstance(value, list) or len(value) != 2 or any(type(end) is not int for end in value):
        raise ContractError("", "not two whole numbers", "[from, to], in seconds")
    begin, end = value
    for place, bound in enumerate(value):
        if not 0 <= bound <= LARGEST_TIME:
            raise ContractError(f"[{place}]", f"{bound} is out of bounds", f"0 to {LARGEST_TIME}")
    if begin > end:
        raise ContractError("", f"ends at {end}, before it begins at {begin}", "from <= to")
    return (begin, end)


def _open_span(value: object) -> OpenSpan:
    whole = (int, int | None)
    if not isinstance(value, list) or len(value) != 2 or not all(map(isinstance, value, whole)):
        raise ContractError("", "not two whole numbers", "[from, to], in seconds; nothing ends it with null")
    return (value[0], value[1])


def _share(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
        raise ContractError("", "no share of a whole", "0 to 1")
    return value


def _lunch(value: object) -> Lunch:
    lunch = FORM.part(WrittenLunch, value)
    return Lunch(lunch.begin, lunch.end, round(60 * lunch.minutes))


def _locked(value: object) -> tuple[Id, int]:
    locked = FORM.part(Locked, value)
    return locked.crew, locked.shift


def _overtime(value: object) -> int:
    if isinstance(value, dict):
        return 60 * int(FORM.part(Minutes, value).minutes)
    return 0 if value is None else int(FORM.part(Whole, value))


def _words(value: object) -> frozenset[str]:
    return frozenset(FORM.part(tuple[str, ...], value))


def _numbers(value: object) -> frozenset[int]:
    if not isinstance(value, list) or any(type(entry) is not int for entry in value):
        raise ContractError("", "not a list of whole numbers", "[0, ..]")
    return frozenset(value)


def _plainly(read: Callable[[Any], Any]) -> MakeHook:
    return lambda limit: lambda value, _: read(value)


FORM: Final = document_form(
    kinds={
        Id: _plainly(_id),
        Span: _plainly(_span),
        OpenSpan: _plainly(_open_span),
        Share: _plainly(_share),
        Lunch: _plainly(_lunch),
        tuple[Id, int]: _plainly(_locked),
        Overtime: _plainly(_overtime),
        frozenset[str]: _plainly(_words),
        frozenset[int]: _plainly(_numbers),
    },
    texts={
        Lunch: lambda lunch: {"from": lunch.earliest, "to": lunch.latest, "minutes": lunch.duration / 60},
        tuple[Id, int]: lambda locked: {"crew": locked[0], "shift": locked[1]},
    },
)
LONGITUDE: Final[Any] = Annotated[Fraction, Within(-180, 180)]
LATITUDE: Final[Any] = Annotated[Fraction, Within(-90, 90)]
ANYWHERE: Final[Any] = Annotated[Fraction, Within(-(10**9), 10**9)]


# -- reading -------------------------------------------------------------------


class _Places:
    """Numbers the places of a document: rows of its matrix, or its own points."""

    def __init__(self, travel: Travel) -> None:
        self._is_matrix, self._is_road = travel.matrix is not None, travel.metric == "road"
        self.points: dict[tuple[Fraction, Fraction], int] = {}

    def number(self, document: Mapping[str, object]) -> None:
        """Puts its number in the stead of every place; a crew ends where it starts unless it says where."""
        for name, ends in (("crews", ("start", "end")), ("stops", ("at",))):
            entries = document.get(name)
            for place, entry in enumerate(entries if isinstance(entries, list) else ()):
                if not isinstance(entry, dict):
                    continue
                if name == "crews" and entry.get("end") is None and "start" in entry:
                    entry["end"] = entry["start"]
                for end in () if self._is_matrix else ends:
                    if end in entry:
                        entry[end] = self._number(entry[end], f"{name}[{place}].{end}")

    def _number(self, point: object, at: str) -> int:
        if not isinstance(point, list) or len(point) != 2:
            bound = "[longitude, latitude]" if self._is_road else "[x, y]"
            raise ContractError(at, "a place is two numbers with this travel", bound)
        kinds = (LONGITUDE, LATITUDE) if self._is_road else (ANYWHERE, ANYWHERE)
        x, y = (FORM.read(kind, point[i], f"{at}[{i}]") for i, kind in enumerate(kinds))
        return self.points.setdefault((x, y), len(self.points))


def read_request(text: str | bytes) -> Request:
    """
    Reads a planning document.

    Raises
    ------
    ContractError
        When it can't be used, naming the field.
    """
    values = parse_json(text, most=LARGEST_DOCUMENT)
    travel = FORM.read_field(Travel, values, "travel")
    matrix = None if travel.matrix is None else _matrix(travel.matrix)
    places = _Places(travel)
    places.number(values)
    document = FORM.read(Document, values | {"travel": travel})
    if (days := sum(len(crew.shifts) for crew in document.crews)) > MOST_CREW_DAYS:
        raise ContractError("crews", f"{days} shifts in all", f"at most {MOST_CREW_DAYS}")
    if len(places.points) > MOST_PLACES:
        raise ContractError("stops", f"{len(places.points)} different places", f"at most {MOST_PLACES}")
    previous = _previous(document.previous or ())
    where = {stop: key for key, ids in previous.items() for stop in ids}
    table = _table(travel, places) if matrix is None else matrix
    problem = Problem(document.crews, document.stops, table, document.objective or Objective(), where)
    return Request(problem, previous, float(document.seconds), document.seed)


def _table(travel: Travel, places: _Places) -> np.ndarray:
    if travel.metric == "road":
        return travel_table([(float(x), float(y)) for x, y in places.points])
    return _plane_table(places, float(travel.scale or 1), travel.metric == "dimacs")


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


def _matrix(rows: object) -> np.ndarray:
    if not isinstance(rows, list) or not rows:
        raise ContractError("travel.matrix", "not a list of rows", "[[..], ..]")
    if len(rows) > MOST_PLACES:
        raise ContractError("travel.matrix", f"{len(rows)} rows", f"at most {MOST_PLACES}")
    for place, row in enumerate(rows):
        at = f"travel.matrix[{place}]"
        if not isinstance(row, list) or len(row) != len(rows):
            raise ContractError(at, "not as long as the table is high", f"{len(rows)} whole numbers")
        if set(map(type, row)) - {int}:
            column = next(i for i, value in enumerate(row) if type(value) is not int)
            raise ContractError(f"{at}[{column}]", "not a whole number", f"0 to {LARGEST_TIME} seconds")
        low, high = min(row), max(row)
        if low < 0 or high > LARGEST_TIME:
            column = row.index(low if low < 0 else high)
            raise ContractError(f"{at}[{column}]", f"{row[column]} is out of bounds", f"0 to {LARGEST_TIME}")
        if row[place]:
            raise ContractError(f"{at}[{place}]", "a place is not 0 seconds from itself", "0")
    return np.array(rows, dtype=np.int64)


def _previous(driven: Iterable[Driven]) -> dict[tuple[Id, int], tuple[Id, ...]]:
    out: dict[tuple[Id, int], tuple[Id, ...]] = {}
    for place, route in enumerate(driven):
        key = (route.crew, route.shift)
        if key in out:
            raise ContractError(f"previous[{place}].shift", f"crew {key[0]} has two routes in shift {key[1]}", "one")
        out[key] = tuple(stop.id for stop in route.stops)
    return out


def read_answer(answer: object) -> Answer:
    """The solver's answer; raises `ContractError` naming field, problem and bound."""
    return FORM.read(Answer, answer)


def plan_from(problem: Problem, answer: Answer) -> Plan:
    """
    The plan of an answer; its times are worked out afresh.

    Raises
    ------
    PlanBroken
        When the routes can't be driven.
    """
    number = problem.stop_number
    orders = {
        problem.day_number[route.crew, route.shift]: [number[stop.id] for stop in route.stops]
        for route in answer.routes
    }
    reasons = {entry.id: entry.reason for entry in answer.unplaced}
    starts = {number[stop.id]: stop.start for route in answer.routes for stop in route.stops}
    plan = plan_of(problem, orders, starts)
    if plan is None:
        raise PlanBroken((Fault("travel", "A route of the answer can't be driven."),))
    return check(problem, replace(plan, unplaced=tuple(Unplaced(u.id, reasons.get(u.id)) for u in plan.unplaced)))


# -- writing ------------------------------------------------------------------


def plan_document(
    plan: Plan, seconds: float, engines: Mapping[str, str] | None = None, bound: int | None = None
) -> dict[str, object]:
    """The answer: routes with times, what is unplaced and why, travel and cost, what no plan can cost less than."""
    out: dict[str, object] = {
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


def _unplaced(entry: Unplaced) -> dict[str, object]:
    out: dict[str, object] = {"id": entry.id, "why": entry.why}
    return out if entry.reason is None else out | {"reason": entry.reason.to_json()}


def _route(route: Route) -> dict[str, object]:
    out: dict[str, object] = {
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


def problem_document(problem: Problem, seconds: float, seed: int) -> dict[str, object]:
    """The document `read_request` makes the same problem of; its travel is a matrix."""
    return {
        "unit": "s",
        "crews": FORM.write(problem.crews),
        "stops": FORM.write(problem.stops),
        "travel": {"matrix": problem.travel.tolist()},
        "objective": FORM.write(problem.objective),
        "previous": _previous_out(problem),
        "seconds": seconds,
        "seed": seed,
    }


def _previous_out(problem: Problem) -> list[dict[str, object]]:
    routes: dict[tuple[Id, int], list[Id]] = {}
    for stop, (crew, shift) in problem.previous.items():
        routes.setdefault((crew, shift), []).append(stop)
    return [{"crew": c, "shift": s, "stops": [{"id": i} for i in ids]} for (c, s), ids in routes.items()]
