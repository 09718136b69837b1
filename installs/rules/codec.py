"""
Reads and writes our frozen dataclasses as JSON, field by field, strictly.

Lengths are strings (``"1 3/4"`` is inches, ``"904 mm"`` millimetres, ``"12345 ticks"`` what
lies on neither grid); numbers with a fraction are strings too (``"0.42"``), because a JSON
column gives floats back and a float is never exact.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Callable
from decimal import Decimal, InvalidOperation
from functools import cache
from typing import Any, Self, get_args, get_origin

from shared.contracts import ContractError, Reader
from shared.lengths import TICKS_PER_INCH, TICKS_PER_MM, Length, LengthError, Unit, parse_length

PRACTICE = "common practice, no published source"
"""The basis of every starting value that has no better one."""

LONGEST_TEXT = 600
LARGEST_NUMBER = 10**9


class Data:
    """Mixed into a frozen dataclass: `from_json` and `to_json` by its annotations."""

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
        reader = Reader(value, path)
        found = {field.name: _field(reader, field, kind) for field, kind in fields_of(cls)}
        reader.done()
        made = cls(**found)
        made.check(path)
        return made

    def to_json(self) -> dict[str, Any]:
        """A JSON object from which `from_json` makes an equal value."""
        return {field.name: _plain(getattr(self, field.name)) for field, _ in fields_of(type(self))}

    def check(self, path: str) -> None:
        """What holds between fields; raises `ContractError` where it does not."""


@dataclasses.dataclass(frozen=True)
class Within:
    """Bounds of a field, inclusive, beside its type in ``Annotated``; a length's are inches as text."""

    least: str | int | None = None
    most: str | int | None = None

    def __str__(self) -> str:
        if self.least is not None and self.most is not None:
            return f"{self.least} to {self.most}"
        return f"at least {self.least}" if self.least is not None else f"at most {self.most}"


class OneOf:
    """The words a field may hold, beside its type in ``Annotated``."""

    def __init__(self, *words: str) -> None:
        self.words = words

    def __str__(self) -> str:
        return "one of " + ", ".join(word or '""' for word in self.words)


