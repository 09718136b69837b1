"""How far something is, by the branch's units; everything that shows a distance on the ground asks here."""

from __future__ import annotations

from typing import Final

from shared.lengths import LengthUnit

KM_A_MILE: Final = 1.609344
"""Exact, by the definition of the international mile."""
FEET_A_MILE: Final = 5280


def ground_unit(unit: LengthUnit) -> tuple[float, str]:
    """Kilometres of one mile or one kilometre, and its sign."""
    return (KM_A_MILE, "mi") if unit == LengthUnit.INCH else (1.0, "km")


def ground_text(km: float, unit: LengthUnit) -> str:
    """
    A distance on the ground: to a tenth below ten, in hundreds of meters or feet where it is short.

    >>> ground_text(0.1, LengthUnit.MM), ground_text(3.2, LengthUnit.INCH), ground_text(40, LengthUnit.INCH)
    ('100 m', '2.0 mi', '25 mi')
    >>> ground_text(0.1, LengthUnit.INCH)
    '300 ft'
    """
    each, name = ground_unit(unit)
    far = km / each
    if unit == LengthUnit.INCH and far < 0.2:
        return f"{round(far * FEET_A_MILE, -2):.0f} ft"
    if unit == LengthUnit.MM and far < 1:
        return f"{round(far * 1000, -2):.0f} m"
    return f"{far:.{0 if far >= 10 else 1}f} {name}"
