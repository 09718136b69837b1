"""
How a firm's times vary about its plans, learned from its crews' taps.

Every spread is a list of quantiles, so that a skew, a heavy tail or two kinds of visit stay what they are and no
shape is assumed. What a day's drives have in common comes from the components of their variance [1]_, [2]_.

References
----------
.. [1] S. R. Searle, G. Casella, C. E. McCulloch (1992). Variance Components. Wiley; 3.6, the analysis of variance
       estimators of the unbalanced one-way random model.
.. [2] R. J. Hyndman, Y. Fan (1996). Sample quantiles in statistical packages. The American Statistician 50(4),
       type 7.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from statistics import NormalDist
from typing import Any, Final

import numpy as np

SHARES: Final = (
    0.0005, 0.0025, 0.01, 0.025, 0.05, *(n / 20 for n in range(2, 19)), 0.95, 0.975, 0.99, 0.9975, 0.9995,
)  # fmt: skip
"""The shares whose quantiles are kept."""
NORMAL: Final = tuple(map(NormalDist().inv_cdf, SHARES))
Quantiles = tuple[float, ...]
"""One for each of `SHARES`."""

CAREFUL_SERVICE: Final = 0.45
"""Deviation of the logarithm of a visit's time until enough is learned, where its own is less; like those below
chosen, no published source."""
CAREFUL_DRIVE: Final = 0.25
CAREFUL_DAY: Final = 0.12
CAREFUL_LATE_S: Final = 240.0
HELD_UP: Final = 0.002
"""Share of crews of which nothing is seen because something holds them up, until enough is learned."""
HELD_PRIOR: Final = 500
"""How many ways from one visit to the next that share counts as beside those that are logged."""
HELD_S: Final = 3600
"""From so long on between a visit's end and the next drive something held the crew up."""
ENOUGH: Final = 40
"""Logged visits, and as many drives, from which a firm's own spreads are used."""
PRIOR: Final = 20
"""How many logged times the careful spread counts as beside them."""


@dataclass(frozen=True, slots=True)
class Variation:
    """
    How times vary.

    Parameters
    ----------
    service
        Of ln(time / planned time) of a visit, in deviations that are usual for it.
    drive
        Of ln(time / estimate) of a drive, without what the day's traffic does to all.
    day_sigma
        Deviation of the logarithm of that traffic.
    late
        Seconds by which a crew leaves its base after the plan.
    turn
        Usual seconds from the end of a visit to being on the road.
    waits
        Whether a crew that is early within its window begins at the planned start only.
    least_sigma
        The least a visit's own deviation is taken to be.
    unseen
        Shares of visits without the tap of leaving, without that and of arriving, without any; () while nobody knows.
    unseen_there, unseen_done
        Of those with the one of leaving, shares without that of arriving, without any more; of those with that of
        arriving, the share without the last.
    silent
        Share of crew-days without any tap.
    held_up
        Share of crews of which nothing is seen because something holds them up.
    visits, drives
        How many logged ones stand behind it.
    """

    service: Quantiles
    drive: Quantiles
    day_sigma: float
    late: Quantiles
    turn: float = 0.0
    waits: bool = True
    least_sigma: float = 0.0
    unseen: tuple[float, ...] = ()
    unseen_there: tuple[float, ...] = ()
    unseen_done: tuple[float, ...] = ()
    silent: float = 0.0
    held_up: float = HELD_UP
    visits: int = 0
    drives: int = 0

    @classmethod
    def lognormal(
        cls, *, least_sigma: float = 0.0, drive: float = 0.0, day: float = 0.0, late: float = 0.0
    ) -> Variation:
        """Lognormal times with the planned mean; `late` is the mean of an exponential lateness, in seconds."""
        return cls(
            NORMAL, _normal(drive), day, tuple(-late * math.log1p(-share) for share in SHARES), least_sigma=least_sigma
        )

    @property
    def is_learned(self) -> bool:
        """Whether it is the firm's own."""
        return min(self.visits, self.drives) >= ENOUGH

    def services(self, sigma: float, days: int) -> np.ndarray:
        """Factors on a visit's planned time, ascending, each as likely; `sigma` is usual for it."""
        sigma = max(sigma, self.least_sigma)
        return _factors(self.service, sigma, 0.0 if self.is_learned else -(sigma**2) / 2, days)

    def drive_factors(self, days: int) -> np.ndarray:
        """Factors on a drive's estimate, ascending, each as likely."""
        return _factors(self.drive, 1.0, 0.0, days)

    def day_factors(self, days: int) -> np.ndarray:
        """Factors common to a day's drives, ascending, each as likely."""
        return _factors(NORMAL, self.day_sigma, -(self.day_sigma**2) / 2, days)

    def lateness(self, days: int) -> np.ndarray:
        """Seconds by which a crew leaves late, ascending, each as likely."""
        return spread(self.late, days)

    def as_json(self) -> dict[str, object]:
        """As it is stored."""
        return asdict(self)

    @classmethod
    def from_json(cls, stored: Mapping[str, object]) -> Variation:
        """And back."""
        values: dict[str, Any] = {name: tuple(one) if isinstance(one, list) else one for name, one in stored.items()}
        return cls(**values)


