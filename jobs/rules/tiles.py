"""
Squares of a web map: which of them lie under a stretch of country, and where their corners are.

The common scheme of web maps: the world in EPSG:3857, the spherical Mercator projection [1]_,
cut into 2^zoom × 2^zoom squares, counted from the north-west.

.. [1] IOGP Publication 373-7-2, Popular Visualisation Pseudo Mercator, method 1024.
"""

from __future__ import annotations

import math
from typing import Final

WORLD: Final = 360.0
MOST_ZOOM: Final = 19
SHARP: Final = 256
"""Pixels of a square's side, beyond which it would be blown up."""


def square_at(lon: float, lat: float, zoom: int) -> tuple[float, float]:
    """
    Column and row of a point, in squares from the north-west corner; degrees in.

    >>> square_at(0, 0, 1)
    (1.0, 1.0)
    """
    count = 1 << zoom
    return (lon + 180) / WORLD * count, (1 - math.asinh(math.tan(math.radians(lat))) / math.pi) / 2 * count


def corner_of(column: float, row: float, zoom: int) -> tuple[float, float]:
    """
    Longitude and latitude, in degrees, of a square's north-west corner; the way back of `square_at`.

    >>> [round(x, 4) for x in corner_of(0, 0, 0)]
    [-180.0, 85.0511]
    """
    count = 1 << zoom
    return column / count * WORLD - 180, math.degrees(math.atan(math.sinh(math.pi * (1 - 2 * row / count))))


def zoom_for(pixels_a_degree: float) -> int:
    """
    The least zoom at which no square is blown up, at so many pixels a degree of longitude.

    >>> zoom_for(256 / 360), zoom_for(257 / 360)
    (0, 1)
    """
    return min(MOST_ZOOM, max(0, math.ceil(math.log2(pixels_a_degree * WORLD / SHARP))))


def squares_over(west: float, north: float, east: float, south: float, zoom: int) -> list[tuple[int, int]]:
    """
    Columns and rows of the squares that touch a box of degrees, row by row.

    >>> squares_over(-1, 1, 1, -1, 1)
    [(0, 0), (1, 0), (0, 1), (1, 1)]
    """
    last = (1 << zoom) - 1
    left, top = square_at(west, north, zoom)
    right, low = square_at(east, south, zoom)
    columns = range(max(0, math.floor(left)), min(last, math.floor(right)) + 1)
    rows = range(max(0, math.floor(top)), min(last, math.floor(low)) + 1)
    return [(column, row) for row in rows for column in columns]
