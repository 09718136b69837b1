"""
Strict reading of the documents our commands take, and their errors.

A command reads one JSON object and answers with one. What it can't use it refuses with
a `ContractError` that names the field, the problem and the bound; `run_command` turns
that into ``{"error": {"field", "problem", "bound"}}`` on standard error and exit code 2.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from enum import Enum
from fractions import Fraction
from typing import Any, Final, NoReturn

from shared.lengths import LARGEST_TICKS, Length, LengthError, LengthUnit, parse_length

PLAIN: Final = "1"
"""The unit of benchmark data: plain integers, which are the ticks themselves."""

UNITS: Final = (*(unit.value for unit in LengthUnit), PLAIN)
LARGEST_DOCUMENT: Final = 64 * 1024 * 1024
LARGEST_INTEGER: Final = 10**15


class ContractError(ValueError):
    """A field of a document that can't be used, why, and what would be allowed."""

    def __init__(self, field: str, problem: str, bound: str = "") -> None:
        super().__init__(f"{field}: {problem}" + (f" ({bound})" if bound else ""))
        self.field = field
        self.problem = problem
        self.bound = bound

    def as_json(self) -> dict[str, dict[str, str]]:
        """The error object of the contract."""
        return {"error": {"field": self.field, "problem": self.problem, "bound": self.bound}}


class _Required(Enum):
    REQUIRED = "required"


REQUIRED: Final = _Required.REQUIRED


