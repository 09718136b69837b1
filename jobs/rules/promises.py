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
from functools import lru_cache
from statistics import NormalDist
from typing import Final

import numpy as np

from jobs.rules.variation import CAREFUL, Variation

DAYS: Final = 2_000
"""Sampled days by default; the chance is then within 0.02 of the truth 19 times in 20."""

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
        return "likely late"


@dataclass(frozen=True, slots=True)
class Pause:
    """Lunch: `duration` seconds, taken before the crew sets out at or after `earliest`."""

    earliest: float
    duration: float


@dataclass(frozen=True, slots=True)
class UnderWay:
    """The visit the crew is at: mean seconds of service, deviation of its logarithm, and seconds spent so far."""

    service: float
    sigma: float
    spent: float

    def left(self, variation: Variation, days: int) -> np.ndarray:
        """
        Seconds of service still to come, ascending, each as likely.

        Of such visits those count that have lasted so long already: a long one is likely to last on.

        Examples
        --------
        >>> usual = Variation.lognormal()
        >>> [float(np.median(UnderWay(3600.0, 0.35, spent).left(usual, 2000)).round(-1)) for spent in (1800.0, 5400.0)]
        [1640.0, 720.0]
        >>> UnderWay(3600.0, 0.0, 5400.0).left(usual, 2)
        array([0., 0.])
        """
        times = self.service * variation.services(self.sigma, days)
        longer = times[times > self.spent]
        if not len(longer):
            return np.zeros(days)
        spots = (np.arange(days) * (len(longer) / days)).astype(int)
        return np.asarray(longer[spots] - self.spent)


def chances(
    visits: Sequence[PromisedVisit],
    depart: float,
    *,
    seed: int,
    days: int = DAYS,
    variation: Variation = CAREFUL,
    pause: Pause | None = None,
    under_way: UnderWay | None = None,
    is_from_base: bool = False,
    is_driving: bool = False,
    now: float | None = None,
) -> list[Chance]:
    """
    The chance of each promise on one route.

    Every spread is drawn once from each of `days` slices of the same weight, in a random order of its own (a Latin
    hypercube [1]_): fewer days say as much, and two routes are driven on the same days.

    Parameters
    ----------
    depart
        When the crew leaves for the first stop (or left the last one that is done), seconds;
        with a visit `under_way`, now.
    seed
        Sampled days are the same for the same seed.
    days
        How many days are sampled, at least 1,000.
    variation
        How drives, visits and departures vary.
    under_way
        The visit the crew is at; it leaves when that is over.
    is_from_base
        No tap says that the crew has left its base: it leaves as late as crews do.
    is_driving
        It has left for the first stop already.
    now
        On a running day: nothing was tapped from `depart` until then. The sampled days count by how likely that is.

    Raises
    ------
    ValueError
        When a time is negative or fewer than 1,000 days are asked for.

    References
    ----------
    .. [1] M. D. McKay, R. J. Beckman, W. J. Conover (1979). A comparison of three methods for selecting values of
           input variables in the analysis of output from a computer code. Technometrics 21(2).
    """
    if days < 1_000:
        raise ValueError(f"{days} days are too few (at least 1000)")
    _check(visits)
    if not visits:
        return []
    order = _orders(seed, days, 2 * len(visits) + 2)
    traffic = variation.day_factors(days)[order[0]]
    drives = variation.drive_factors(days)
    at = np.full(days, float(depart))
    seen = None if now is None else _Unseen(now, variation, days)
    if is_from_base:
        at = at + variation.lateness(days)[order[1]]
    if seen is not None:
        at = seen.from_now_on_some(at)
    if under_way is not None:
        at = at + under_way.left(variation, days)[order[1]]
        if seen is not None:
            seen.weigh(variation.unseen_done, at)
        at = at + variation.turn
    hungry = np.full(days, pause is not None)
    starts = np.empty((len(visits), days))
    for number, visit in enumerate(visits):
        is_under_way = is_driving and number == 0
        if pause is not None and not is_under_way:
            eats = hungry & (at >= pause.earliest)
            at = at + np.where(eats, pause.duration, 0.0)
            hungry &= ~eats
        left, at = at, at + visit.drive * drives[order[2 * number + 2]] * traffic
        starts[number] = np.maximum(at, visit.opens if visit.promised is None else max(visit.opens, visit.promised[0]))
        done = starts[number] + visit.service * variation.services(visit.sigma, days)[order[2 * number + 3]]
        if seen is not None and is_under_way:
            seen.weigh(variation.unseen_there, at, done)
        elif seen is not None:
            seen.weigh(variation.unseen, left, at, done)
        at = done + variation.turn
    if seen is not None:
        starts = starts[:, seen.drawn(is_silent=is_from_base)]
    ends = np.array([math.inf if visit.promised is None else visit.promised[1] for visit in visits])
    on_time = np.mean(starts <= ends[:, None], axis=1).tolist()
    median, late = np.quantile(starts, (0.5, 0.85), axis=1).tolist()
    return [Chance(*three) for three in zip(on_time, median, late, strict=True)]


class _Unseen:
    """
    Sampled days weighed by how likely it is that what was done by now was not tapped (importance sampling).

    On some days nothing has happened since the last tap: something holds the crew up.
    """

    def __init__(self, now: float, variation: Variation, days: int) -> None:
        self.now, self.variation = now, variation
        self.is_held = np.arange(days) < days // 4  # more of them than there are, for less chance in what they say
        self.weights = np.where(self.is_held, variation.held_up * 4, (1 - variation.held_up) * 4 / 3)

    def from_now_on_some(self, at: np.ndarray) -> np.ndarray:
        """When the crew goes on: now at the earliest where it is held up."""
        return np.where(self.is_held, np.maximum(at, self.now), at)

    def weigh(self, shares: Sequence[float], *taps: np.ndarray) -> None:
        """By the share of visits on which as many of these taps are missing as should be there by now."""
        missing = sum((tap < self.now).astype(int) for tap in taps)
        self.weights = self.weights * np.array([1.0, *shares])[missing]

    def drawn(self, *, is_silent: bool) -> np.ndarray:
        """As many days, each as often as its weight says; `is_silent`: the crew may be one that taps nothing today."""
        weights = self.weights
        if is_silent:
            weights = self.variation.silent + (1 - self.variation.silent) * weights
        sums, days = np.cumsum(weights), len(weights)
        return np.asarray(np.searchsorted(sums, (np.arange(days) + 0.5) * (sums[-1] / days)))


@lru_cache(maxsize=8)
def _drawn(seed: int, days: int, rows: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    found = random.permuted(np.tile(np.arange(days), (rows, 1)), axis=1)
    found.flags.writeable = False
    return found


def _orders(seed: int, days: int, rows: int) -> np.ndarray:
    """Random orders of the days, one to a row; the first are the same however many are asked for."""
    return _drawn(seed, days, -(-rows // 32) * 32)


def _check(visits: Sequence[PromisedVisit]) -> None:
    for number, visit in enumerate(visits):
        for name in ("drive", "service", "sigma", "opens"):
            value = getattr(visit, name)
            if not 0 <= value < math.inf:
                raise ValueError(f"visits[{number}].{name} {value} is out of bounds (at least 0)")
        if visit.promised is not None and visit.promised[0] > visit.promised[1]:
            raise ValueError(f"visits[{number}].promised ends before it begins")


def within(share: float, days: int = DAYS) -> float:
    """
    Half the width of the 95 % interval of a sampled share.

    >>> round(within(0.9), 3)
    0.013
    """
    return NormalDist().inv_cdf(0.975) * math.sqrt(share * (1 - share) / days)
