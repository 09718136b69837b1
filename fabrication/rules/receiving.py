"""What came in, as somebody says it: yards and meters on a roll, and numbers that are asked back."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from shared.lengths import Length, LengthUnit

YARD, METER = Length.inches(36), Length.mm(1000)
RUNS: Final = {"yd": YARD, "m": METER}
"""What the length of a roll or a reel is counted in, beside the tape's own unit."""

LEAST_ROLL, MOST_ROLL = 2 * YARD, 300 * YARD
"""A roll outside of these is asked back; our own bounds for asking, no rule of the trade."""
FIRST_MOST: Final = 200
"""So many bars or rolls at once of what never came in before are asked back; our own bound."""
MOST_ROLLS: Final = 20
"""So many rolls or reels at once of what never came in that many are asked back; our own bound."""
TIMES_BEFORE: Final = 10
"""More than so many times the most that ever came in at once is asked back; our own bound."""


def run_length(number: str, counted_in: str) -> Length:
    """
    So many yards or meters, to the nearest tick.

    Raises
    ------
    ValueError
        When `number` is no plain number.

    Examples
    --------
    >>> run_length("30", "yd").text(), run_length("27.5", "m").text(LengthUnit.MM)
    ('1080', '27500')
    """
    return Length(round(Fraction(number) * RUNS[counted_in].ticks))


def odd_number(quantity: int, most_before: int, *, by_length: bool) -> str:
    """
    Why a count is asked back; empty where it is plain.

    Parameters
    ----------
    most_before
        The most of it that ever came in at once; 0 where none did.
    by_length
        Whether it is kept by length (bars, strips), not by the piece.

    Examples
    --------
    >>> odd_number(900, 40, by_length=True)
    'the most received at once so far is 40'
    >>> odd_number(30, 40, by_length=True)
    ''
    """
    if most_before:
        return f"the most received at once so far is {most_before}" if quantity > TIMES_BEFORE * most_before else ""
    return "none was received before" if by_length and quantity > FIRST_MOST else ""


def odd_length(length: Length, sizes: Sequence[Length], unit: LengthUnit, *, is_roll: bool) -> str:
    """
    Why the length of one is asked back: far off the sizes it is bought in, or off any roll; empty where it is plain.

    Examples
    --------
    >>> odd_length(Length.inches(30), [], LengthUnit.INCH, is_roll=True)
    'a roll is seldom shorter than 2 yd or longer than 300 yd'
    >>> odd_length(Length.inches(19), [Length.inches(192), Length.inches(228)], LengthUnit.INCH, is_roll=False)
    'it is bought at 192 in, 228 in'
    """
    if sizes:
        is_near = min(sizes).ticks <= 2 * length.ticks and length.ticks <= 2 * max(sizes).ticks
        bought = ", ".join(size.text(unit, symbol=True) for size in sizes)
        return "" if is_near else f"it is bought at {bought}"
    if is_roll and not LEAST_ROLL <= length <= MOST_ROLL:
        return f"a roll is seldom shorter than {_yards(LEAST_ROLL)} or longer than {_yards(MOST_ROLL)}"
    return ""


def run_text(length: Length, unit: LengthUnit) -> str:
    """
    A length along a roll as it is bought, beside what a tape says.

    Examples
    --------
    >>> run_text(Length.inches(900), LengthUnit.INCH)
    '900 in (25 yd)'
    >>> run_text(Length.mm(27500), LengthUnit.MM)
    '27500 mm (27.5 m)'
    """
    long = _yards(length) if unit == LengthUnit.INCH else f"{_plain(length.ticks, METER)} m"
    return f"{length.text(unit, symbol=True)} ({long})"


def _yards(length: Length) -> str:
    return f"{_plain(length.ticks, YARD)} yd"


def _plain(ticks: int, one: Length) -> str:
    """So many of one, to a hundredth, without an exponent."""
    return f"{ticks / one.ticks:.2f}".rstrip("0").rstrip(".")


def odd_rolls(quantity: int, most_before: int, length: Length, unit: LengthUnit) -> str:
    """
    Why so many rolls on one purchase are asked back, with what they come to; empty where it is plain.

    Examples
    --------
    >>> odd_rolls(900, 2, Length.inches(1080), LengthUnit.INCH)
    '900 rolls, 27000 yd in all; the most at once so far is 2'
    >>> odd_rolls(3, 0, Length.inches(1080), LengthUnit.INCH)
    ''
    """
    if quantity <= max(MOST_ROLLS, most_before):
        return ""
    in_all = _yards(length * quantity) if unit == LengthUnit.INCH else f"{_plain(length.ticks * quantity, METER)} m"
    before = f"the most at once so far is {most_before}" if most_before else "none was bought before"
    return f"{quantity} rolls, {in_all} in all; {before}"