class Reader:
    """
    One JSON object, read field by field; `done` refuses what nobody asked for.

    A field with a default may be left out; null counts as left out only when the
    default is None. Every error names the path, e.g. ``pieces[3].length``.

    Examples
    --------
    >>> piece = Reader.parse('{"id": "p1", "length": "35 3/8"}')
    >>> piece.string("id"), piece.length("length", "in").ticks, piece.integer("quantity", default=1)
    ('p1', 287528, 1)
    >>> piece.done()
    >>> Reader.parse('{"length": 35.5}').length("length", "in")
    Traceback (most recent call last):
    ...
    shared.contracts.ContractError: length: a length is a string, not a number (such as "35 3/8")
    """

    def __init__(self, value: Any, path: str = "") -> None:
        if not isinstance(value, dict):
            raise ContractError(path or "document", f"{kind_word(value)} where an object belongs", "{..}")
        self.path = path
        self._values: dict[str, Any] = value
        self._seen: set[str] = set()

    @classmethod
    def parse(cls, text: str | bytes, path: str = "", *, most: int = LARGEST_DOCUMENT) -> Reader:
        """From JSON text of at most `most` characters; `path` stands before the fields in errors, e.g. ``line 7``."""
        return cls(parse_json(text, path or "document", most=most), path)

    def at(self, name: str) -> str:
        """The full path of one of its fields."""
        return _joined(self.path, name)

    def has(self, name: str) -> bool:
        """Whether the field is there and not null."""
        return self._values.get(name) is not None

    def raw(self, name: str, default: Any = REQUIRED) -> Any:
        """The value as JSON has it, unchecked (fractions of numbers are Decimal)."""
        self._seen.add(name)
        value = self._values.get(name)
        if value is None and (default is None or name not in self._values):
            if default is REQUIRED:
                raise ContractError(self.at(name), "missing", "required")
            return default
        return value

    def string(self, name: str, default: Any = REQUIRED, *, choices: Iterable[str] | None = None) -> Any:
        """Text, one of `choices` where given; at most 200 characters."""
        value = self.raw(name, default)
        if value is default:
            return value
        allowed = None if choices is None else tuple(choices)
        if not isinstance(value, str):
            self.refuse(name, f"{kind_word(value)} where text belongs", _listed(allowed))
        if allowed is not None and value not in allowed:
            self.refuse(name, f"{shortened(value)} is not known", _listed(allowed))
        if len(value) > 200:
            self.refuse(name, f"{len(value)} characters", "at most 200")
        return value

    def strings(self, name: str, default: Any = REQUIRED, *, choices: Iterable[str] | None = None) -> Any:
        """A tuple of texts."""
        value = self.raw(name, default)
        if value is default:
            return value
        allowed = None if choices is None else tuple(choices)
        out = []
        for place, entry in enumerate(self._array(name, value)):
            if not isinstance(entry, str):
                self.refuse(f"{name}[{place}]", f"{kind_word(entry)} where text belongs", _listed(allowed))
            if allowed is not None and entry not in allowed:
                self.refuse(f"{name}[{place}]", f"{shortened(entry)} is not known", _listed(allowed))
            out.append(entry)
        return tuple(out)

    def integer(self, name: str, default: Any = REQUIRED, *, least: int = 0, most: int = LARGEST_INTEGER) -> Any:
        """A whole number within both bounds, inclusive."""
        value = self.raw(name, default)
        if value is default:
            return value
        if isinstance(value, bool) or not isinstance(value, int):
            self.refuse(name, f"{kind_word(value)} where a whole number belongs", f"{least} to {most}")
        if not least <= value <= most:
            self.refuse(name, f"{shortened(value)} is out of bounds", f"{least} to {most}")
        return value

    def number(
        self,
        name: str,
        default: Any = REQUIRED,
        *,
        least: float = 0,
        most: float = LARGEST_INTEGER,
        above: float | None = None,
    ) -> Any:
        """A number as an exact Fraction, within the bounds (and more than `above`)."""
        value = self.raw(name, default)
        if value is default:
            return value
        bound = f"{least:g} to {most:g}" if above is None else f"more than {above:g}, at most {most:g}"
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            self.refuse(name, f"{kind_word(value)} where a number belongs", bound)
        if not least <= value <= most or (above is not None and value <= above):
            self.refuse(name, f"{shortened(value)} is out of bounds", bound)
        return Fraction(value)

    def boolean(self, name: str, default: Any = REQUIRED) -> Any:
        """True or false."""
        value = self.raw(name, default)
        if value is not default and not isinstance(value, bool):
            self.refuse(name, f"{kind_word(value)} where true or false belongs", "true or false")
        return value

    def unit(self, name: str = "unit") -> str:
        """The unit the document's lengths are in: ``in``, ``mm`` or ``1``."""
        return str(self.string(name, choices=UNITS))

    def length(
        self, name: str, unit: str, default: Any = REQUIRED, *, least: int = 0, most: Length | None = None
    ) -> Any:
        """A `Length` written as a string, of at least `least` ticks and at most `most`."""
        value = self.raw(name, default)
        if value is default:
            return value
        length = read_length(value, unit, self.at(name), least=least)
        if most is not None and length > most:
            self.refuse(name, f"{shortened(value)} is too long", f"at most {length_text(most, unit)}")
        return length

    def object(self, name: str, default: Any = REQUIRED) -> Any:
        """A `Reader` of the object in this field."""
        value = self.raw(name, default)
        return value if value is default else Reader(value, self.at(name))

    def objects(self, name: str, default: Any = REQUIRED, *, least: int = 0, most: int = 1_000_000) -> Any:
        """A list of `Reader`, one for each object of the array."""
        value = self.raw(name, default)
        if value is default:
            return value
        entries = self._array(name, value)
        if not least <= len(entries) <= most:
            self.refuse(name, f"{len(entries)} entries", f"{least} to {most} entries")
        return [Reader(entry, f"{self.at(name)}[{place}]") for place, entry in enumerate(entries)]

    def _array(self, name: str, value: Any) -> list[Any]:
        if not isinstance(value, list):
            self.refuse(name, f"{kind_word(value)} where a list belongs", "[..]")
        return list(value)

    def refuse(self, name: str, problem: str, bound: str = "") -> NoReturn:
        """Raises the `ContractError` of one of its fields."""
        raise ContractError(self.at(name), problem, bound)

    def done(self) -> None:
        """Refuses fields that nobody read."""
        for name in self._values:
            if name not in self._seen:
                self.refuse(name, "unknown field", "known here: " + ", ".join(sorted(self._seen)))


