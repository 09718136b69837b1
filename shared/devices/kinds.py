"""
Kinds of entries: a name, a body of fixed fields, the function that does it.

A room registers its kinds::

    @entry("measuring.same", "a second look", OfReading, subjects.reading)
    def same(body: OfReading, done: Done) -> Reply: ...

The body's type is a frozen `shared.records.Record`: what a phone sent is read by it, strictly and
before anything runs.
"""

from __future__ import annotations

import base64
import datetime as dt
import math
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, Final, Generic, TypeVar

from shared.contracts import ContractError
from shared.errors import Refused
from shared.models import User
from shared.records import Longest, Record, Within

Key = Annotated[int, Within(1, 2**63 - 1)]
"""A row of the office's by its key."""
Note = Annotated[str, Longest(20_000)]
"""Somebody's own words; services keep as much of them as they have room for."""

PHOTO_TEXT: Final = 8 * 1024 * 1024
"""Characters of a photo in base64; the phone makes it small first."""
DEEPEST: Final = 12


@dataclass(frozen=True, slots=True)
class Done:
    """What an entry's function is told beside its body."""

    by: User
    at: dt.datetime
    entry_id: uuid.UUID


@dataclass(frozen=True, slots=True)
class Touches:
    """
    What an entry is about, for the order of entries when one could not be taken.

    It comes after every earlier entry that holds a subject it waits for (``opening:<uid>``,
    ``stop:<key>``). `job` and `where` tell the office which one it is.
    """

    waits: frozenset[str]
    holds: frozenset[str]
    job: int | None = None
    where: str = ""


B = TypeVar("B", bound=Record)
Reply = Mapping[str, object]
"""Plain JSON."""
Function = Callable[[B, Done], Reply]


@dataclass(frozen=True, slots=True)
class Kind(Generic[B]):
    """One kind of entry; `title` is what the office calls it."""

    name: str
    title: str
    body: type[B]
    function: Function[B]
    touches: Callable[[B, uuid.UUID], Touches]
    old_names: Mapping[str, str]

    def read(self, body: Mapping[str, object]) -> B:
        """
        The body as its record.

        Raises
        ------
        shared.contracts.ContractError
            With the path of the first field that can't be used, and its bound.
        """
        _refuse_unkeepable(body, "")
        # a phone sends what it kept as it kept it, and what is parked stays as it came
        named = dict(body)
        for old, new in self.old_names.items():
            if old in named:
                named.setdefault(new, named.pop(old))
        return self.body.from_json(named)


_kinds: dict[str, Kind[Any]] = {}


def entry(
    name: str,
    title: str,
    body: type[B],
    touches: Callable[[B, uuid.UUID], Touches],
    old_names: Mapping[str, str] = MappingProxyType({}),
) -> Callable[[Function[B]], Function[B]]:
    """
    Register the function that does entries of this kind, such as ``measuring.reading``.

    It takes the body and `Done`, checks access itself (a 404 for what the person may not
    have), calls one service and gives plain JSON back. `touches` takes the body and the entry's
    id and says what it waits for and what waits for it. `old_names` are fields of its body as phones
    kept them earlier, by what each is called today.
    """

    def register(function: Function[B]) -> Function[B]:
        _kinds[name] = Kind(name, title, body, function, touches, old_names)
        return function

    return register


def picture_of(data: str) -> bytes:
    """The bytes of a photo; refuses what was cut off on the way."""
    try:
        return base64.b64decode(data, validate=True)
    except ValueError:
        raise Refused("the photo did not come through whole", field="photo") from None


def kind_of(name: str) -> Kind[Any] | None:
    """The kind of that name, if some room does it."""
    return _kinds.get(name)


def kinds() -> list[str]:
    """Every kind there is."""
    return sorted(_kinds)


def _refuse_unkeepable(value: object, path: str, depth: int = 0) -> None:
    """Refuses what no database keeps: a null character, half a character, an endless number."""
    if depth > DEEPEST:
        raise ContractError(path, "nested too deep", f"at most {DEEPEST} levels")
    if isinstance(value, str) and ("\0" in value or (not value.isascii() and _is_broken(value))):
        raise ContractError(path, "a character that can't be kept", "text")
    if isinstance(value, float) and not math.isfinite(value):
        raise ContractError(path, "a number without an end", "a number")
    if isinstance(value, Mapping):
        for name, inner in value.items():
            _refuse_unkeepable(name, f"{path}.{name[:60]}".strip("."), depth)
            _refuse_unkeepable(inner, f"{path}.{name[:60]}".strip("."), depth + 1)
    elif isinstance(value, list):
        for position, inner in enumerate(value):
            _refuse_unkeepable(inner, f"{path}[{position}]", depth + 1)


def _is_broken(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return True
    return False
