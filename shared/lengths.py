"""
Exact lengths.

One tick is 1/8128 inch, which is 1/320 millimetre exactly (8128 = 64 x 127 and
1 in = 25.4 mm), so every 1/64 in and every 0.1 mm is a whole number of ticks and
a sum of inches and millimetres never drifts. A length is never a float.

References
----------
.. [1] NIST Special Publication 811 (2008), Appendix B: 1 in = 25.4 mm exactly.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from fractions import Fraction
from functools import total_ordering
from typing import Final

TICKS_PER_INCH: Final = 8128
TICKS_PER_MM: Final = 320
TICKS_PER_FOOT: Final = 12 * TICKS_PER_INCH
LARGEST_TICKS: Final = 2**40  # some 3400 km: a guard against nonsense, not a trade limit


class LengthUnit(StrEnum):
    """The unit a document, a branch or a tape is in."""

    INCH = "in"
    MM = "mm"


class LengthError(ValueError):
    """Text that is not a length, with the nearest lengths where it was off the grid."""

    def __init__(self, problem: str, nearest: tuple[Length, ...] = ()) -> None:
        super().__init__(problem)
        self.problem = problem
        self.nearest = nearest


@total_ordering
@dataclass(frozen=True, slots=True)
class Length:
    """An exact length (or difference of lengths, so it may be negative), in ticks."""

    ticks: int

    def __post_init__(self) -> None:
        if type(self.ticks) is not int:
            raise TypeError(f"ticks must be an int, not {type(self.ticks).__name__}")

    # -- making ---------------------------------------------------------------

    @classmethod
    def inches(cls, value: int | Fraction | str) -> Length:
        """From whole or fractional inches; raises `LengthError` off the tick grid."""
        return cls._exactly(Fraction(value), TICKS_PER_INCH, "in")

    @classmethod
    def mm(cls, value: int | Fraction | str) -> Length:
        """From millimetres; raises `LengthError` off the tick grid (finer than 1/320 mm)."""
        return cls._exactly(Fraction(value), TICKS_PER_MM, "mm")

    @classmethod
    def _exactly(cls, value: Fraction, per_unit: int, unit: str) -> Length:
        ticks = value * per_unit
        if ticks.denominator != 1:
            raise LengthError(f"{value} {unit} is finer than the exact grid of 1/{per_unit} {unit}")
        return cls(int(ticks))

    @classmethod
    def parse(cls, text: str, unit: LengthUnit = LengthUnit.INCH) -> Length:
        """See `parse_length`."""
        return parse_length(text, unit)

    # -- arithmetic -----------------------------------------------------------

    def __add__(self, other: Length) -> Length:
        if not isinstance(other, Length):
            return NotImplemented
        return Length(self.ticks + other.ticks)

    def __radd__(self, other: object) -> Length:
        if other == 0 and type(other) is int:  # so that sum() works
            return self
        return NotImplemented

    def __sub__(self, other: Length) -> Length:
        if not isinstance(other, Length):
            return NotImplemented
        return Length(self.ticks - other.ticks)

    def __neg__(self) -> Length:
        return Length(-self.ticks)

    def __abs__(self) -> Length:
        return Length(abs(self.ticks))

    def __mul__(self, factor: int) -> Length:
        if type(factor) is not int:
            return NotImplemented
        return Length(self.ticks * factor)

    __rmul__ = __mul__

    def times(self, factor: Fraction | Decimal | int) -> Fraction:
        """Exact product in ticks, not yet a length: say how it rounds with `rounded`."""
        return self.ticks * Fraction(factor)

    def __floordiv__(self, other: Length) -> int:
        if not isinstance(other, Length):
            return NotImplemented
        return self.ticks // other.ticks

    def __mod__(self, other: Length) -> Length:
        if not isinstance(other, Length):
            return NotImplemented
        return Length(self.ticks % other.ticks)

    def __lt__(self, other: Length) -> bool:
        if not isinstance(other, Length):
            return NotImplemented
        return self.ticks < other.ticks

    def __bool__(self) -> bool:
        return self.ticks != 0

    def ratio(self, other: Length) -> Fraction:
        """How many times `other` goes into this length, exactly."""
        return Fraction(self.ticks, other.ticks)

    # -- rounding -------------------------------------------------------------

    def down(self, grid: Length) -> Length:
        """The largest multiple of `grid` that is not above this length."""
        return Length(self.ticks // grid.ticks * grid.ticks)

    def up(self, grid: Length) -> Length:
        """The smallest multiple of `grid` that is not below this length."""
        return Length(-(-self.ticks // grid.ticks) * grid.ticks)

    def nearest(self, grid: Length) -> Length:
        """The nearest multiple of `grid`; midway goes to the even multiple."""
        return Length(round(Fraction(self.ticks, grid.ticks)) * grid.ticks)

    # -- for formulas, never for storage ---------------------------------------

    def as_mm(self) -> float:
        """Millimetres as a float, for engineering formulas only."""
        return self.ticks / TICKS_PER_MM

    # -- printing -------------------------------------------------------------

    def text(self, unit: LengthUnit = LengthUnit.INCH, *, symbol: bool = False) -> str:
        """Exact text that parses back to the same length, e.g. ``35 3/8`` or ``904``."""
        body = _inch_text(self.ticks) if unit == LengthUnit.INCH else _mm_text(self.ticks)
        return f"{body} {unit.value}" if symbol else body

    def on_tape(self, unit: LengthUnit = LengthUnit.INCH) -> Length:
        """
        The nearest mark of a tape that is not above this length: 1/16 in, or a whole millimetre.

        Examples
        --------
        >>> Length.inches("6203/127").text(), Length.inches("6203/127").on_tape().text()
        ('48 107/127', '48 13/16')
        """
        return self.down(TAPE_GRID[unit])

    def fine_text(self, unit: LengthUnit = LengthUnit.INCH) -> str:
        """
        A small measure with its unit, such as a kerf: in the other unit where this one can't write it.

        Examples
        --------
        >>> Length.inches("1/8").fine_text(), Length.mm("1/10").fine_text()
        ('1/8 in', '0.1 mm')
        """
        other = LengthUnit.MM if self.ticks % (TICKS_PER_INCH // 64) else LengthUnit.INCH
        return self.text(other if unit == LengthUnit.INCH else unit, symbol=True)

    def spoken(self, unit: LengthUnit = LengthUnit.INCH) -> str:
        """For screen readers: ``35 and 3 eighths inches``."""
        return _spoken(self.ticks, unit)

    def parts(self) -> tuple[int, int, int]:
        """Sign-carrying whole inches, numerator and denominator: (35, 3, 8)."""
        return _inch_parts(self.ticks)

    def __str__(self) -> str:
        return self.text(LengthUnit.INCH, symbol=True)

    def __repr__(self) -> str:
        return f"Length({self.ticks})"


ZERO: Final = Length(0)
SIXTEENTH: Final = Length(TICKS_PER_INCH // 16)
EIGHTH: Final = Length(TICKS_PER_INCH // 8)
QUARTER: Final = Length(TICKS_PER_INCH // 4)
INCH: Final = Length(TICKS_PER_INCH)
MM: Final = Length(TICKS_PER_MM)

READING_GRID: Final = {LengthUnit.INCH: EIGHTH, LengthUnit.MM: MM}
"""What a tape is read to: 1/8 in or a whole millimetre (common practice, no published source)."""

TAPE_GRID: Final = {LengthUnit.INCH: SIXTEENTH, LengthUnit.MM: MM}
"""The finest marks of a tape, which a maker can cut by."""


def total(lengths: Iterable[Length]) -> Length:
    """Exact sum; zero for none."""
    return Length(sum(length.ticks for length in lengths))


def _inch_parts(ticks: int) -> tuple[int, int, int]:
    whole, rest = divmod(abs(ticks), TICKS_PER_INCH)
    fraction = Fraction(rest, TICKS_PER_INCH)
    return (-whole if ticks < 0 else whole), fraction.numerator, fraction.denominator


def _inch_text(ticks: int) -> str:
    whole, numerator, denominator = _inch_parts(abs(ticks))
    sign = "-" if ticks < 0 else ""
    if not numerator:
        return f"{sign}{whole}"
    return f"{sign}{whole} {numerator}/{denominator}" if whole else f"{sign}{numerator}/{denominator}"


def _mm_text(ticks: int) -> str:
    sign = "-" if ticks < 0 else ""
    whole, rest = divmod(abs(ticks), TICKS_PER_MM)
    if not rest:
        return f"{sign}{whole}"
    decimals = Decimal(rest) / TICKS_PER_MM  # 320 = 2^6 x 5: always finite
    return f"{sign}{whole}{str(decimals.normalize())[1:]}"


_ORDINALS: Final = {2: "half", 4: "quarter", 8: "eighth", 16: "sixteenth", 32: "thirty-second", 64: "sixty-fourth"}


def _spoken(ticks: int, unit: LengthUnit) -> str:
    minus = "minus " if ticks < 0 else ""
    if unit == LengthUnit.MM:
        return f"{minus}{_mm_text(abs(ticks))} millimetres"
    whole, numerator, denominator = _inch_parts(abs(ticks))
    if not numerator:
        return f"{minus}{whole} {'inch' if whole == 1 else 'inches'}"
    name = _ORDINALS.get(denominator, f"over {denominator}")
    if denominator == 2 and numerator == 1:
        part = "a half"
    else:
        part = f"{numerator} {name}{'s' if numerator > 1 and denominator in _ORDINALS else ''}"
    return f"{minus}{whole} and {part} inches" if whole else f"{minus}{part} inch"


# -- parsing -------------------------------------------------------------------

_MARKS: Final = str.maketrans("″”“′’‘⁄−–", "\"\"\"'''/--")
_UNIT: Final = r"(?P<unit>\"|''|in(?:\.|ch|ches)?|mm|cm|m)?"
_FRACTION: Final = r"(?P<gap>[\s-]*)(?<!\d)(?P<num>\d+)\s*/\s*(?P<den>\d+)"
_NUMBER: Final = rf"(?P<whole>\d+)?(?:(?P<point>[.,]\d+)|{_FRACTION})?"
_FEET: Final = re.compile(r"(?P<feet>\d+)\s*(?:'|ft\.?|feet|foot)(?!')[\s-]*(?P<rest>.*)", re.IGNORECASE)
_PLAIN: Final = re.compile(rf"{_NUMBER}\s*{_UNIT}", re.IGNORECASE)
_AND: Final = re.compile(r"(?<=\d) and (?=\d+ ?/)", re.IGNORECASE)
_ONES: Final = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS: Final = (
    "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)  # fmt: skip
_TENS: Final = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_VALUES: Final = {
    "zero": 0,
    **{word: value for value, word in enumerate(_ONES + _TEENS, 1)},
    **{word: value * 10 for value, word in enumerate(_TENS, 2)},
}
_PART_WORDS: Final = (
    (re.compile(r" ?\bthirty[ -]seconds?\b"), " ÷32"),
    (re.compile(r" ?\bsixty[ -]fourths?\b"), " ÷64"),
    (re.compile(r" ?\bsixteenths?\b"), " ÷16"),
    (re.compile(r" ?\beighths?\b"), " ÷8"),
    (re.compile(r" ?\bquarters?\b"), " ÷4"),
    (re.compile(r" ?\b(?:half|halves)\b"), " ÷2"),
    (re.compile(r"(?:^|(?<=\d)|\b(?:and|an?|one)) ÷"), " 1/"),
)
"""What is said of parts of an inch; the last makes one of a part that nobody counted."""
_UNIT_WORDS: Final = (
    (re.compile(r"\bmillimet(?:er|re)s?\b"), "mm"),
    (re.compile(r"\bcentimet(?:er|re)s?\b"), "cm"),
    (re.compile(r"\bmet(?:er|re)s?\b"), "m"),
)
_SMALL: Final = rf"(?:(?:{'|'.join(_TENS)})(?:[ -](?:{'|'.join(_ONES)})(?![a-z]))?|{'|'.join(_TEENS + _ONES)}|zero)"
_SAID_NUMBER: Final = re.compile(rf"\b({_SMALL})(?: (hundred)(?: ({_SMALL}))?)?\b")
_SAID_POINT: Final = re.compile(r" point((?: \d)+)\b")
_DENOMINATORS: Final = frozenset({2, 4, 8, 16, 32, 64})


def parse_length(text: str, unit: LengthUnit = LengthUnit.INCH) -> Length:
    """
    Reads a length as people type it.

    Parameters
    ----------
    text
        ``35 3/8``, ``35-3/8"``, ``35⅜``, ``35 and 3/8``, ``35.375``, ``2' 11 3/8"``, ``904 mm``,
        ``90.4 cm``, ``90,4 cm``, ``thirty five and three eighths``. A unit in the text wins over `unit`.
    unit
        What a bare number is in.

    Returns
    -------
    Length
        The exact length, zero or more.

    Raises
    ------
    LengthError
        When the text is no length, is ambiguous (``35 9/8``, ``35,5`` in, ``1,200`` mm), negative, or off
        the grid (``35 3/7``, ``35.4`` in); the nearest lengths are named where there are any.

    Examples
    --------
    >>> parse_length("35 3/8").ticks
    287528
    >>> parse_length("2' 11 3/8\\"") == parse_length("35⅜") == parse_length("35.375")
    True
    >>> parse_length("90.4 cm") == parse_length("904", LengthUnit.MM)
    True
    >>> parse_length("35.4")
    Traceback (most recent call last):
    ...
    shared.lengths.LengthError: 35.4 in is not a 64th of an inch; the nearest are 35 25/64 and 35 13/32
    """
    if not isinstance(text, str):
        raise LengthError("a length is text such as 35 3/8")
    shown = text.strip()
    if not shown:
        raise LengthError("nothing entered")
    if len(shown) > 40:
        raise LengthError("too long for a length")
    cleaned = _plain_text(shown)
    if cleaned.startswith("-"):
        raise LengthError(f"{shown} is negative; a length is zero or more")
    length = _parse_feet(cleaned, shown, unit)
    if length.ticks > LARGEST_TICKS:
        raise LengthError(f"{shown} is beyond any length")
    return length


def _plain_text(text: str) -> str:
    """Straight quotes, `⅜` and `and 3/8` as ` 3/8`, single spaces; refuses digits of other scripts."""
    out: list[str] = []
    for char in text:
        folded = unicodedata.normalize("NFKC", char)
        if len(char) == 1 and "⁄" in folded and folded != char:
            out.append(" " + folded)
        else:
            out.append(char)
    cleaned = re.sub(r"\s+", " ", "".join(out).translate(_MARKS)).strip()
    if not cleaned.isascii():
        raise LengthError(f"{text} is not a length")
    return _AND.sub(" ", _in_figures(cleaned.lower()))


def _in_figures(text: str) -> str:
    """
    A length as it is spoken, in figures; what has no words for numbers stays.

    Examples
    --------
    >>> _in_figures("thirty five and three eighths"), _in_figures("nine hundred four millimeters")
    ('35 and 3/8', '904 mm')
    >>> _in_figures("two feet eleven and a half"), _in_figures("ninety point four cm")
    ('2 feet 11 and 1/2', '90.4 cm')
    """
    if text in _VALUES:
        return text  # one word alone is as likely what else was said
    for pattern, figures in (*_PART_WORDS, *_UNIT_WORDS):
        text = pattern.sub(figures, text)
    text = _SAID_NUMBER.sub(_figures_of, text)
    text = _SAID_POINT.sub(lambda said: "." + said[1].replace(" ", ""), text)
    return re.sub(" +", " ", text.replace(" ÷", "/")).strip()


def _figures_of(said: re.Match[str]) -> str:
    def value(words: str | None) -> int:
        return sum(_VALUES[word] for word in re.split("[ -]", words)) if words else 0

    return str(value(said[1]) * 100 + value(said[3]) if said[2] else value(said[1]))


def _parse_feet(cleaned: str, shown: str, unit: LengthUnit) -> Length:
    match = _FEET.fullmatch(cleaned)
    if match is None:
        return _parse_plain(cleaned, shown, unit)
    feet = Length(int(match["feet"]) * TICKS_PER_FOOT)
    rest = match["rest"].strip()
    if not rest:
        return feet
    plain = _PLAIN.fullmatch(rest)
    if plain is None or (plain["unit"] or "in").lower() in {"mm", "cm", "m"}:
        raise LengthError(f"{shown} is not a length")
    inches = _parse_plain(rest, shown, LengthUnit.INCH)
    if inches.ticks >= TICKS_PER_FOOT:
        raise LengthError(f"{shown}: inches after feet must be under 12")
    return feet + inches


def _parse_plain(cleaned: str, shown: str, unit: LengthUnit) -> Length:
    match = _PLAIN.fullmatch(cleaned)
    if match is None or (match["whole"] is None and match["point"] is None and match["num"] is None):
        raise LengthError(f"{shown} is not a length; type it like 35 3/8 or 904 mm")
    word = (match["unit"] or unit.value).lower()
    is_metric = word in {"mm", "cm", "m"}
    comma = (match["point"] or "").startswith(",")
    if comma and (not is_metric or len(match["point"]) == 4):  # 1,200 may be thousands
        raise LengthError(f"{shown} is ambiguous with a comma; use a point for decimals")
    if is_metric:
        return _parse_metric(match, word, shown)
    return _parse_inches(match, shown)


def _parse_metric(match: re.Match[str], word: str, shown: str) -> Length:
    if match["num"] is not None:
        raise LengthError(f"{shown}: millimetres have no fractions")
    per_unit = {"mm": 1, "cm": 10, "m": 1000}[word]
    value = _decimal(match, shown) * per_unit * 10  # in tenths of a millimetre
    return _on_grid(value, Length(TICKS_PER_MM // 10), shown, "a tenth of a millimetre", LengthUnit.MM)


def _parse_inches(match: re.Match[str], shown: str) -> Length:
    if match["num"] is None:
        value = _decimal(match, shown) * 64
        grid = Length(TICKS_PER_INCH // 64)
        return _on_grid(value, grid, shown + ("" if match["unit"] else " in"), "a 64th of an inch", LengthUnit.INCH)
    whole, numerator, denominator = int(match["whole"] or 0), int(match["num"]), int(match["den"])
    if denominator not in _DENOMINATORS:
        if denominator == 0:
            raise LengthError(f"{shown}: a fraction cannot be over 0")
        return _on_grid(
            (whole + Fraction(numerator, denominator)) * 64,
            Length(TICKS_PER_INCH // 64),
            shown,
            "on a tape (halves to 64ths)",
            LengthUnit.INCH,
            refuse=True,
        )
    if numerator >= denominator:
        raise LengthError(
            f"{shown} is ambiguous: {numerator}/{denominator} is an inch or more; leave a space before a fraction"
        )
    return Length(whole * TICKS_PER_INCH + numerator * TICKS_PER_INCH // denominator)


def _decimal(match: re.Match[str], shown: str) -> Fraction:
    try:
        return Fraction(Decimal((match["whole"] or "0") + (match["point"] or "").replace(",", ".")))
    except InvalidOperation:  # pragma: no cover - the grammar lets only digits through
        raise LengthError(f"{shown} is not a length") from None


def _on_grid(
    value: Fraction, grid: Length, shown: str, grid_name: str, unit: LengthUnit, *, refuse: bool = False
) -> Length:
    """`value` counted in `grid`; refuses what lies between two marks, naming both."""
    if value.denominator == 1 and not refuse:
        return grid * int(value)
    below = grid * (value.numerator // value.denominator)
    if value.denominator == 1:
        raise LengthError(f"{shown} is not {grid_name}; did you mean {below.text(unit)}?", (below,))
    above = below + grid
    raise LengthError(
        f"{shown} is not {grid_name}; the nearest are {below.text(unit)} and {above.text(unit)}", (below, above)
    )
