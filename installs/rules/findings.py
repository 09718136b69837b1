"""What the rules say beside a quantity: findings, cautions, tools and things to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from shared.records import OneOf, Record


@dataclass(frozen=True)
class Finding(Record):
    """Something to look at; `cannot` says the unit can't go up as it stands."""

    code: str
    text: str
    severity: Annotated[str, OneOf("note", "check", "stop")] = "check"
    field: str = ""
    cannot: bool = False


@dataclass(frozen=True)
class Caution(Record):
    """A warning for the sheet that goes to the site, with where it comes from."""

    code: str
    text: str
    source: str = ""
    status: str = ""


@dataclass(frozen=True)
class Tool(Record):
    """A tool the visit needs, and why."""

    key: str
    name: str
    why: str


@dataclass(frozen=True)
class ToDo(Record):
    """Something to do that is no part: in the yard before loading, or on site."""

    when: Annotated[str, OneOf("before loading", "on site")]
    text: str = ""
