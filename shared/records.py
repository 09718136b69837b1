"""
Frozen dataclasses as JSON, read strictly, field by field, and written back equal.

Lengths are text: ``"1 3/4"`` is inches, ``"904 mm"`` millimetres, ``"12345 ticks"`` what lies on
neither grid, ``"-1 1/8"`` takes away. Numbers with a fraction are text too (``"0.42"``, ``"2/3"``),
because a JSON column gives floats back and a float is never exact.

A field's limit stands beside its type: ``Annotated[Length, Within("0", "6")]``.
"""

from __future__ import annotations

import dataclasses
import types
import typing
import uuid
from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from functools import cache
from typing import Any, ClassVar, Final, Self, get_args, get_origin

from shared.contracts import ContractError
from shared.lengths import TICKS_PER_INCH, TICKS_PER_MM, Length, LengthError, LengthUnit, parse_length

PRACTICE: Final = "common practice, no published source"
"""The basis of every starting value that has no better one."""

LONGEST_TEXT: Final = 600
LARGEST_NUMBER: Final = 10**9


@dataclasses.dataclass(frozen=True)
class Within:
    """Bounds of a field, inclusive, beside its type in ``Annotated``; a length's are inches as text."""

    least: str | int | None = None
    most: str | int | None = None

    def __str__(self) -> str:
        if self.least is not None and self.most is not None:
            return f"{self.least} to {self.most}"
        if self.least is not None:
            return f"at least {self.least}"
        return f"at most {self.most}" if self.most is not None else ""


class OneOf:
    """The words a field may hold, beside its type in ``Annotated``."""

    def __init__(self, *words: str) -> None:
        self.words = words

    def __str__(self) -> str:
        return "one of " + ", ".join(word or '""' for word in self.words)


@dataclasses.dataclass(frozen=True)
class Longest:
    """The most characters of a text, or entries of a list or an object, beside its type in ``Annotated``."""

    most: int

    def __str__(self) -> str:
        return f"at most {self.most}"


Limit = Within | OneOf | Longest | None


class Record:
    """Mixed into a frozen dataclass: `from_json` and `to_json` by its annotations."""

    UNSAID: ClassVar[Within | None] = None
    """The bounds of numbers and lengths that say none of their own."""

    @classmethod
    def from_json(cls, value: Any, path: str = "") -> Self:
        """
        From a JSON object; fields with a default may be left out, unknown ones are refused.

        Raises
        ------
        shared.contracts.ContractError
            A ValueError with ``.field`` (its path, ``brackets.slat.sizes[0].height``),
            ``.problem`` and ``.bound``.
        """
        if not isinstance(value, dict):
            raise ContractError(path or "document", "no object where one belongs", "{..}")
        fields = fields_of(cls)
        known = {field.name for field, _ in fields}
        for name in value:
            if name not in known:
                raise ContractError(_at(path, str(name)[:60]), "unknown field", "known here: " + ", ".join(known))
        made = cls(**{field.name: _field(value, field, kind, cls.UNSAID, path) for field, kind in fields})
        made.check(path)
        return made

    def to_json(self) -> dict[str, Any]:
        """A JSON object from which `from_json` makes an equal value."""
        return {field.name: plain(getattr(self, field.name)) for field, _ in fields_of(type(self))}

    def check(self, path: str) -> None:
        """What holds between fields; raises `ContractError` where it does not."""


def verify(value: Record, path: str = "") -> None:
    """Checks the bounds and words of an object's own fields, however it was made."""
    for field, kind in fields_of(type(value)):
        held = getattr(value, field.name)
        if held is not None and get_origin(kind) is typing.Annotated:
            problem = _problem(held, get_args(kind)[1])
            if problem:
                raise ContractError(_at(path, field.name), problem, str(get_args(kind)[1]))


_KNOWN: Final[dict[Any, tuple[tuple[dataclasses.Field[Any], Any], ...]]] = {}


def fields_of(cls: type[Any]) -> tuple[tuple[dataclasses.Field[Any], Any], ...]:
    """Each field with its resolved annotation, looked up once a class."""
    if cls not in _KNOWN:
        hints = typing.get_type_hints(cls, include_extras=True)
        _KNOWN[cls] = tuple((field, hints[field.name]) for field in dataclasses.fields(cls) if field.init)
    return _KNOWN[cls]


