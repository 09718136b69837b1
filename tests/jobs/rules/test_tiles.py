"""Squares of a web map lie under the country they show."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.rules.tiles import corner_of, square_at, squares_over, zoom_for

EARTH_M = 6_378_137.0
"""The radius of EPSG:3857."""


def test_a_point_of_the_handbook_lies_where_it_says() -> None:
    """IOGP 373-7-2, example of method 1024: E -11 169 055.58 m, N 2 800 000.00 m (figures from memory)."""
    lon, lat = -(100 + 20 / 60), 24 + 22 / 60 + 54.433 / 3600

    column, row = square_at(lon, lat, 0)

    assert (2 * column - 1) * math.pi * EARTH_M == pytest.approx(-11_169_055.58, abs=0.01)
    assert (1 - 2 * row) * math.pi * EARTH_M == pytest.approx(2_800_000.00, abs=0.01)


@given(st.floats(-179.9, 179.9), st.floats(-85, 85), st.integers(0, 19))
def test_there_and_back(lon: float, lat: float, zoom: int) -> None:
    assert corner_of(*square_at(lon, lat, zoom), zoom) == pytest.approx((lon, lat), abs=1e-9)


@given(st.floats(-170, 170), st.floats(-80, 80), st.floats(20, 50_000))
def test_a_sheet_needs_few_squares_and_none_is_blown_up(lon: float, lat: float, pixels: float) -> None:
    """640 × 420 pixels at so many a degree of longitude; near the poles a square is taller in degrees."""
    zoom, high = zoom_for(pixels), 420 / pixels * math.cos(math.radians(lat))
    found = squares_over(lon, lat + high / 2, lon + 640 / pixels, lat - high / 2, zoom)

    assert 1 <= len(found) <= 42
    assert pixels * 360 / 2**zoom <= 256.000001 or zoom == 19