def parse_json(text: str | bytes, field: str = "document", *, most: int = LARGEST_DOCUMENT) -> Any:
    """
    Strict JSON: no NaN, no field twice, text that is text, numbers with a fraction exact (Decimal).

    Examples
    --------
    >>> parse_json('{"pieces": [{"length": NaN}]}')
    Traceback (most recent call last):
    ...
    shared.contracts.ContractError: pieces[0].length: NaN is not JSON (a finite number)
    """
    if len(text) > most:
        raise ContractError(field, f"{len(text)} characters", f"at most {most}")
    try:
        if isinstance(text, bytes):
            text = text.decode(json.detect_encoding(text))
        value, is_doubtful = _loaded(text)
    except RecursionError:
        raise ContractError(field, "nested too deep to read", "a few levels") from None
    except json.JSONDecodeError as error:
        problem = f"not JSON: {error.msg} at line {error.lineno}, column {error.colno}"
        raise ContractError(field, problem, "one JSON object") from None
    except ValueError as error:  # bytes that are no UTF-8
        raise ContractError(field, f"not JSON: {str(error)[:100]}", "one JSON object in UTF-8") from None
    if is_doubtful or _HALF_CHARACTER.search(text):
        _refuse_unusable(value, field)
    return value


@dataclass(frozen=True, slots=True)
class _Unusable:
    """Stands where a document has a value that is refused, until its path is known."""

    problem: str
    bound: str


_HALF_CHARACTER: Final = re.compile(r"\\u[dD][89a-fA-F]|[\ud800-\udfff]")
"""What may be half of a character: a whole one is two of these escapes, which are looked at once read."""


def _loaded(text: str) -> tuple[Any, bool]:
    """The value, and whether it holds an `_Unusable`."""
    found: list[_Unusable] = []

    def unusable(problem: str, bound: str) -> _Unusable:
        found.append(_Unusable(problem, bound))
        return found[-1]

    def pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        fields = dict(pairs)
        if len(fields) < len(pairs):
            names = [name for name, _ in pairs]
            twice = next(name for name in names if names.count(name) > 1)
            fields[twice] = unusable("stands twice in one object", "once")
        return fields

    def fraction(text: str) -> Decimal | _Unusable:
        try:
            value = Decimal(text)
        except InvalidOperation:  # an exponent of twenty digits
            value = None
        if value is None or len(text) > 40 or (value and abs(value.adjusted()) > 30):
            return unusable(f"the number {shortened(text)} can't be used", "30 digits either side")
        return value

    def whole(text: str) -> int | _Unusable:
        return int(text) if len(text) <= 40 else unusable(f"the number {shortened(text)} can't be used", "40 digits")

    def constant(word: str) -> _Unusable:
        return unusable(f"{word} is not JSON", "a finite number")

    hooks: dict[str, Any] = {"object_pairs_hook": pairs, "parse_constant": constant, "parse_float": fraction}
    try:
        return json.loads(text, **hooks), bool(found)
    except json.JSONDecodeError:
        raise
    except ValueError:  # a whole number of thousands of digits; reading each by ourselves takes longer
        return json.loads(text, parse_int=whole, **hooks), True


def _refuse_unusable(value: Any, field: str) -> None:
    """Raises the `ContractError` of the first value that can't be used, by its path."""
    left: list[tuple[str, Any]] = [("", value)]
    while left:
        path, here = left.pop()
        where = path if field == "document" and path else field + (f".{path}" if path else "")
        if isinstance(here, _Unusable):
            raise ContractError(where, here.problem, here.bound)
        if isinstance(here, str) and not _is_text(here):
            raise ContractError(where, f"{_printable(here[:40])} holds half of a character", "text in Unicode")
        if isinstance(here, list):
            left += [(f"{path}[{place}]", entry) for place, entry in reversed(list(enumerate(here)))]
        if isinstance(here, dict):
            for name in here:
                if not _is_text(name):
                    raise ContractError(_joined(path, name), "its name holds half of a character", "text in Unicode")
            left += [(_joined(path, name), entry) for name, entry in reversed(here.items())]


