"""
Driving times: one port, two adapters.

Without settings: great circle × road factor (`jobs.rules.travel`). With ``TRAVEL_URL``: the
table service of a server that speaks the OSRM protocol, its answers kept in the database;
when it does not answer, the great circle stands in and `Travel.word` says so.

References
----------
.. [1] OSRM HTTP API, table service: ``GET /table/v1/{profile}/{coordinates}``,
   ``durations[i][j]`` in seconds, null where there is no road.
"""

from __future__ import annotations

import json
import logging
import math
import urllib.error
import urllib.request
from collections import OrderedDict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from threading import Lock
from typing import Any, Final, NamedTuple

import numpy as np
from django.conf import settings
from django.core.cache import cache
from django.db.models import Q

from jobs.models import CalendarRules, TravelLeg
from jobs.rules.travel import RoadModel, drive_seconds, great_circle_m, travel_table
from shared.models import Branch

log = logging.getLogger("jambwise.travel")

Point = tuple[float, float]
"""Longitude, latitude in degrees."""


class Via(NamedTuple):
    """A place that is driven to by way of another, with seconds spent there."""

    longitude: float
    latitude: float
    by: Point
    seconds: int


Spot = Point | Via
"""Where a stop is: a place, or one with another on the way to it."""


def place_of(spot: Spot) -> Point:
    """Where somebody stands once they are there."""
    return spot[0], spot[1]


MOST_IN_ONE_ASK: Final = 80
"""Places in one request; public servers stop at 100."""
TIMEOUT_SECONDS: Final = 4
REST_SECONDS: Final = 60
"""How long a server that did not answer is left alone."""
RESTING: Final = "jobs.travel.resting"
LONGEST_SECONDS: Final = 48 * 3600
KEPT_CELLS: Final = 500
"""What a kept table costs beside its cells, counted as cells."""


class TravelServerSilent(OSError):
    """The travel service did not answer, or answered nonsense; the message says what."""


@dataclass(frozen=True)
class Travel:
    """Seconds between any two of some points, whole minutes; `word` says what a person should know of them."""

    seconds: np.ndarray
    word: str = ""

    @cached_property
    def rows(self) -> list[list[int]]:
        """The same as lists, which plain Python reads faster."""
        found: list[list[int]] = self.seconds.tolist()
        return found


class _Kept:
    """The last tables, so that a booking does not work out again what the last one did."""

    def __init__(self, most_cells: int) -> None:
        self.most_cells = most_cells
        self.tables: OrderedDict[Hashable, Travel] = OrderedDict()
        self.cells = 0
        self.lock = Lock()

    def get(self, key: Hashable) -> Travel | None:
        with self.lock:
            if key in self.tables:
                self.tables.move_to_end(key)
            return self.tables.get(key)

    def put(self, key: Hashable, travel: Travel) -> Travel:
        with self.lock:
            if key not in self.tables:
                self.cells += travel.seconds.size + KEPT_CELLS
            self.tables[key] = travel
            while len(self.tables) > 1 and self.cells > self.most_cells:
                _, gone = self.tables.popitem(last=False)
                self.cells -= gone.seconds.size + KEPT_CELLS
        return travel


_kept = _Kept(most_cells=8_000_000)