def _normal(sigma: float) -> Quantiles:
    """Of a lognormal time's logarithm, the mean of the time 1."""
    return tuple(sigma * z - sigma**2 / 2 for z in NORMAL)


CAREFUL: Final = Variation.lognormal(
    least_sigma=CAREFUL_SERVICE, drive=CAREFUL_DRIVE, day=CAREFUL_DAY, late=CAREFUL_LATE_S
)
"""Before a firm has learned its own."""


@lru_cache(maxsize=64)
def spread(quantiles: Quantiles, days: int) -> np.ndarray:
    """The distribution of these quantiles by so many values of the same weight, ascending."""
    found = np.interp((np.arange(days) + 0.5) / days, SHARES, quantiles)
    found.flags.writeable = False
    return found


@lru_cache(maxsize=256)
def _factors(quantiles: Quantiles, scale: float, shift: float, days: int) -> np.ndarray:
    found = np.asarray(np.exp(scale * spread(quantiles, days) + shift))
    found.flags.writeable = False
    return found


# -- from taps ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LoggedVisit:
    """A visit tapped at both ends: seconds on one axis; `opens` is when its window did, None without one."""

    planned: float
    sigma: float
    start: float
    opens: float | None
    arrived: float
    done: float


@dataclass(frozen=True, slots=True)
class LoggedDrive:
    """A drive tapped at both ends, seconds; drives of one `day` shared its traffic."""

    day: Hashable
    estimate: float
    taken: float


def learned(
    visits: Sequence[LoggedVisit],
    drives: Sequence[LoggedDrive],
    late: Sequence[float],
    turns: Sequence[float],
    taps: Counter[tuple[bool, bool, bool]],
    silent: float,
) -> Variation:
    """
    What logged times teach; the careful spread where they are too few.

    Parameters
    ----------
    late
        Seconds by which crews left their base after the plan.
    turns
        Seconds from the end of a visit to the next drive, of crews that had no reason to wait; from an hour on
        something held them up.
    taps
        How many visits have which of the taps leaving, arrived, done.
    silent
        Share of crew-days without any; their visits are in none of the others.

    Examples
    --------
    >>> learned([], [], [], [], Counter(), 0.0) == CAREFUL
    True
    """
    few = replace(CAREFUL, visits=len(visits), drives=len(drives))
    if not few.is_learned:
        return few
    waits = _waits(visits)
    logs = [_deviations(one, one.start if waits or one.opens is None else one.opens) for one in visits]
    mean, day_sigma, own_sigma = components(drives)
    ratios = np.array([math.log(one.taken / one.estimate) for one in drives])
    shape = (ratios - ratios.mean()) * (own_sigma / ratios.std() if ratios.std() else 0.0)
    usual = [one for one in turns if one < HELD_S]
    wide = CAREFUL_SERVICE / float(np.median([one.sigma for one in visits]))
    return replace(
        few,
        service=pooled(logs, [wide * z for z in NORMAL]),
        drive=pooled(shape + mean + day_sigma**2 / 2, _normal(CAREFUL_DRIVE)),
        day_sigma=day_sigma,
        late=pooled(late, CAREFUL.late),
        turn=float(np.median(usual)) if usual else 0.0,
        waits=waits,
        least_sigma=0.0,
        unseen=(_share(taps, "0..", "..."), _share(taps, "00.", "..."), _share(taps, "000", "...")),
        unseen_there=(_share(taps, "10.", "1.."), _share(taps, "100", "1..")),
        unseen_done=(_share(taps, ".10", ".1."),),
        silent=silent,
        held_up=(HELD_UP * HELD_PRIOR + len(turns) - len(usual)) / (HELD_PRIOR + len(turns)),
    )