def length_text(length: Length) -> str:
    """
    Exact text `read_length` takes back.

    Examples
    --------
    >>> from shared.lengths import Length
    >>> length_text(Length.inches("7/4")), length_text(Length.mm(904)), length_text(Length(1))
    ('1 3/4', '904 mm', '1 ticks')
    """
    if length.ticks < 0:
        return f"{length.ticks} ticks"
    if length.ticks % (TICKS_PER_INCH // 64) == 0:
        return length.text(Unit.INCH)
    if length.ticks % (TICKS_PER_MM // 10) == 0:
        return length.text(Unit.MM, symbol=True)
    return f"{length.ticks} ticks"


def read_length(text: str) -> Length:
    """A length as `length_text` writes it or as people type it, in inches unless it says so."""
    number, _, word = text.partition(" ")
    if word == "ticks" and number.lstrip("-").isdigit() and len(number) <= 16:
        return Length(int(number))
    return parse_length(text, Unit.INCH)


def verify(value: Data, path: str = "") -> None:
    """Checks the bounds and words of an object's own fields, however it was made."""
    for field, kind in fields_of(type(value)):
        held = getattr(value, field.name)
        if held is not None and get_origin(kind) is typing.Annotated:
            problem = _problem(held, get_args(kind)[1])
            if problem:
                raise ContractError(f"{path}.{field.name}" if path else field.name, problem, str(get_args(kind)[1]))


_KNOWN: dict[Any, tuple[tuple[dataclasses.Field[Any], Any], ...]] = {}


def fields_of(cls: type[Any]) -> tuple[tuple[dataclasses.Field[Any], Any], ...]:
    """Each field with its resolved annotation, looked up once a class."""
    if cls not in _KNOWN:
        hints = typing.get_type_hints(cls, include_extras=True)
        _KNOWN[cls] = tuple((field, hints[field.name]) for field in dataclasses.fields(cls))
    return _KNOWN[cls]


def _field(reader: Reader, field: dataclasses.Field[Any], kind: Any) -> Any:
    limit: Within | OneOf | None = None
    if get_origin(kind) is typing.Annotated:
        kind, limit = get_args(kind)
    if field.default is not dataclasses.MISSING and not reader.has(field.name):
        reader.raw(field.name, None)
        return field.default
    value = reader.raw(field.name, None) if _may_be_none(kind) else reader.raw(field.name)
    return _value(reader, field.name, value, kind, limit)


def _may_be_none(kind: Any) -> bool:
    return get_origin(kind) in {types.UnionType, typing.Union} and type(None) in get_args(kind)


def _value(reader: Reader, name: str, value: Any, kind: Any, limit: Within | OneOf | None) -> Any:
    if _may_be_none(kind):
        if value is None:
            return None
        kind = next(part for part in get_args(kind) if part is not type(None))
    origin = get_origin(kind)
    if origin is tuple:
        if not isinstance(value, list):
            reader.refuse(name, "not a list", "[..]")
        inner = get_args(kind)[0]
        return tuple(_value(reader, f"{name}[{n}]", entry, inner, limit) for n, entry in enumerate(value))
    if origin is dict:
        if not isinstance(value, dict):
            reader.refuse(name, "not an object", "{..}")
        inner = get_args(kind)[1]
        return {str(key): _value(reader, f"{name}.{key}", entry, inner, limit) for key, entry in value.items()}
    if isinstance(kind, type) and issubclass(kind, Data):
        return kind.from_json(value, reader.at(name))
    read = _READERS[kind](reader, name, value, str(limit) if limit is not None else "")
    problem = _problem(read, limit)
    if problem:
        reader.refuse(name, problem, str(limit))
    return read


def _problem(value: Any, limit: Within | OneOf | None) -> str:
    """What is wrong with a value under its limit; empty for nothing."""
    if isinstance(value, tuple):
        return next((problem for entry in value if (problem := _problem(entry, limit))), "")
    if isinstance(limit, OneOf):
        return "" if value in limit.words else f"{value[:40]} is not known"
    if limit is None or isinstance(value, dict):
        return ""
    least, most = (_as_kind(bound, value) for bound in (limit.least, limit.most))
    outside = (least is not None and value < least) or (most is not None and value > most)
    return f"{value} is out of bounds" if outside else ""


def _as_kind(bound: str | int | None, value: Any) -> Any:
    if bound is None:
        return None
    return _inches(str(bound)) if isinstance(value, Length) else Decimal(bound)


@cache
def _inches(text: str) -> Length:
    return parse_length(text, Unit.INCH)


def _read_text(reader: Reader, name: str, value: Any, bound: str) -> str:
    if not isinstance(value, str):
        reader.refuse(name, "not text", bound or "text")
    if len(value) > LONGEST_TEXT:
        reader.refuse(name, f"{len(value)} characters", f"at most {LONGEST_TEXT}")
    return str(value)


def _read_bool(reader: Reader, name: str, value: Any, bound: str) -> bool:
    if not isinstance(value, bool):
        reader.refuse(name, "not true or false", "true or false")
    return bool(value)


def _read_int(reader: Reader, name: str, value: Any, bound: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        reader.refuse(name, "not a whole number", bound or "a whole number")
    return int(value)


def _read_decimal(reader: Reader, name: str, value: Any, bound: str) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | str | Decimal):
        reader.refuse(name, "not an exact number", bound or 'a whole number, or text such as "0.42"')
    try:
        number = Decimal(value)
    except InvalidOperation:
        reader.refuse(name, f"{str(value)[:40]} is not a number", bound or 'such as "0.42"')
    if not number.is_finite() or abs(number) > LARGEST_NUMBER:
        reader.refuse(name, f"{str(value)[:40]} is out of bounds", bound or f"at most {LARGEST_NUMBER}")
    return number


def _read_length(reader: Reader, name: str, value: Any, bound: str) -> Length:
    if not isinstance(value, str):
        reader.refuse(name, "a length is text", bound or 'such as "35 3/8"')
    try:
        return read_length(value)
    except LengthError as error:
        reader.refuse(name, error.problem, bound or 'such as "35 3/8" or "904 mm"')


_READERS: dict[Any, Callable[[Reader, str, Any, str], Any]] = {
    str: _read_text,
    bool: _read_bool,
    int: _read_int,
    Decimal: _read_decimal,
    Length: _read_length,
}


def _plain(value: Any) -> Any:
    if isinstance(value, Data):
        return value.to_json()
    if isinstance(value, Length):
        return length_text(value)
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, tuple):
        return [_plain(entry) for entry in value]
    if isinstance(value, dict):
        return {key: _plain(entry) for key, entry in value.items()}
    return value
