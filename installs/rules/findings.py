"""What the rules say beside a quantity: findings, cautions, tools and things to do."""

from __future__ import annotations

from collections.abc import Sequence
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
    amount: str = ""
    """What may differ between units of an equal caution, such as an area."""

    @property
    def full_text(self) -> str:
        """
        The text with its amount.

        >>> Caution("wet", "Wet the spot.", amount="0.1 sq ft").full_text
        'Wet the spot. Here: 0.1 sq ft.'
        """
        return with_amounts(self.text, [self.amount] if self.amount else [])


def with_amounts(text: str, amounts: Sequence[str]) -> str:
    """
    A caution's text, then each of its amounts once.

    >>> with_amounts("Wet the spot.", ["0.1 sq ft", "0.2 sq ft", "0.1 sq ft"])
    'Wet the spot. Here: 0.1 sq ft, 0.2 sq ft.'
    """
    return f"{text} Here: {', '.join(dict.fromkeys(amounts))}." if amounts else text


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
