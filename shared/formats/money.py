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


SIGNS: Final = {"USD": "$", "CAD": "CA$", "GBP": "£", "EUR": "€"}
"""Of currencies that have one; others are written by their code."""


def money_text(value: Decimal, currency: str) -> str:
    """
    A sum in a currency, by its three letters.

    >>> money_text(Decimal("1204.5"), "USD"), money_text(Decimal(-3), "CAD"), money_text(Decimal(3), "CHF")
    ('$1,204.50', '\u2212CA$3.00', 'CHF 3.00')
    """
    return f"{'−' if value < 0 else ''}{SIGNS.get(currency, currency + ' ')}{cents(abs(value)):,}"


def extra_cost(value: Decimal, currency: str) -> str:
    """
    What a change costs the firm more, or saves it.

    >>> extra_cost(Decimal("4.2"), "USD"), extra_cost(Decimal(-3), "USD")
    ('costs us $4.20 more', 'saves us $3.00')
    """
    return f"costs us {money_text(value, currency)} more" if value >= 0 else f"saves us {money_text(-value, currency)}"