# -- as text ----------------------------------------------------------------------------


def length_text(length: Length) -> str:
    """
    Exact text `read_length` takes back.

    Examples
    --------
    >>> length_text(Length.inches("-9/8")), length_text(Length.mm(904)), length_text(Length(1))
    ('-1 1/8', '904 mm', '1 ticks')
    """
    if length.ticks < 0:
        return "-" + length_text(-length)
    if length.ticks % (TICKS_PER_INCH // 64) == 0:
        return length.text(LengthUnit.INCH)
    if length.ticks % (TICKS_PER_MM // 10) == 0:
        return length.text(LengthUnit.MM, symbol=True)
    return f"{length.ticks} ticks"


def read_length(text: str) -> Length:
    """
    A length as `length_text` writes it or as people type it, in inches unless it says so.

    Examples
    --------
    >>> read_length("-1 1/8") == Length.inches("-9/8")
    True
    """
    if text.startswith("-"):
        return -read_length(text[1:].strip())
    number, _, word = text.partition(" ")
    if word == "ticks" and number.isdigit() and len(number) <= 16:
        return Length(int(number))
    return parse_length(text, LengthUnit.INCH)


def number_text(value: Fraction) -> str:
    """
    A fraction as people write it: decimal where that ends, else a quotient.

    Examples
    --------
    >>> number_text(Fraction(21, 20)), number_text(Fraction(2, 3)), number_text(Fraction(2))
    ('1.05', '2/3', '2')
    """
    places = 0
    while value.denominator != 1 and places <= value.denominator.bit_length():
        places, value = places + 1, value * 10
    if value.denominator != 1:
        return str(value / 10**places)
    digits = tuple(int(digit) for digit in str(abs(value.numerator)))
    return format(Decimal((int(value < 0), digits, -places)), "f")


def plain(value: Any) -> Any:
    """A value of ours as JSON has it."""
    if isinstance(value, Record):
        return value.to_json()
    if isinstance(value, Length):
        return length_text(value)
    if isinstance(value, uuid.UUID):
        return str(value)
    if isinstance(value, Fraction):
        return number_text(value)
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, tuple):
        return [plain(entry) for entry in value]
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    return value


# -- reading -----------------------------------------------------------------------


def _at(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


def _field(values: dict[str, Any], field: dataclasses.Field[Any], kind: Any, unsaid: Limit, path: str) -> Any:
    limit: Limit = unsaid
    if get_origin(kind) is typing.Annotated:
        kind, limit = get_args(kind)
    value = values.get(field.name)
    if value is None:
        if field.name in values and _may_be_none(kind):  # null says something else than nothing said
            return None
        if field.default is not dataclasses.MISSING:
            return field.default
        if field.default_factory is not dataclasses.MISSING:
            return field.default_factory()
        if _may_be_none(kind):
            return None
        raise ContractError(_at(path, field.name), "missing", "required")
    return _value(value, kind, limit, _at(path, field.name))


def _may_be_none(kind: Any) -> bool:
    return get_origin(kind) in {types.UnionType, typing.Union} and type(None) in get_args(kind)


def _value(value: Any, kind: Any, limit: Limit, path: str) -> Any:
    if _may_be_none(kind):
        if value is None:
            return None
        kind = next(part for part in get_args(kind) if part is not type(None))
    if get_origin(kind) is typing.Annotated:  # an entry with a limit of its own
        kind, limit = get_args(kind)
    origin = get_origin(kind)
    if origin is tuple:
        if not isinstance(value, list):
            raise ContractError(path, "no list where one belongs", "[..]")
        limit = _counted(value, limit, path)
        inner = get_args(kind)[0]
        return tuple(_value(entry, inner, limit, f"{path}[{place}]") for place, entry in enumerate(value))
    if origin is not None and issubclass(origin, Mapping):
        if not isinstance(value, dict):
            raise ContractError(path, "no object where one belongs", "{..}")
        limit = _counted(value, limit, path)
        inner = get_args(kind)[1]
        return {str(key): _value(entry, inner, limit, _at(path, str(key))) for key, entry in value.items()}
    if issubclass(kind, Record):
        return value if isinstance(value, kind) else kind.from_json(value, path)
    if kind in {str, bool} and isinstance(limit, Within):  # what is unsaid is said of numbers only
        limit = None
    if isinstance(limit, Longest):
        return _text(value, str(limit), path, limit.most)
    bound = str(limit) if limit is not None else ""
    read = _READERS[kind](value, bound, path)
    problem = _problem(read, limit)
    if problem:
        raise ContractError(path, problem, bound)
    return read


def _counted(value: Any, limit: Limit, path: str) -> Limit:
    """What is left of a limit for the entries once they are counted."""
    if not isinstance(limit, Longest):
        return limit
    if len(value) > limit.most:
        raise ContractError(path, f"{len(value)} entries", str(limit))
    return None


def _problem(value: Any, limit: Limit) -> str:
    """What is wrong with a value under its limit; empty for nothing."""
    if isinstance(value, tuple):
        return next((problem for entry in value if (problem := _problem(entry, limit))), "")
    if isinstance(limit, OneOf):
        return "" if value in limit.words else f"{value[:40]!r} is not known"
    if limit is None or isinstance(limit, Longest) or isinstance(value, Mapping | str | bool):
        return ""
    least, most = (_as_kind(bound, value) for bound in (limit.least, limit.most))
    outside = (least is not None and value < least) or (most is not None and value > most)
    return f"{plain(value)} is out of bounds" if outside else ""


def _as_kind(bound: str | int | None, value: Any) -> Any:
    if bound is None:
        return None
    return _inches(str(bound)) if isinstance(value, Length) else type(value)(bound)


@cache
def _inches(text: str) -> Length:
    return read_length(text)


def _text(value: Any, bound: str, path: str, most: int = LONGEST_TEXT) -> str:
    if not isinstance(value, str):
        raise ContractError(path, "no text where it belongs", bound or "text")
    if len(value) > most:
        raise ContractError(path, f"{len(value)} characters", f"at most {most}")
    return value


def _name(value: Any, bound: str, path: str) -> uuid.UUID:
    try:
        return uuid.UUID(value)
    except (ValueError, TypeError, AttributeError):
        raise ContractError(path, "no UUID where one belongs", "a UUID") from None


def _anything(value: Any, bound: str, path: str) -> Any:
    return value


def _truth(value: Any, bound: str, path: str) -> bool:
    if not isinstance(value, bool):
        raise ContractError(path, "neither true nor false", "true or false")
    return value


def _whole(value: Any, bound: str, path: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ContractError(path, "no whole number where one belongs", bound or "a whole number")
    return value


def _fraction(value: Any, bound: str, path: str) -> Fraction:
    if isinstance(value, bool) or not isinstance(value, int | str | Decimal):
        raise ContractError(path, "no number where one belongs", bound or 'text such as "1.05" or "2/3"')
    try:
        number = Fraction(value)
    except (ValueError, ZeroDivisionError, OverflowError):
        problem = f"{str(value)[:40]!r} is not a number"
        raise ContractError(path, problem, bound or 'text such as "1.05" or "2/3"') from None
    if abs(number) > LARGEST_NUMBER or number.denominator > LARGEST_NUMBER:
        raise ContractError(path, f"{str(value)[:40]} can't be used", bound or "up to 9 digits either side")
    return number


def _decimal(value: Any, bound: str, path: str) -> Decimal:
    number = _fraction(value, bound, path)
    try:
        return Decimal(value)
    except InvalidOperation:  # a quotient
        return Decimal(number.numerator) / number.denominator


def _length(value: Any, bound: str, path: str) -> Length:
    if not isinstance(value, str):
        raise ContractError(path, "a length is text", bound or 'such as "35 3/8" or "904 mm"')
    try:
        return read_length(value.strip())
    except LengthError as error:
        raise ContractError(path, error.problem, bound or 'such as "35 3/8" or "904 mm"') from None


_READERS: Final[dict[Any, Callable[[Any, str, str], Any]]] = {
    str: _text,
    bool: _truth,
    int: _whole,
    Fraction: _fraction,
    Decimal: _decimal,
    Length: _length,
    uuid.UUID: _name,
    Any: _anything,
}
