"""
How likely each promise is to be kept, from many sampled days.

One route is driven a thousand times and more with drives and visits of random length, in
one sweep of array operations; a promise's chance is the share of days on which service
begins inside its window.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np

DAYS: Final = 2_000
"""Sampled days by default; the chance is then within 0.02 of the truth 19 times in 20."""

_SMALLEST: Final = 1e-12
"""A share that is as good as none."""

AT_RISK: Final = 0.6
"""From this share of days on a promise may still be kept; chosen, no published source."""


@dataclass(frozen=True, slots=True)
class PromisedVisit:
    """
    One stop of a route, times in seconds on one axis.

    Parameters
    ----------
    drive
        Planned seconds from the stop (or base) before.
    service
        Mean seconds of service, and `sigma` the deviation of its logarithm.
    opens
        Service can't begin before (the customer is not there, the building is shut).
    promised
        The window the customer was given; None for none.
    """

    drive: float
    service: float
    sigma: float = 0.35
    opens: float = 0.0
    promised: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Chance:
    """
    What the sampled days say of one stop.

    `on_time` is the share of days it starts by its promised end (1.0 without a promise);
    `start` and `late_start` are the median and the 85 % quantile of its start, in seconds.
    """

    on_time: float
    start: float
    late_start: float

    @property
    def is_late(self) -> bool:
        """Whether more days miss it than one would take a chance on."""
        return self.on_time < AT_RISK

    @property
    def words(self) -> str:
        """The chance as one says it."""
        for bound, text in ((0.95, "safe"), (0.85, "likely"), (AT_RISK, "at risk")):
            if self.on_time >= bound:
                return text
        return "will probably be late"


@dataclass(frozen=True, slots=True)
class Pause:
    """Lunch: `duration` seconds, taken at the first stop reached (or left) at or after `earliest`."""

    earliest: float
    duration: float


@dataclass(frozen=True, slots=True)
class UnderWay:
    """The visit the crew is at: mean seconds of service, deviation of its logarithm, and seconds spent so far."""

    service: float
    sigma: float
    spent: float

    def left(self, shares: np.ndarray) -> np.ndarray:
        """
        Seconds of service still to come on days in which these shares (0 to 1, exclusive) of such visits last longer.

        A lognormal visit that has lasted so long already: a long one is likely to last on.

        Examples
        --------
        >>> UnderWay(3600.0, 0.35, 1800.0).left(np.array([0.5])).round()
        array([1639.])
        >>> UnderWay(3600.0, 0.35, 5400.0).left(np.array([0.5])).round()
        array([716.])
        >>> UnderWay(3600.0, 0.0, 5400.0).left(np.array([0.5]))
        array([0.])
        """
        if not self.service or not self.sigma:
            return np.full(len(shares), max(0.0, self.service - self.spent))
        middle = math.log(self.service) - self.sigma**2 / 2
        longer = 1.0
        if self.spent > 0:
            longer = max(_SMALLEST, math.erfc((math.log(self.spent) - middle) / self.sigma / math.sqrt(2)) / 2)
        turn = NormalDist().inv_cdf
        deviations = -np.array([turn(share) for share in (shares * longer).tolist()])
        return np.maximum(0.0, np.exp(middle + self.sigma * deviations) - self.spent)


def chances(
    visits: Sequence[PromisedVisit],
    depart: float,
    *,
    seed: int,
    days: int = DAYS,
    drive_sigma: float = 0.2,
    day_sigma: float = 0.1,
    pause: Pause | None = None,
    under_way: UnderWay | None = None,
) -> list[Chance]:
    """
    The chance of each promise on one route.

    Parameters
    ----------
    depart
        When the crew leaves for the first stop (or left the last one that is done), seconds;
        with a visit `under_way`, now.
    seed
        Sampled days are the same for the same seed.
    days
        How many days are sampled, at least 1,000.
    drive_sigma
        Deviation of the logarithm of one drive's time; the mean stays as planned.
    day_sigma
        The same for the whole day's traffic, common to its drives.
    under_way
        The visit the crew is at; it leaves when that is over.

    Raises
    ------
    ValueError
        When a time is negative or fewer than 1,000 days are asked for.
    """
    if days < 1_000:
        raise ValueError(f"{days} days are too few (at least 1000)")
    _check(visits, drive_sigma, day_sigma)
    random = np.random.default_rng(seed)
    traffic = _factors(random, day_sigma, (days,))
    drives = _factors(random, drive_sigma, (len(visits), days)) * traffic
    services = _factors(random, np.array([visit.sigma for visit in visits])[:, None], (len(visits), days))
    at = np.full(days, float(depart))
    if under_way is not None:
        at = at + under_way.left(random.uniform(_SMALLEST, 1.0, days))
    hungry = np.full(days, pause is not None)
    found = []
    for number, visit in enumerate(visits):
        at = at + visit.drive * drives[number]
        if pause is not None:
            eats = hungry & (at >= pause.earliest)
            at = at + np.where(eats, pause.duration, 0.0)
            hungry &= ~eats
        start = np.maximum(at, visit.opens if visit.promised is None else max(visit.opens, visit.promised[0]))
        found.append(_chance(visit, start))
        at = start + visit.service * services[number]
    return found


def _factors(random: np.random.Generator, sigma: np.ndarray | float, shape: tuple[int, ...]) -> np.ndarray:
    """Lognormal factors of mean 1."""
    return np.asarray(np.exp(sigma * random.standard_normal(shape) - np.square(sigma) / 2))


def _chance(visit: PromisedVisit, start: np.ndarray) -> Chance:
    on_time = 1.0 if visit.promised is None else float(np.mean(start <= visit.promised[1]))
    median, late = np.quantile(start, (0.5, 0.85))
    return Chance(on_time, float(median), float(late))


def _check(visits: Sequence[PromisedVisit], *sigmas: float) -> None:
    for number, visit in enumerate(visits):
        for name in ("drive", "service", "sigma", "opens"):
            value = getattr(visit, name)
            if not 0 <= value < math.inf:
                raise ValueError(f"visits[{number}].{name} {value} is out of bounds (at least 0)")
        if visit.promised is not None and visit.promised[0] > visit.promised[1]:
            raise ValueError(f"visits[{number}].promised ends before it begins")
    if any(not 0 <= sigma <= 3 for sigma in sigmas):
        raise ValueError("a sigma is out of bounds (0 to 3)")


def within(share: float, days: int = DAYS) -> float:
    """
    Half the width of the 95 % interval of a sampled share.

    >>> round(within(0.9), 3)
    0.013
    """
    return NormalDist().inv_cdf(0.975) * math.sqrt(share * (1 - share) / days)
