"""
The revised NIOSH lifting equation: how much may be lifted, and when two people are needed.

References
----------
.. [1] DHHS (NIOSH) Publication 94-110, Applications Manual for the Revised NIOSH Lifting
       Equation, rev. 9/2021. Read through a public copy (R2). Its printed multiplier
       tables differ from its formulas by up to 2 % in three rows (HM at 22 and 23 in, DM at
       130 cm); this module uses the formulas.

The method does not hold on a ladder, one-handed, seated or kneeling, in a tight space, for an
unstable load, for carrying, or beyond 8 hours: a firm's rules can say nothing of these.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from shared.contracts import ContractError

LOAD_CONSTANT_LB: Final = 51.0
LARGEST_H_IN: Final = 25.0
LARGEST_V_IN: Final = 70.0
LARGEST_D_IN: Final = 70.0
LARGEST_A_DEG: Final = 135.0
KNUCKLE_HEIGHT_IN: Final = 30.0

COUPLINGS: Final = {"good": (1.00, 1.00), "fair": (0.95, 1.00), "poor": (0.90, 0.90)}
"""Coupling multiplier below and from 30 in up [1]_."""

FREQUENCY: Final = (
    # lifts a minute, then up to 1 h, 2 h, 8 h, each below and from 30 in up [1]_, table 5
    (0.2, 1.00, 1.00, 0.95, 0.95, 0.85, 0.85),
    (0.5, 0.97, 0.97, 0.92, 0.92, 0.81, 0.81),
    (1.0, 0.94, 0.94, 0.88, 0.88, 0.75, 0.75),
    (2.0, 0.91, 0.91, 0.84, 0.84, 0.65, 0.65),
    (3.0, 0.88, 0.88, 0.79, 0.79, 0.55, 0.55),
    (4.0, 0.84, 0.84, 0.72, 0.72, 0.45, 0.45),
    (5.0, 0.80, 0.80, 0.60, 0.60, 0.35, 0.35),
    (6.0, 0.75, 0.75, 0.50, 0.50, 0.27, 0.27),
    (7.0, 0.70, 0.70, 0.42, 0.42, 0.22, 0.22),
    (8.0, 0.60, 0.60, 0.35, 0.35, 0.18, 0.18),
    (9.0, 0.52, 0.52, 0.30, 0.30, 0.00, 0.15),
    (10.0, 0.45, 0.45, 0.26, 0.26, 0.00, 0.13),
    (11.0, 0.41, 0.41, 0.00, 0.23, 0.00, 0.00),
    (12.0, 0.37, 0.37, 0.00, 0.21, 0.00, 0.00),
    (13.0, 0.00, 0.34, 0.00, 0.00, 0.00, 0.00),
    (14.0, 0.00, 0.31, 0.00, 0.00, 0.00, 0.00),
    (15.0, 0.00, 0.28, 0.00, 0.00, 0.00, 0.00),
)


@dataclass(frozen=True)
class Lift:
    """
    One lifting task, inches, degrees and lifts a minute; two hands, standing, room to move.

    `horizontal_in` is hands to the middle of the ankles, `vertical_in` hands above the floor,
    `distance_in` how far the hands travel up or down, `asymmetry_deg` the twist, `hours` how
    long such work lasts.
    """

    horizontal_in: float
    vertical_in: float
    distance_in: float
    asymmetry_deg: float = 0.0
    per_minute: float = 0.2
    hours: float = 1.0
    coupling: str = "fair"

    def __post_init__(self) -> None:
        for name in ("horizontal_in", "vertical_in", "distance_in", "asymmetry_deg", "per_minute", "hours"):
            value = getattr(self, name)
            if not value >= 0:  # also refuses NaN
                raise ContractError(name, f"{value} is negative or no number", "0 or more")
        if self.coupling not in COUPLINGS:
            raise ContractError("coupling", f"{self.coupling} is not known", "one of " + ", ".join(COUPLINGS))


@dataclass(frozen=True)
class WeightLimit:
    """The recommended weight limit and its multipliers."""

    pounds: float
    multipliers: dict[str, float]


def frequency_multiplier(per_minute: float, hours: float, vertical_in: float) -> float:
    """
    FM of the table [1]_; between two rows the lower multiplier, above 15 a minute 0.

    Examples
    --------
    >>> frequency_multiplier(3, 1, 22), frequency_multiplier(9, 8, 29), frequency_multiplier(16, 1, 40)
    (0.88, 0.0, 0.0)
    """
    column = 1 + 2 * (0 if hours <= 1 else 1 if hours <= 2 else 2) + (1 if vertical_in >= KNUCKLE_HEIGHT_IN else 0)
    for row in FREQUENCY:
        if per_minute <= row[0]:
            return row[column]
    return 0.0


def weight_limit(lift: Lift) -> WeightLimit:
    """
    RWL = 51 lb × HM × VM × DM × AM × FM × CM [1]_.

    Examples
    --------
    >>> round(weight_limit(Lift(10, 22, 37, per_minute=3)).pounds, 1)
    34.8
    """
    multipliers = {
        "HM": _horizontal(lift.horizontal_in),
        "VM": 0.0 if lift.vertical_in > LARGEST_V_IN else 1 - 0.0075 * abs(lift.vertical_in - 30),
        "DM": _distance(lift.distance_in),
        "AM": 0.0 if lift.asymmetry_deg > LARGEST_A_DEG else 1 - 0.0032 * lift.asymmetry_deg,
        "FM": frequency_multiplier(lift.per_minute, lift.hours, lift.vertical_in),
        "CM": COUPLINGS[lift.coupling][lift.vertical_in >= KNUCKLE_HEIGHT_IN],
    }
    limit = LOAD_CONSTANT_LB
    for multiplier in multipliers.values():
        limit *= multiplier
    return WeightLimit(limit, multipliers)


def _horizontal(horizontal_in: float) -> float:
    return 0.0 if horizontal_in > LARGEST_H_IN else 10 / max(horizontal_in, 10.0)


def _distance(distance_in: float) -> float:
    return 0.0 if distance_in > LARGEST_D_IN else 0.82 + 1.8 / max(distance_in, 10.0)
