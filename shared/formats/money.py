"""Sums of money as they are shown; everything that shows one asks here."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import Final

CENT: Final = Decimal("0.01")


def cents(value: Decimal | float | str) -> Decimal:
    """
    A sum to the cent, halves away from zero.

    >>> cents(Decimal("2.005")), cents(12.5)
    (Decimal('2.01'), Decimal('12.50'))
    """
    return Decimal(value).quantize(CENT, ROUND_HALF_UP)
