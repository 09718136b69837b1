"""
What the planner is asked (`Problem`) and what it answers (`Plan`).

Times are whole seconds on one axis, counted from any start the caller likes (for a
branch: midnight before the first day). Places are row numbers of the travel table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Annotated, Any, Final

import numpy as np

from jobs.rules.routing.reasons import Reason
from shared.contracts import ContractError
from shared.records import Longest, Within

DAY: Final = 86_400
"""Seconds of a day; lunch repeats by it."""

LARGEST_TIME: Final = 10**9
"""No time, duration or travel may be longer, in seconds (some 31 years)."""

LARGEST_WEIGHT: Final = 10**6
"""No price of a second may be larger, so that every cost stays a 64-bit number."""

MOST_LINKED: Final = 50
"""Stops that hang together by `meets` and `follows`."""

Id = str | int
Span = tuple[int, int]
Whole = Annotated[int, Within(0, LARGEST_TIME)]
People = Annotated[int, Within(1, 1000)]
Overtime = Annotated[int, "seconds, or minutes as an object"]


class ProblemError(ContractError):
    """A problem that contradicts itself."""


@dataclass(frozen=True, slots=True)
class Lunch:
    """
    A pause of `duration` seconds starting within [earliest, latest], every working day.

    It is taken at a base, before driving off from a stop or on arriving at one, never
    inside a drive or a service. Times repeat by whole days, so time of day will do. A
    crew-day that can start after its lunch, or be back before it, just does so.
    """

    earliest: int
    latest: int
    duration: int


@dataclass(frozen=True, slots=True)
class Crew:
    """
    Who drives: bases, shifts and what they can do.

    Parameters
    ----------
    start, end
        Rows of the travel table where each shift begins and ends.
    shifts
        One (from, to) per working day, in seconds; absence is a shift left out.
    capacity
        Most load one shift carries; None is no limit.
    overtime
        Seconds a shift may run over its end.
    people
        Heads in the crew; a stop that needs more is not for it.
    off
        Places of shifts that fall out; they keep their number, and nothing is planned in them.
    no_overtime
        Places of shifts that may not run over, because somebody is away behind them.
    team
        Whose people these are, where a caller has a crew once for each day; None is this crew alone.
    """

    id: Id
    start: Whole
    end: Whole
    shifts: tuple[Span, ...] = ()
    skills: frozenset[str] = frozenset()
    capacity: Annotated[int | None, Within(0, LARGEST_TIME)] = None
    lunch: Lunch | None = None
    overtime: Overtime = 0
    people: People = 1
    off: frozenset[int] = frozenset()
    no_overtime: frozenset[int] = frozenset()
    team: Id | None = None

    @property
    def people_of(self) -> Id:
        """The team, or the crew itself where none is named."""
        return self.id if self.team is None else self.team

    def limit(self, shift: int) -> int:
        """When the crew is back from a shift at the latest."""
        return self.shifts[shift][1] + (0 if shift in self.no_overtime else self.overtime)


@dataclass(frozen=True, slots=True)
class Stop:
    """
    One appointment to be driven to.

    Parameters
    ----------
    at
        Row of the travel table.
    service
        Seconds spent there.
    windows
        (from, to) pairs bounding the start of service, inclusive; none is any time.
    priority
        Counts towards what is placed; 1 is ordinary, larger matters more.
    required
        Outranks every priority.
    locked
        (crew id, place in that crew's shifts) it may not leave.
    promised
        A window given to the customer; the start stays in it (and in `windows`).
    earliest
        Not before this time (parts made); 0 is no bound.
    people
        Heads needed at once.
    meets
        Another stop that begins at the same second, with another crew: two crews at one job.
        Both are done or neither is, and never late at a price.
    follows
        Another stop that is done before this one by the same team, as the first day of two is.
    wait
        What each day costs that it waits: each after the first up to that on which its shift begins.
    due, overdue
        A time on the last day it should be done on, and what each day after that costs on top.
    eats
        So long that the crew may take its lunch within it; it then lasts longer by that.
    """

    id: Id
    at: Whole
    service: Whole = 0
    windows: Annotated[tuple[Span, ...], Longest(60)] = ()
    skills: frozenset[str] = frozenset()
    load: Whole = 0
    priority: Annotated[int, Within(0, 10**6)] = 1
    required: bool = False
    locked: tuple[Id, int] | None = None
    promised: Span | None = None
    earliest: Whole = 0
    people: People = 1
    meets: Id | None = None
    follows: Id | None = None
    wait: Whole = 0
    due: Annotated[int | None, Within(0, LARGEST_TIME)] = None
    overdue: Whole = 0
    eats: bool = False


@dataclass(frozen=True, slots=True)
class Objective:
    """
    What a plan costs, after the most priority is placed. Whole numbers, any money.

    Parameters
    ----------
    drive
        Per second driven. The default objective is this alone, i.e. travel.
    paid
        Per second from leaving the start to being back at the end, waiting included.
    overtime
        Per second after the shift's end, on top of `paid`.
    moved
        Per stop that leaves the crew and shift it has in the previous plan.
    late
        Per second a service starts after its promised window; only with `grace`.
    grace
        Seconds by which a promised window may be missed at that price, whatever the stop's
        other windows; 0 keeps it hard.

    Examples
    --------
    >>> Objective.per_hour(drive=30, paid=36, moved=15)
    Objective(drive=3000, paid=3600, overtime=0, moved=5400000, late=0, grace=0)
    """

    drive: Whole = 1
    paid: Whole = 0
    overtime: Whole = 0
    moved: Whole = 0
    late: Whole = 0
    grace: Whole = 0

    @classmethod
    def per_hour(
        cls, drive: float = 0, paid: float = 0, overtime: float = 0, moved: float = 0, late: float = 0
    ) -> Objective:
        """
        From money per hour (and per move), kept in 1/3600 of a hundredth so that it stays whole.

        A cost divided by 360,000 is money again.
        """
        return cls(
            round(100 * drive), round(100 * paid), round(100 * overtime), round(360_000 * moved), round(100 * late)
        )


@dataclass(frozen=True, slots=True)
class CrewDay:
    """One shift of one crew: what a route is driven in. `lunch` is on this day's axis."""

    crew: int
    shift: int
    begin: int
    end: int
    limit: int
    start_at: int
    end_at: int
    capacity: int | None
    lunch: Lunch | None


@dataclass(frozen=True, eq=False)
class Problem:
    """
    Crews, stops, and the seconds of driving between any two places.

    Parameters
    ----------
    travel
        Shape (places, places), whole seconds >= 0, zero on its diagonal; row to column.
    previous
        Today's plan, as {stop id: (crew id, shift)}; what `objective.moved` compares with.

    Raises
    ------
    ProblemError
        When something refers to nothing, or a bound is the wrong way round.
    """

    crews: tuple[Crew, ...]
    stops: tuple[Stop, ...]
    travel: np.ndarray
    objective: Objective = Objective()
    previous: Mapping[Id, tuple[Id, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        travel = np.ascontiguousarray(self.travel, dtype=np.int64)
        travel.setflags(write=False)
        object.__setattr__(self, "travel", travel)
        object.__setattr__(self, "crews", tuple(self.crews))
        object.__setattr__(self, "stops", tuple(self.stops))
        _check(self)

    @cached_property
    def days(self) -> tuple[CrewDay, ...]:
        """Every crew-day, crews in order and shifts in order within each."""
        return tuple(
            _crew_day(crew, place, shift) for place, crew in enumerate(self.crews) for shift in range(len(crew.shifts))
        )

    @cached_property
    def day_number(self) -> dict[tuple[Id, int], int]:
        """Position in `days` by (crew id, shift)."""
        return {(self.crews[day.crew].id, day.shift): number for number, day in enumerate(self.days)}

    def with_stops(self, stops: Iterable[Stop], **changes: Any) -> Problem:
        """The problem with other stops (and fields, but for `travel`); a table once read as lists is kept."""
        made = replace(self, stops=tuple(stops), **changes)
        kept = ("rows", "days", "day_number", "crew_number", "_manned") if "crews" not in changes else ("rows",)
        made.__dict__.update({name: self.__dict__[name] for name in kept if name in self.__dict__})
        return made

    @cached_property
    def stop_number(self) -> dict[Id, int]:
        """Position in `stops` by id."""
        return {stop.id: number for number, stop in enumerate(self.stops)}

    @cached_property
    def crew_number(self) -> dict[Id, int]:
        """Position in `crews` by id."""
        return {crew.id: number for number, crew in enumerate(self.crews)}

    @cached_property
    def windows(self) -> tuple[tuple[Span, ...], ...]:
        """Per stop the spans its service may start in, sorted and apart; () is never."""
        grace = self.objective.grace if self.objective.late else 0
        return tuple(open_spans(stop, grace) for stop in self.stops)

    @cached_property
    def rows(self) -> list[list[int]]:
        """The travel table as lists, which plain Python reads faster."""
        return [list(map(int, row)) for row in self.travel]

    @cached_property
    def allowed(self) -> tuple[tuple[int, ...], ...]:
        """Per stop the crew-days with the skills, heads and lock for it, whatever the time."""
        is_limited = any(crew.capacity is not None for crew in self.crews)
        alike = {(s.skills, s.people, s.load if is_limited else 0, s.locked): s for s in self.stops}
        days = {key: tuple(self._allowed(stop)) for key, stop in alike.items()}
        return tuple(days[s.skills, s.people, s.load if is_limited else 0, s.locked] for s in self.stops)

    @cached_property
    def linked_stops(self) -> tuple[tuple[int, ...], ...]:
        """Stops that hang together by `meets` and `follows`, in groups, each with its numbers ascending."""
        pairs = [
            (number, self.stop_number[other])
            for number, stop in enumerate(self.stops)
            for other in (stop.meets, stop.follows)
            if other is not None
        ]
        return _joined({number for pair in pairs for number in pair}, pairs)

    def meetings(self, linked: Iterable[int]) -> list[tuple[int, ...]]:
        """These linked stops by who begin together; a meeting stands after all that it follows."""
        found = ((number, self.stops[number].meets) for number in linked)
        waiting = _joined(linked, [(number, self.stop_number[other]) for number, other in found if other is not None])
        done: list[tuple[int, ...]] = []
        placed: set[int] = set()
        while waiting:
            ready = [group for group in waiting if all(self._before(number) <= placed for number in group)]
            if not ready:
                return []  # they go round in a circle
            done += ready
            placed.update(*ready)
            waiting = tuple(group for group in waiting if group not in ready)
        return done

    def _before(self, number: int) -> set[int]:
        other = self.stops[number].follows
        return set() if other is None else {self.stop_number[other]}

    @cached_property
    def _manned(self) -> list[list[int]]:
        """The crew-days of each crew that do not fall out."""
        days: list[list[int]] = [[] for _ in self.crews]
        for number, day in enumerate(self.days):
            if day.shift not in self.crews[day.crew].off:
                days[day.crew].append(number)
        return days

    def _allowed(self, stop: Stop) -> Iterable[int]:
        if stop.locked is not None:
            number = self.day_number[stop.locked]
            day = self.days[number]
            crew = self.crews[day.crew]
            return [number] if fits_crew(stop, crew) and day.shift not in crew.off else []
        able = (place for place, crew in enumerate(self.crews) if fits_crew(stop, crew))
        return [number for place in able for number in self._manned[place]]


def waiting_cost(stop: Stop, day: CrewDay) -> int:
    """What it costs that the stop waits until that crew-day, in the objective's units."""
    spot = day.begin // DAY
    late = max(0, spot - stop.due // DAY) if stop.due is not None else 0
    return stop.wait * spot + stop.overdue * late


def _joined(numbers: Iterable[int], pairs: Iterable[tuple[int, int]]) -> tuple[tuple[int, ...], ...]:
    """The numbers in groups that the pairs hold together, ascending."""
    groups = {number: {number} for number in numbers}
    for one, other in pairs:
        whole = groups[one] | groups[other]
        groups.update(dict.fromkeys(whole, whole))
    return tuple(sorted({tuple(sorted(whole)) for whole in groups.values()}))


def fits_crew(stop: Stop, crew: Crew) -> bool:
    """Whether the crew has the skills, the heads and the room for it, on some day."""
    room = crew.capacity is None or stop.load <= crew.capacity
    return stop.skills <= crew.skills and stop.people <= crew.people and room


@dataclass(frozen=True, slots=True)
class Visit:
    """One stop of a route: when the crew arrives, starts and drives off, in seconds."""

    id: Id
    arrive: int
    start: int
    leave: int


@dataclass(frozen=True, slots=True)
class Route:
    """One crew-day's work. `lunch` is when the pause starts, None where there is none on the way."""

    crew: Id
    shift: int
    visits: tuple[Visit, ...]
    travel: int
    depart: int
    back: int
    lunch: int | None = None


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A stop nobody drives to, and why; None until it is asked."""

    id: Id
    reason: Reason | None = None

    @property
    def why(self) -> str:
        """The reason in the planner's words."""
        return "" if self.reason is None else str(self.reason)


@dataclass(frozen=True, slots=True)
class Plan:
    """
    Routes, and what they leave out.

    `placed` is the sum of priorities placed, `required_left` how many required stops are
    not; `cost` is by the problem's objective, `travel` in seconds.
    """

    routes: tuple[Route, ...]
    unplaced: tuple[Unplaced, ...]
    travel: int
    cost: int
    placed: int
    required_left: int = 0

    @property
    def rank(self) -> tuple[int, int, int]:
        """Smaller is better: required stops left out, priority left out, cost."""
        return (self.required_left, -self.placed, self.cost)

    def where(self) -> dict[Id, tuple[Id, int]]:
        """Crew and shift per placed stop."""
        return {visit.id: (route.crew, route.shift) for route in self.routes for visit in route.visits}


def _crew_day(crew: Crew, place: int, shift: int) -> CrewDay:
    begin, end = crew.shifts[shift]
    limit = crew.limit(shift)
    return CrewDay(
        place, shift, begin, end, limit, crew.start, crew.end, crew.capacity, lunch_on(crew.lunch, begin, limit)
    )


def lunch_on(lunch: Lunch | None, begin: int, limit: int) -> Lunch | None:
    """The lunch moved by whole days into a shift; None where its time does not touch the shift."""
    if lunch is None or lunch.duration == 0:
        return None
    shift = -((lunch.latest - begin) // DAY) * DAY  # the first day whose latest start is not before `begin`
    moved = Lunch(lunch.earliest + shift, lunch.latest + shift, lunch.duration)
    return moved if moved.earliest < limit else None


def open_spans(stop: Stop, grace: int = 0) -> tuple[Span, ...]:
    """The spans in which the stop's service may start: windows, promise and earliest date together."""
    spans: Sequence[Span] = stop.windows or ((0, LARGEST_TIME),)
    if stop.promised is not None:
        begin, end = stop.promised
        spans = [(max(a, begin), min(b, end)) for a, b in spans]
        if grace:
            spans = [s for s in spans if s[0] <= s[1]] + [(end + 1, end + grace)]
    spans = sorted((max(a, stop.earliest), b) for a, b in spans)
    merged: list[Span] = []
    for a, b in spans:
        if a > b:
            continue
        if merged and a <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(b, merged[-1][1]))
        else:
            merged.append((a, b))
    return tuple(merged)


# -- checking -----------------------------------------------------------------


def _check(problem: Problem) -> None:
    travel = problem.travel
    if travel.ndim != 2 or travel.shape[0] != travel.shape[1]:
        raise ProblemError("travel", f"the table is {travel.shape}", "as many columns as rows")
    if travel.size and (travel.min() < 0 or travel.max() > LARGEST_TIME):
        raise ProblemError("travel", "a time is out of bounds", f"0 to {LARGEST_TIME} seconds")
    if np.diagonal(travel).any():
        raise ProblemError("travel", "a place is not 0 seconds from itself", "0 on the diagonal")
    _check_objective(problem.objective)
    _check_unique("crews", problem.crews)
    _check_unique("stops", problem.stops)
    for place, crew in enumerate(problem.crews):
        _check_crew(f"crews[{place}]", crew, len(travel))
    shifts = {crew.id: len(crew.shifts) for crew in problem.crews}
    for place, stop in enumerate(problem.stops):
        _check_stop(f"stops[{place}]", stop, len(travel), shifts)
    _check_links(problem)


def _check_objective(objective: Objective) -> None:
    for name in Objective.__dataclass_fields__:
        most = LARGEST_TIME if name in ("moved", "grace") else LARGEST_WEIGHT
        _within(f"objective.{name}", getattr(objective, name), most)


def _check_unique(name: str, things: Sequence[Any]) -> None:
    seen = set()
    for place, thing in enumerate(things):
        if thing.id in seen:
            raise ProblemError(f"{name}[{place}].id", f"{thing.id!r} stands twice", "each id once")
        seen.add(thing.id)


def _check_crew(at: str, crew: Crew, places: int) -> None:
    _within(f"{at}.start", crew.start, places - 1)
    _within(f"{at}.end", crew.end, places - 1)
    for place, shift in enumerate(crew.shifts):
        _check_span(f"{at}.shifts[{place}]", shift)
    if crew.capacity is not None:
        _within(f"{at}.capacity", crew.capacity, LARGEST_TIME)
    _within(f"{at}.overtime", crew.overtime, LARGEST_TIME)
    for name in ("off", "no_overtime"):
        for number in sorted(getattr(crew, name)):
            if not 0 <= number < len(crew.shifts):
                problem = f"{number} is no shift of this crew"
                raise ProblemError(f"{at}.{name}", problem, f"0 to {len(crew.shifts) - 1}")
    if crew.people < 1:
        raise ProblemError(f"{at}.people", f"{crew.people} is out of bounds", "at least 1")
    if crew.lunch is not None:
        _check_span(f"{at}.lunch", (crew.lunch.earliest, crew.lunch.latest))
        _within(f"{at}.lunch.minutes", crew.lunch.duration, DAY)


def _check_stop(at: str, stop: Stop, places: int, shifts: Mapping[Id, int]) -> None:
    _within(f"{at}.at", stop.at, places - 1)
    for name in ("service", "load", "earliest", "people", "wait", "overdue"):
        _within(f"{at}.{name}", getattr(stop, name), LARGEST_TIME)
    _within(f"{at}.priority", stop.priority, 10**6)
    for place, window in enumerate(stop.windows):
        _check_span(f"{at}.windows[{place}]", window)
    if stop.promised is not None:
        _check_span(f"{at}.promised", stop.promised)
    if stop.due is not None:
        _within(f"{at}.due", stop.due, LARGEST_TIME)
    if stop.locked is not None:
        crew, shift = stop.locked
        if crew not in shifts:
            raise ProblemError(f"{at}.locked.crew", f"{crew!r} is not a crew", "the id of a crew")
        if not 0 <= shift < shifts[crew]:
            bound = f"0 to {shifts[crew] - 1}" if shifts[crew] else "this crew has no shift"
            raise ProblemError(f"{at}.locked.shift", f"{shift} is no shift of crew {crew!r}", bound)


def _check_links(problem: Problem) -> None:
    known = {stop.id for stop in problem.stops}
    if not any(stop.meets is not None or stop.follows is not None for stop in problem.stops):
        return
    for place, stop in enumerate(problem.stops):
        for name in ("meets", "follows"):
            other = getattr(stop, name)
            if other is not None and (other not in known or other == stop.id):
                raise ProblemError(f"stops[{place}].{name}", f"{other!r} is not another stop", "the id of another stop")
    for linked in problem.linked_stops:
        if len(linked) > MOST_LINKED:
            place = next(
                n for n in linked if problem.stops[n].meets is not None or problem.stops[n].follows is not None
            )
            name = "follows" if problem.stops[place].meets is None else "meets"
            raise ProblemError(f"stops[{place}].{name}", f"{len(linked)} hang together", f"at most {MOST_LINKED}")
        if not problem.meetings(linked):
            ids = ", ".join(repr(problem.stops[number].id) for number in linked[:5])
            raise ProblemError(f"stops[{linked[0]}].follows", f"{ids} wait for each other in a circle", "an order")


def _check_span(at: str, span: Span) -> None:
    begin, end = span
    _within(f"{at}[0]", begin, LARGEST_TIME)
    _within(f"{at}[1]", end, LARGEST_TIME)
    if begin > end:
        raise ProblemError(at, f"ends at {end}, before it begins at {begin}", "from <= to")


def _within(at: str, value: int, most: int) -> None:
    if not 0 <= value <= most:
        raise ProblemError(at, f"{value} is out of bounds", f"0 to {most}")
