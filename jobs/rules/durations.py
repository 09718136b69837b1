"""
How long a visit takes: spread, not just a number.

Service times are skewed to the right; a lognormal fits them better than a normal
distribution [1]_. A plan is loaded by the mean, a promise is given by an upper quantile;
the median under-books both.

References
----------
.. [1] D. P. Strum, J. H. May, A. R. Sampson, L. G. Vargas, W. E. Spangler (2003).
       Estimating times of surgeries with two component procedures. Anesthesiology 98(1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

PROMISE_QUANTILE: Final = 0.85
"""The share of visits that should be over by what a promise allows: a setting's starting value."""


@dataclass(frozen=True, slots=True)
class Lognormal:
    """
    A lognormal time: its logarithm is normal with mean `mu` and deviation `sigma`.

    The unit is the caller's; `mu` is the logarithm of the median in that unit.

    Examples
    --------
    >>> visit = Lognormal.from_median(60, sigma=0.4)
    >>> round(visit.median, 1), round(visit.mean, 1), round(visit.quantile(0.9), 1)
    (60.0, 65.0, 100.2)
    """

    mu: float
    sigma: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.mu) or not 0 <= self.sigma <= 3:
            raise ValueError(f"mu {self.mu}, sigma {self.sigma} are out of bounds (finite; 0 to 3)")

    @classmethod
    def from_median(cls, median: float, sigma: float) -> Lognormal:
        """By its median (> 0) and the deviation of its logarithm."""
        return cls(math.log(_positive("median", median)), sigma)

    @classmethod
    def from_mean(cls, mean: float, deviation: float) -> Lognormal:
        """
        By its mean (> 0) and standard deviation (>= 0), same unit.

        >>> time = Lognormal.from_mean(65.0, 27.1)
        >>> round(time.mean, 1), round(time.deviation, 1)
        (65.0, 27.1)
        """
        if deviation < 0:
            raise ValueError(f"deviation {deviation} is out of bounds (at least 0)")
        spread = math.log1p((deviation / _positive("mean", mean)) ** 2)
        return cls(math.log(mean) - spread / 2, math.sqrt(spread))

    @property
    def median(self) -> float:
        """Half of the visits are shorter."""
        return math.exp(self.mu)

    @property
    def mean(self) -> float:
        """What a day is loaded with."""
        return math.exp(self.mu + self.sigma**2 / 2)

    @property
    def deviation(self) -> float:
        """Standard deviation."""
        return self.mean * math.sqrt(math.expm1(self.sigma**2))

    def quantile(self, share: float) -> float:
        """The time within which that share (0 to 1, exclusive) of visits is over."""
        if not 0 < share < 1:
            raise ValueError(f"share {share} is out of bounds (between 0 and 1)")
        return math.exp(self.mu + NormalDist().inv_cdf(share) * self.sigma)


@dataclass(frozen=True, slots=True)
class Learned:
    """A factor on the rule's times, and how many logged visits stand behind it."""

    factor: float
    visits: int


def learn_factor(planned: Sequence[float], taken: Sequence[float], rule: float = 1.0, weight: float = 10.0) -> Learned:
    """
    How a crew's logged times compare with the rule's, drawn towards the rule while they are few.

    Logarithms are averaged, so one visit of a whole day does not move it much, and the
    factor is of medians. `weight` is how many visits the rule is worth; where the
    deviation of the logarithm is s within crews and t between their factors, s^2 / t^2 is
    the best weight (the usual shrinkage of a normal mean).

    Parameters
    ----------
    planned, taken
        Medians by the rule and times logged, in one unit, all > 0; pairs.

    Examples
    --------
    >>> learn_factor([], [])
    Learned(factor=1.0, visits=0)
    >>> round(learn_factor([60.0] * 10, [90.0] * 10).factor, 3)
    1.225
    """
    ratios = [math.log(_positive("taken", t) / _positive("planned", p)) for p, t in zip(planned, taken, strict=True)]
    if weight < 0 or not ratios:
        return Learned(rule, 0)
    mean = (sum(ratios) + weight * math.log(_positive("rule", rule))) / (len(ratios) + weight)
    return Learned(math.exp(mean), len(ratios))


def learn_sigma(planned: Sequence[float], taken: Sequence[float], rule: float = 0.35, weight: float = 20.0) -> float:
    """
    The deviation of the logarithm, pooled with the rule's like `weight` visits.

    >>> round(learn_sigma([60.0, 60.0], [60.0, 60.0], rule=0.35, weight=2.0), 3)
    0.286
    """
    ratios = [math.log(_positive("taken", t) / _positive("planned", p)) for p, t in zip(planned, taken, strict=True)]
    if len(ratios) < 2:
        return rule
    mean = sum(ratios) / len(ratios)
    squares = sum((ratio - mean) ** 2 for ratio in ratios)
    return math.sqrt((squares + weight * rule**2) / (len(ratios) - 1 + weight))


def _positive(name: str, value: float) -> float:
    if not 0 < value < math.inf:
        raise ValueError(f"{name} {value} is out of bounds (more than 0)")
    return value
