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
from typing import Any, Final

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


def _loaded(text: str) -> tuple[object, bool]:
    """The value, and whether it holds an `_Unusable`."""
    found: list[_Unusable] = []

    def unusable(problem: str, bound: str) -> _Unusable:
        found.append(_Unusable(problem, bound))
        return found[-1]

    def pairs(pairs: list[tuple[str, object]]) -> dict[str, object]:
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


def _refuse_unusable(value: object, field: str) -> None:
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
            left += [(f"{path}[{position}]", entry) for position, entry in reversed(list(enumerate(here)))]
        if isinstance(here, dict):
            for name in here:
                if not _is_text(name):
                    raise ContractError(
                        joined(path, named(name)), "its name holds half of a character", "text in Unicode"
                    )
            left += [(joined(path, named(name)), entry) for name, entry in reversed(here.items())]


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


def read_length(value: object, unit: str, field: str, *, least: int = 0) -> Length:
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


def kind_word(value: object) -> str:
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


def lines(text: Iterable[bytes]) -> Iterator[tuple[int, bytes]]:
    """The lines of a JSON Lines document that hold something, with their numbers from 1."""
    for number, line in enumerate(text, start=1):
        if line.strip():
            yield number, line