def _share(taps: Counter[tuple[bool, bool, bool]], some: str, of: str) -> float:
    """Share of visits with those taps (1: there is one, 0: none) of those with these; never quite 0 or 1."""

    def count(pattern: str) -> int:
        return sum(
            n for key, n in taps.items() if all(p in {".", str(int(k))} for p, k in zip(pattern, key, strict=True))
        )

    return (count(some) + 0.5) / (count(of) + 1)


def _deviations(one: LoggedVisit, opens: float) -> float:
    """A visit's logarithm of time over plan, in the deviations usual for it."""
    return math.log(max(60.0, one.done - max(one.arrived, opens)) / one.planned) / one.sigma


def _waits(visits: Sequence[LoggedVisit]) -> bool:
    """
    Whether crews that are early within their window wait for the planned start.

    Their visits are compared with those of crews that were not early: which reading makes them as long?
    """
    early = [one for one in visits if one.opens is not None and one.opens <= one.arrived < one.start - 300]
    others = [_deviations(one, one.arrived) for one in visits if one.arrived >= one.start]
    if min(len(early), len(others)) < PRIOR:
        return True
    usual = float(np.median(others))
    at_once = float(np.median([_deviations(one, one.arrived) for one in early]))
    later = float(np.median([_deviations(one, one.start) for one in early]))
    return abs(later - usual) <= abs(at_once - usual)


def components(drives: Sequence[LoggedDrive]) -> tuple[float, float, float]:
    """
    Mean of ln(taken / estimate), its deviation between days and within them, by the analysis of variance [1]_.

    Examples
    --------
    >>> days = [LoggedDrive(day, 600.0, 600.0 * math.exp(0.1 * day)) for day in (-1, 1) for _ in range(3)]
    >>> [round(value, 3) for value in components(days)]
    [0.0, 0.141, 0.0]
    """
    groups: dict[Hashable, list[float]] = {}
    for one in drives:
        groups.setdefault(one.day, []).append(math.log(one.taken / one.estimate))
    sizes = np.array([len(group) for group in groups.values()])
    means = np.array([sum(group) / len(group) for group in groups.values()])
    count, mean = int(sizes.sum()), float((sizes * means).sum() / sizes.sum())
    between = float((sizes * (means - mean) ** 2).sum())
    within = sum((value - own) ** 2 for group, own in zip(groups.values(), means, strict=True) for value in group)
    if len(groups) < 2 or count == len(groups):
        return mean, 0.0, math.sqrt((between + within) / max(1, count - 1))
    inside = within / (count - len(groups))
    usual_size = (count - (sizes**2).sum() / count) / (len(groups) - 1)
    common = max(0.0, (between / (len(groups) - 1) - inside) / usual_size)
    return mean, math.sqrt(common), math.sqrt(inside)


def pooled(values: Sequence[float] | np.ndarray, prior: Sequence[float]) -> Quantiles:
    """Of the values, the prior's among them like `PRIOR` more of its own."""
    spots = (np.arange(PRIOR) + 0.5) / PRIOR
    pooled = np.concatenate([np.asarray(values, dtype=float), np.interp(spots, SHARES, prior)])
    return tuple(np.quantile(pooled, SHARES).tolist())
