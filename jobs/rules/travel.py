"""
How long a drive takes when no road data is at hand.

Great-circle distance times a road factor, driven at a speed that grows with the
distance. It is for planning only: never show it to anybody as a promised driving time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

EARTH_RADIUS_M: Final = 6_371_008.8
"""Mean radius of the earth in metres (IUGG R1); with it haversine is within 0.6 % of the ellipsoid."""


@dataclass(frozen=True, slots=True)
class RoadModel:
    """
    From a straight line to seconds on the road; a firm learns its own from logged trips.

    Parameters
    ----------
    factor
        Road length over straight line, >= 1. Published averages lie between 1.2 and 1.44
        [1]_; 1.3 is where a town starts before it has trips of its own.
    speeds
        (road metres up to which it holds, km/h) pairs, ascending; each part of a drive is
        driven at its own speed, so a longer drive is never quicker. The last one holds on.
    stop_s
        Seconds to park and to get going again, once per drive.

    References
    ----------
    .. [1] Circuity figures of Newell (1980), O'Sullivan (1996) and Kim (2015), as listed
           in "Transportation Geography and Network Science/Circuity", Wikibooks. Speeds
           and parking: common practice, no published source.
    """

    factor: float = 1.3
    speeds: tuple[tuple[float, float], ...] = ((5_000, 28.0), (20_000, 42.0), (math.inf, 70.0))
    stop_s: float = 120.0

    def __post_init__(self) -> None:
        if not 1 <= self.factor <= 5:
            raise ValueError(f"factor {self.factor} is out of bounds (1 to 5)")
        bounds = [bound for bound, _ in self.speeds]
        if not bounds or bounds != sorted(set(bounds)) or bounds[-1] != math.inf:
            raise ValueError("speeds need ascending bounds, the last one infinite")
        if any(not 0 < speed <= 200 for _, speed in self.speeds):
            raise ValueError("a speed is out of bounds (more than 0, at most 200 km/h)")
        if not 0 <= self.stop_s <= 3600:
            raise ValueError(f"stop_s {self.stop_s} is out of bounds (0 to 3600)")


def great_circle_m(
    from_lon: np.ndarray | float, from_lat: np.ndarray | float, to_lon: np.ndarray | float, to_lat: np.ndarray | float
) -> np.ndarray:
    """
    Great-circle distance in metres by the haversine formula; degrees in, any shapes that broadcast.

    Examples
    --------
    One degree along the equator of the sphere:

    >>> round(float(great_circle_m(0.0, 0.0, 1.0, 0.0)), 1)
    111195.1
    """
    lon1, lat1, lon2, lat2 = (np.radians(np.asarray(v, dtype=float)) for v in (from_lon, from_lat, to_lon, to_lat))
    half = np.sin((lat2 - lat1) / 2) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2) ** 2
    return np.asarray(2 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(half, 0, 1))))


def drive_seconds(straight_m: np.ndarray | float, model: RoadModel = RoadModel()) -> np.ndarray:
    """
    Seconds of driving for straight-line metres, whole, 0 where there is no distance.

    Examples
    --------
    2 km straight are 2.6 km of road at 28 km/h, and two minutes to stop and start:

    >>> int(drive_seconds(2_000.0))
    454
    """
    road = np.asarray(straight_m, dtype=float) * model.factor
    seconds, below = np.zeros_like(road), 0.0
    for bound, speed in model.speeds:
        seconds += np.clip(road - below, 0, bound - below) / (speed / 3.6)
        below = bound
    return np.asarray(np.where(road > 0, np.rint(seconds + model.stop_s), 0).astype(np.int64))


def travel_table(points: Sequence[tuple[float, float]], model: RoadModel = RoadModel()) -> np.ndarray:
    """
    Seconds between any two (longitude, latitude) points, shape (n, n), 0 on the diagonal.

    Raises
    ------
    ValueError
        When a longitude is not in [-180, 180] or a latitude not in [-90, 90].
    """
    at = np.asarray(points, dtype=float).reshape(-1, 2)
    if at.size and not (np.isfinite(at).all() and (np.abs(at) <= (180, 90)).all()):
        raise ValueError("a point is not (longitude -180 to 180, latitude -90 to 90)")
    lon, lat = at[:, 0], at[:, 1]
    table = drive_seconds(great_circle_m(lon[:, None], lat[:, None], lon[None, :], lat[None, :]), model)
    np.fill_diagonal(table, 0)
    return table


def learn_factor(straight_m: Sequence[float], road_m: Sequence[float], rule: float = 1.3, weight: float = 20) -> float:
    """
    The road factor of a branch from its logged trips, drawn towards the rule while they are few.

    The ratio of sums, not the mean of ratios: short trips wind more and would count too
    much. `weight` is how many trips the rule is worth.

    Examples
    --------
    >>> learn_factor([], [])
    1.3
    >>> round(learn_factor([1000.0] * 60, [1500.0] * 60), 3)
    1.45
    """
    pairs = [(s, r) for s, r in zip(straight_m, road_m, strict=True) if s > 0 and r > 0]
    if not pairs:
        return rule
    ratio = sum(r for _, r in pairs) / sum(s for s, _ in pairs)
    return max(1.0, (len(pairs) * ratio + weight * rule) / (len(pairs) + weight))