def _is_text(text: str) -> bool:
    return text.isascii() or not any("\ud800" <= character <= "\udfff" for character in text)


def _printable(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode()


def named(name: str) -> str:
    """A field's name as paths show it; one that would be none is in quotes."""
    return _printable(name[:60]) if name.strip() else json.dumps(name[:60])


def joined(path: str, more: str) -> str:
    """A path and what goes on from there: a name, or ``[3]``."""
    return f"{path}.{more}" if path and more and not more.startswith("[") else path + more


def _joined(path: str, name: str) -> str:
    return joined(path, named(name))


def read_length(value: Any, unit: str, field: str, *, least: int = 0) -> Length:
    """
    A length from a document: a string in `unit` (``in``, ``mm`` or ``1``).

    Examples
    --------
    >>> read_length("5600", "1", "stock[0].length")
    Length(5600)
    """
    if not isinstance(value, str):
        raise ContractError(field, f"a length is a string, not {kind_word(value)}", _LENGTH_SHAPE[unit])
    try:
        length = _plain_length(value) if unit == PLAIN else parse_length(value, LengthUnit(unit))
    except LengthError as error:
        raise ContractError(field, error.problem, _LENGTH_SHAPE[unit]) from None
    if length.ticks < least:
        bound = "more than 0" if least == 1 else f"at least {length_text(Length(least), unit)}"
        raise ContractError(field, f"{shortened(value)} is too short", bound)
    return length


def length_text(length: Length, unit: str) -> str:
    """The length as documents show it, in `unit`."""
    return str(length.ticks) if unit == PLAIN else length.text(LengthUnit(unit))


_LENGTH_SHAPE: Final = {"in": 'such as "35 3/8"', "mm": 'such as "904"', PLAIN: 'a whole number, such as "5600"'}


def _plain_length(text: str) -> Length:
    if not (text.isascii() and text.isdigit()):
        raise LengthError(f"{shortened(text)} is not a whole number")
    if len(text) > 18 or int(text) > LARGEST_TICKS:
        raise LengthError(f"{shortened(text)} is beyond any length")
    return Length(int(text))


def read_source(name: str) -> bytes:
    """The bytes of a file, or of standard input for ``-``."""
    if name == "-":
        return sys.stdin.buffer.read(LARGEST_DOCUMENT + 1)
    try:
        with open(name, "rb") as file:
            return file.read(LARGEST_DOCUMENT + 1)
    except OSError as error:
        raise ContractError("FILE", f"can't be read: {error.strerror}", "a readable file, or -") from None


def run_command(main: Callable[[], int | None]) -> int:
    """Runs `main`; a `ContractError` becomes the contract's JSON error and exit code 2."""
    try:
        return main() or 0
    except ContractError as error:
        print(json.dumps(error.as_json(), ensure_ascii=False), file=sys.stderr)
        return 2


def kind_word(value: Any) -> str:
    """What kind of JSON value this is."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    kinds = {str: "text", int: "a number", Decimal: "a number", float: "a number", list: "a list"}
    return kinds.get(type(value), "an object")


def shortened(value: object) -> str:
    """A value as errors show it."""
    text = str(value)
    return text if len(text) <= 40 else text[:37] + ".."


def _listed(choices: tuple[str, ...] | None) -> str:
    return "text" if choices is None else "one of " + ", ".join(choices)


def lines(text: Iterable[bytes]) -> Iterator[tuple[int, bytes]]:
    """The lines of a JSON Lines document that hold something, with their numbers from 1."""
    for number, line in enumerate(text, start=1):
        if line.strip():
            yield number, line