def whole_minutes(seconds: Any) -> Any:
    """
    Seconds, one number or an array of them, rounded up to whole minutes: the calendar's one grain of time.

    Examples
    --------
    >>> whole_minutes(61), whole_minutes(120), whole_minutes(np.array([[0, 1], [1, 0]])).tolist()
    (120, 120, [[0, 60], [60, 0]])
    """
    return -(-seconds // 60) * 60


def road_model(branch: Branch, rules: CalendarRules | None = None) -> RoadModel:
    """The branch's own road factor with the starting speeds; `rules` are the branch's, where the caller has them."""
    return RoadModel(factor=(rules or CalendarRules.of(branch)).road_factor)


def travel_between(branch: Branch, points: Sequence[Point], rules: CalendarRules | None = None) -> Travel:
    """
    Seconds of driving between any two points, shape (n, n), whole minutes, by the port that is set.

    Parameters
    ----------
    points
        (longitude, latitude) in degrees.
    rules
        The branch's, where the caller has them.
    """
    model = road_model(branch, rules)
    key = (settings.TRAVEL_URL, model, tuple(points))
    found = _kept.get(key)
    if found is not None:
        return found
    straight = whole_minutes(travel_table(points, model))
    if not settings.TRAVEL_URL or len(points) < 2:
        return _kept.put(key, Travel(straight))
    keys = [_key(point) for point in points]
    try:
        known = _known(keys)
    except TravelServerSilent as silent:
        return Travel(straight, f"Driving times are estimates: {silent}.")
    table = straight.copy()
    for row, col in product(range(len(points)), repeat=2):
        if keys[row] != keys[col]:
            table[row, col] = whole_minutes(known.get((keys[row], keys[col]), straight[row, col]))
        else:
            table[row, col] = 0
    return _kept.put(key, Travel(table))


def travel_to_and_from(
    branch: Branch, points: Sequence[Point], point: Point, rules: CalendarRules | None = None
) -> tuple[list[int], list[int], str]:
    """Seconds from every one of `points` to one more point, and back, whole minutes; what to know of them."""
    model = road_model(branch, rules)
    lon, lat = np.array([p[0] for p in points]), np.array([p[1] for p in points])
    straight = whole_minutes(drive_seconds(great_circle_m(lon, lat, point[0], point[1]), model))
    into: list[int] = straight.tolist()
    out_of = list(into)
    if not settings.TRAVEL_URL or not points:
        return into, out_of, ""
    keys, here = [_key(p) for p in points], _key(point)
    try:
        legs = _known_from(here, keys)
    except TravelServerSilent as silent:
        return into, out_of, f"Driving times are estimates: {silent}."
    for position, key in enumerate(keys):
        into[position] = 0 if key == here else whole_minutes(legs.get((key, here), into[position]))
        out_of[position] = 0 if key == here else whole_minutes(legs.get((here, key), out_of[position]))
    return into, out_of, ""


def travel_around(
    branch: Branch, spots: Sequence[Spot], spot: Spot, rules: CalendarRules | None = None
) -> tuple[list[int], list[int], str]:
    """The same of spots: whoever drives to one that has another on the way spends the time there too."""
    places, here = [place_of(one) for one in spots], place_of(spot)
    into, out_of, word = travel_to_and_from(branch, places, here, rules)
    if isinstance(spot, Via):
        first, _, _ = travel_to_and_from(branch, places, spot.by, rules)
        (rest,), _, _ = travel_to_and_from(branch, [spot.by], here, rules)
        into = [seconds + spot.seconds + rest for seconds in first]
    for position, one in enumerate(spots):
        if isinstance(one, Via):
            _, (first_leg,), _ = travel_to_and_from(branch, [one.by], here, rules)
            (rest,), _, _ = travel_to_and_from(branch, [one.by], place_of(one), rules)
            out_of[position] = first_leg + one.seconds + rest
    return into, out_of, word


def _known_from(here: str, keys: Sequence[str]) -> dict[tuple[str, str], int]:
    """The legs between one place and others, from the database or else from the server."""
    others = sorted(set(keys) - {here})

    def stored() -> dict[tuple[str, str], int]:
        rows = TravelLeg.objects.filter(Q(from_at=here, to_at__in=others) | Q(to_at=here, from_at__in=others))
        return {(a, b): seconds for a, b, seconds in rows.values_list("from_at", "to_at", "seconds")}

    legs = stored()
    lacking = [other for other in others if (here, other) not in legs or (other, here) not in legs]
    if not lacking:
        return legs
    if cache.get(RESTING):
        raise TravelServerSilent("the travel service does not answer")
    try:
        for some in _chunks(lacking, MOST_IN_ONE_ASK - 1):
            _keep(ask_table([here], some))
            _keep(ask_table(some, [here]))
    except TravelServerSilent:
        cache.set(RESTING, 1, REST_SECONDS)
        raise
    return stored()


def _key(point: Point) -> str:
    return f"{point[0]:.5f},{point[1]:.5f}"


def _known(keys: Sequence[str]) -> dict[tuple[str, str], int]:
    """Every leg between these places, from the database or else from the server."""
    places = sorted(set(keys))
    legs = _stored(places)
    lacking = _lacking(places, legs)
    if not lacking:
        return legs
    if cache.get(RESTING):
        raise TravelServerSilent("the travel service does not answer")
    try:
        for some in _chunks(lacking, MOST_IN_ONE_ASK // 2):
            for others in _chunks(places, MOST_IN_ONE_ASK // 2):
                _keep(ask_table(some, others))
                _keep(ask_table(others, some))
    except TravelServerSilent as silent:
        log.warning("travel service: %s", silent)
        cache.set(RESTING, 1, REST_SECONDS)
        raise
    return _stored(places)


def _lacking(places: Sequence[str], legs: dict[tuple[str, str], int]) -> list[str]:
    """A few places whose legs, asked for, leave none out: usually the new ones."""
    missing: dict[str, set[str]] = {}
    for a, b in product(places, repeat=2):
        if a != b and (a, b) not in legs:
            missing.setdefault(a, set()).add(b)
            missing.setdefault(b, set()).add(a)
    chosen = []
    while missing:
        place = max(missing, key=lambda one: (len(missing[one]), one))
        chosen.append(place)
        for other in missing.pop(place):
            missing[other].discard(place)
            if not missing[other]:
                del missing[other]
    return sorted(chosen)


def _stored(places: Sequence[str]) -> dict[tuple[str, str], int]:
    rows = TravelLeg.objects.filter(from_at__in=places, to_at__in=places)
    return {(a, b): seconds for a, b, seconds in rows.values_list("from_at", "to_at", "seconds")}


def _chunks(places: Sequence[str], size: int) -> list[Sequence[str]]:
    return [places[at : at + size] for at in range(0, len(places), size)]


def _keep(legs: dict[tuple[str, str], int]) -> None:
    TravelLeg.objects.bulk_create(
        [TravelLeg(from_at=a, to_at=b, seconds=s) for (a, b), s in legs.items()],
        batch_size=500,
        ignore_conflicts=True,
    )


def ask_table(sources: Sequence[str], targets: Sequence[str]) -> dict[tuple[str, str], int]:
    """
    Asks the server for one block of the table.

    Raises
    ------
    TravelServerSilent
        When it can't be reached, is too slow, or answers anything but a table of times.
    """
    places = [*sources, *targets]
    numbers = [";".join(map(str, range(len(sources)))), ";".join(map(str, range(len(sources), len(places))))]
    url = (
        f"{settings.TRAVEL_URL.rstrip('/')}/table/v1/driving/{';'.join(places)}"
        f"?annotations=duration&sources={numbers[0]}&destinations={numbers[1]}"
    )
    try:
        with urllib.request.urlopen(url, timeout=TIMEOUT_SECONDS) as reply:
            answer = json.loads(reply.read(20_000_000))
    except (OSError, ValueError) as error:
        reason = "is too slow" if isinstance(error, TimeoutError) else "does not answer"
        raise TravelServerSilent(f"the travel service {reason}") from error
    return _read_table(answer, sources, targets)


def _read_table(answer: object, sources: Sequence[str], targets: Sequence[str]) -> dict[tuple[str, str], int]:
    rows = answer.get("durations") if isinstance(answer, dict) and answer.get("code") == "Ok" else None
    if not isinstance(rows, list) or len(rows) != len(sources):
        raise TravelServerSilent("the travel service answered something that is no table of times")
    legs: dict[tuple[str, str], int] = {}
    for source, row in zip(sources, rows, strict=True):
        if not isinstance(row, list) or len(row) != len(targets):
            raise TravelServerSilent("the travel service answered a table of the wrong shape")
        for target, seconds in zip(targets, row, strict=True):
            if source == target:
                continue
            if seconds is None:  # no road: out of reach of any day
                legs[source, target] = LONGEST_SECONDS
                continue
            if isinstance(seconds, bool) or not isinstance(seconds, int | float):
                raise TravelServerSilent("the travel service answered a time that is no number")
            if not math.isfinite(seconds) or not 0 <= seconds <= LONGEST_SECONDS:
                raise TravelServerSilent(f"the travel service answered {seconds} seconds for one drive")
            legs[source, target] = round(seconds)
    return legs
