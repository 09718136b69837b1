"""
Where an address is likely to be, when nobody gave its coordinates, and how far off that may be.

The distances are common practice, no published source: a block, a street, a delivery area, a town.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from jobs.rules.search_text import SHORT_FORMS, words
from jobs.rules.travel import great_circle_m

Point = tuple[float, float]
"""Longitude, latitude in degrees."""

BLOCK_NUMBERS: Final = 20
"""House numbers that are this close lie on one block."""
BLOCK_M: Final = 200
STREET_M: Final = (300, 2_000)
POSTCODE_M: Final = (1_000, 8_000)
TOWN_M: Final = (2_000, 15_000)
BASE_M: Final = 10_000
AREA_M: Final = 4_000
"""How far off the middle of a delivery area may be that a table names."""


HOUSE_M: Final = 100
"""How far off a server's house may be, and its street."""
FOUND_STREET_M: Final = 500


@dataclass(frozen=True, slots=True)
class Guess:
    """A place, what it was taken from (a word of `Site.PlaceFrom`), and how many meters it may be off."""

    point: Point
    place_from: str
    within_m: int


def street_name(street: str) -> tuple[str, ...]:
    """
    A street without the house number, in one form.

    Examples
    --------
    >>> street_name("12 N. Kiln Street") == street_name("9-B north kiln st.")
    True
    """
    found = [word for word in words(street) if (word.isalpha() and len(word) > 1) or word in SHORT_FORMS]
    return tuple(SHORT_FORMS[word][0].split()[0] if word in SHORT_FORMS else word for word in found)


def house_number(street: str) -> int | None:
    """
    The first number of a street's line.

    Examples
    --------
    >>> house_number("12 Kiln Street"), house_number("Weir House")
    (12, None)
    """
    return next((int(word) for word in words(street) if word.isdigit()), None)


def on_street(street: str, known: Sequence[tuple[str, Point]]) -> Guess | None:
    """By sites on the same street: beside the nearest number."""
    if not known:
        return None
    number = house_number(street)
    numbered = [(other, point) for line, point in known if (other := house_number(line)) is not None]
    if number is None or not numbered:
        return in_area("street", [point for _, point in known], STREET_M)
    nearest, point = min(numbered, key=lambda one: abs(one[0] - number))
    if abs(nearest - number) <= BLOCK_NUMBERS:
        return Guess(point, "street", BLOCK_M)
    spread = _meters([other for _, other in known], point)
    return Guess(point, "street", int(np.clip(spread.max(), *STREET_M)))


def in_area(place_from: str, known: Sequence[Point], bounds: tuple[int, int]) -> Guess | None:
    """The middle of what is known of a postcode or town; 85 of 100 of it lie within the distance."""
    if not known:
        return None
    longitude, latitude = (float(np.median([point[axis] for point in known])) for axis in (0, 1))
    off = float(np.quantile(_meters(known, (longitude, latitude)), 0.85)) if len(known) > 2 else sum(bounds) / 2
    return Guess((longitude, latitude), place_from, int(np.clip(off, *bounds)))


def _meters(points: Sequence[Point], middle: Point) -> np.ndarray:
    along, up = np.array([point[0] for point in points]), np.array([point[1] for point in points])
    return np.asarray(great_circle_m(along, up, *middle))


def read_answer(answer: object) -> tuple[Point, int] | None:
    """
    The first place of an answer in either of two usual forms, and within how many meters it is; None: no place.

    A list of objects with ``lat`` and ``lon``, or GeoJSON features; a house is known by its number.

    Examples
    --------
    >>> read_answer([{"lat": "41.62", "lon": "-91.87", "address": {"house_number": "4"}}])
    ((-91.87, 41.62), 100)
    >>> read_answer({"features": [{"geometry": {"coordinates": [-91.87, 41.62]}, "properties": {"street": "Weir"}}]})
    ((-91.87, 41.62), 500)
    >>> read_answer([]), read_answer({"error": "busy"})
    (None, None)
    """
    if isinstance(answer, dict):
        answer = answer.get("features")
    if not isinstance(answer, list) or not answer or not isinstance(answer[0], dict):
        return None
    first = answer[0]
    said = first.get("properties") or first.get("address") or {}
    try:
        if "geometry" in first:
            longitude, latitude = map(float, first["geometry"]["coordinates"][:2])
        else:
            longitude, latitude = float(first["lon"]), float(first["lat"])
    except (KeyError, TypeError, ValueError):
        return None
    if not (-180 <= longitude <= 180 and -90 <= latitude <= 90) or not isinstance(said, dict):
        return None
    is_house = bool(said.get("house_number") or said.get("housenumber"))
    is_street = bool(said.get("road") or said.get("street"))
    return (longitude, latitude), HOUSE_M if is_house else FOUND_STREET_M if is_street else AREA_M


def postcode_keys(postcode: str) -> list[str]:
    """
    A postcode as a table may have it: whole, or its first part alone.

    >>> postcode_keys("k1a 0b1"), postcode_keys("00311")
    (['K1A0B1', 'K1A'], ['00311'])
    """
    parts = postcode.upper().split()
    return list(dict.fromkeys(["".join(parts), *parts[:1]])) if parts else []
