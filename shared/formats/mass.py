"""
Weights as people read them, by the branch's units; everything that shows one asks here.

A covering's weight is kept in grams. What hardware rules reckon in pounds stays in pounds at
every branch, since their formulas and allowable loads are published in pounds.
"""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from math import ceil
from typing import Final

from shared.lengths import LengthUnit

GRAMS_PER_POUND: Final = Decimal("453.59237")
"""Exact, by the definition of the pound."""
GRAMS_PER_KILOGRAM: Final = Decimal(1000)


def mass(grams: Decimal | int, unit: LengthUnit, *, places: int = 1) -> str:
    """
    Grams in pounds or kilograms, to a tenth, halves upwards.

    >>> mass(3249, LengthUnit.MM), mass(3249, LengthUnit.INCH), mass(12_340, LengthUnit.MM, places=0)
    ('3.2 kg', '7.2 lb', '12 kg')
    """
    each, name = _sort_of(unit)
    return f"{(Decimal(grams) / each).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)} {name}"


def mass_upwards(grams: int, unit: LengthUnit) -> str:
    """
    Whole pounds or kilograms, never less than it weighs.

    >>> mass_upwards(13_500, LengthUnit.INCH), mass_upwards(13_500, LengthUnit.MM)
    ('30 lb', '14 kg')
    """
    each, name = _sort_of(unit)
    return f"{ceil(Decimal(grams) / each)} {name}"


def pounds_text(value: Decimal | float, *, places: int | None = None) -> str:
    """
    Pounds as a rule reckoned with them, so that the reckoning can be followed.

    >>> pounds_text(Decimal("13.01")), pounds_text(Decimal("243.6"), places=0)
    ('13.01 lb', '244 lb')
    """
    return f"{value} lb" if places is None else f"{value:.{places}f} lb"


def _sort_of(unit: LengthUnit) -> tuple[Decimal, str]:
    return (GRAMS_PER_POUND, "lb") if unit == LengthUnit.INCH else (GRAMS_PER_KILOGRAM, "kg")
