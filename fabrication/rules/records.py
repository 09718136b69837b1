"""
Frozen dataclasses of the workroom as JSON, read strictly, field by field.

Lengths are text: ``"1 3/4"`` is inches, ``"45 mm"`` millimetres, ``"-1 1/8"`` takes away.
Numbers with a fraction are text too (``"1.05"``, ``"2/3"``), because a JSON column gives
floats back and a float is never exact.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Callable, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final, Self, get_args, get_origin

from shared.contracts import ContractError
from shared.lengths import TICKS_PER_INCH, TICKS_PER_MM, Length, LengthError, Unit, parse_length

PRACTICE: Final = "common practice, no published source"
"""The basis of every starting value that has no better one."""

LONGEST_TEXT: Final = 400


class Record:
    """Mixed into a frozen dataclass: `from_json` and `to_json` by its annotations."""

    @classmethod
    def from_json(cls, value: Any, path: str = "") -> Self:
        """
        From a JSON object; fields with a default may be left out, unknown ones are refused.

        Raises
        ------
        shared.contracts.ContractError
            A ValueError with ``.field`` (its path, such as ``parts[2].length.of``),
            ``.problem`` and ``.bound``.
        """
        if not isinstance(value, dict):
            raise ContractError(path or "document", "no object where one belongs", "{..}")
        fields = _fields(cls)
        for name in value:
            if name not in fields:
                raise ContractError(_at(path, str(name)[:60]), "unknown field", "known here: " + ", ".join(fields))
        made = cls(**{name: _read(value, name, *about, path) for name, about in fields.items()})
        made.check(path)
        return made

    def to_json(self) -> dict[str, Any]:
        """A JSON object from which `from_json` makes an equal value."""
        return {name: plain(getattr(self, name)) for name in _fields(type(self))}

    def check(self, path: str) -> None:
        """What holds between fields; raises `ContractError` where it does not."""


def bounds(
    *, least: str | int | None = None, most: str | int | None = None, signed: bool = False
) -> dict[str, str | int | bool | None]:
    """Metadata of a field within both bounds, inclusive; `signed` lets a length or number be negative."""
    return {"least": least, "most": most, "signed": signed}


def among(*choices: str) -> dict[str, tuple[str, ...]]:
    """Metadata of a field that is one of `choices`."""
    return {"choices": choices}


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
        return length.text(Unit.INCH)
    if length.ticks % (TICKS_PER_MM // 10) == 0:
        return length.text(Unit.MM, symbol=True)
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
    return parse_length(text, Unit.INCH)


def number_text(value: Fraction) -> str:
    """
    A fraction as people write it: decimal where that ends, else a quotient.

    Examples
    --------
    >>> number_text(Fraction(21, 20)), number_text(Fraction(2, 3)), number_text(Fraction(2))
    ('1.05', '2/3', '2')
    """
    rest = value.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    if rest != 1:
        return str(value)
    return format(Decimal(value.numerator) / value.denominator, "f")


def plain(value: Any) -> Any:
    """A value of ours as JSON has it."""
    if isinstance(value, Record):
        return value.to_json()
    if isinstance(value, Length):
        return length_text(value)
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

_MISSING: Final = dataclasses.MISSING


def _at(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


_KNOWN: Final[dict[type, Mapping[str, tuple[dataclasses.Field[Any], Any]]]] = {}


def _fields(cls: type) -> Mapping[str, tuple[dataclasses.Field[Any], Any]]:
    """Fields of a dataclass with their types, worked out once."""
    if cls not in _KNOWN:
        hints = typing.get_type_hints(cls)
        described: Any = cls
        _KNOWN[cls] = {one.name: (one, hints[one.name]) for one in dataclasses.fields(described) if one.init}
    return _KNOWN[cls]


def _read(values: dict[str, Any], name: str, field: dataclasses.Field[Any], kind: Any, path: str) -> Any:
    value = values.get(name)
    if value is None:
        if field.default is not _MISSING:
            return field.default
        if field.default_factory is not _MISSING:
            return field.default_factory()
        if name in values and type(None) in get_args(kind):
            return None
        raise ContractError(_at(path, name), "missing", "required")
    return _value(value, kind, field.metadata, _at(path, name))


def _value(value: Any, kind: Any, limits: Mapping[str, Any], path: str) -> Any:
    origin = get_origin(kind)
    if origin in {types.UnionType, typing.Union}:
        return _value(value, next(part for part in get_args(kind) if part is not type(None)), limits, path)
    if origin is tuple:
        if not isinstance(value, list):
            raise ContractError(path, "no list where one belongs", "[..]")
        inner = get_args(kind)[0]
        return tuple(_value(entry, inner, limits, f"{path}[{place}]") for place, entry in enumerate(value))
    if origin is not None and issubclass(origin, Mapping):
        if not isinstance(value, dict):
            raise ContractError(path, "no object where one belongs", "{..}")
        inner = get_args(kind)[1]
        return {str(key): _value(entry, inner, limits, _at(path, str(key))) for key, entry in value.items()}
    if issubclass(kind, Record):
        return value if isinstance(value, kind) else kind.from_json(value, path)
    return _READERS[kind](value, limits, path)


def _text(value: Any, limits: Mapping[str, Any], path: str) -> str:
    choices = limits.get("choices")
    bound = "one of " + ", ".join(choice or '""' for choice in choices) if choices else "text"
    if not isinstance(value, str):
        raise ContractError(path, "no text where it belongs", bound)
    if len(value) > LONGEST_TEXT:
        raise ContractError(path, f"{len(value)} characters", f"at most {LONGEST_TEXT}")
    if choices and value not in choices:
        raise ContractError(path, f"{value[:40]!r} is not known", bound)
    return value


def _truth(value: Any, limits: Mapping[str, Any], path: str) -> bool:
    if not isinstance(value, bool):
        raise ContractError(path, "neither true nor false", "true or false")
    return value


def _whole(value: Any, limits: Mapping[str, Any], path: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ContractError(path, "no whole number where one belongs", _bound(limits, "a whole number"))
    _within(value, limits, path, int)
    return value


def _number(value: Any, limits: Mapping[str, Any], path: str) -> Fraction:
    if isinstance(value, bool) or not isinstance(value, int | str | Decimal):
        raise ContractError(path, "no number where one belongs", 'text such as "1.05" or "2/3"')
    try:
        number = Fraction(value)
    except (ValueError, ZeroDivisionError, OverflowError):
        raise ContractError(path, f"{str(value)[:40]!r} is not a number", 'text such as "1.05" or "2/3"') from None
    if abs(number) > 10**9 or number.denominator > 10**9:
        raise ContractError(path, f"{str(value)[:40]} can't be used", "up to 9 digits either side")
    _within(number, limits, path, Fraction)
    return number


def _decimal(value: Any, limits: Mapping[str, Any], path: str) -> Decimal:
    number = _number(value, limits, path)
    return Decimal(number.numerator) / number.denominator


def _length(value: Any, limits: Mapping[str, Any], path: str) -> Length:
    if not isinstance(value, str):
        raise ContractError(path, "a length is text", 'such as "35 3/8" or "904 mm"')
    try:
        length = read_length(value.strip())
    except LengthError as error:
        raise ContractError(path, error.problem, 'such as "35 3/8" or "904 mm"') from None
    _within(length, limits, path, lambda bound: read_length(str(bound)))
    return length


_READERS: Final[dict[Any, Callable[[Any, Mapping[str, Any], str], Any]]] = {
    str: _text,
    bool: _truth,
    int: _whole,
    Fraction: _number,
    Decimal: _decimal,
    Length: _length,
}


def _within(value: Any, limits: Mapping[str, Any], path: str, convert: Callable[[Any], Any]) -> None:
    least, most = _limits(limits)
    if (least is not None and value < convert(least)) or (most is not None and value > convert(most)):
        raise ContractError(path, f"{plain(value)} is out of bounds", _bound(limits, ""))


def _limits(limits: Mapping[str, Any]) -> tuple[Any, Any]:
    least = limits.get("least")
    return (0 if least is None and not limits.get("signed") else least), limits.get("most")


def _bound(limits: Mapping[str, Any], otherwise: str) -> str:
    least, most = _limits(limits)
    if least is not None and most is not None:
        return f"{least} to {most}"
    if least is not None:
        return f"at least {least}"
    return f"at most {most}" if most is not None else otherwise
