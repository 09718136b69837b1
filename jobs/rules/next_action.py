"""
What comes next at a visit: leaving, arrived, open it, its work, close it, on to the next.

One table decides it, ``jobs/static/jobs/next-action.json``; the field pages' script reads the same, so that the
next action changes at the tap where there is no signal.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypedDict

TABLE_PATH: Final = Path(__file__).resolve().parent.parent / "static" / "jobs" / "next-action.json"


class Table(TypedDict):
    """The table as it stands in the file."""

    steps: list[dict[str, str | bool | list[str]]]
    words: Mapping[str, str]
    taps: Mapping[str, str]
    goes_back: Mapping[str, str]
    can_go_back: list[str]
    back_min: int
    order: list[str]
    states: Mapping[str, str]
    leads_to: Mapping[str, str]


TABLE: Final[Table] = json.loads(TABLE_PATH.read_text(encoding="utf-8"))


def back_until(tapped_at: dt.datetime) -> dt.datetime:
    """Until when whoever tapped can take it back; after that the office does."""
    return tapped_at + dt.timedelta(minutes=TABLE["back_min"])


def next_step(*, state: str, here: bool = False, left: bool = False) -> str:
    """
    The step that comes next; empty where nobody drives.

    Parameters
    ----------
    state
        Of the appointment.
    here
        On the page where the visit's work is done, not on the day's.
    left
        Something of its work is still to be done before it can be closed.
    """
    facts: dict[str, str | bool] = {"state": state, "here": here, "left": left}
    return next(str(row["step"]) for row in TABLE["steps"] if _holds(row, facts))


def _holds(row: Mapping[str, str | bool | list[str]], facts: Mapping[str, str | bool]) -> bool:
    wanted = [(row[name], fact) for name, fact in facts.items() if name in row]
    return all(fact in values if isinstance(values, list) else fact == values for values, fact in wanted)


@dataclass(frozen=True, slots=True)
class Way:
    """How a step is taken: a link, or a form whose tap goes into the phone's queue."""

    step: str
    word: str
    url: str
    entry: str = ""
    """The kind of the form's entry; empty for a link."""
    is_own: bool = False
    """The page's own script says what is in the entry; else it is the visit alone."""
    also: str = ""
    """A step at which it can be taken too, beside that step's own way."""
    directions: str = ""
    """Where a phone's own map leads for it."""
    map_link: str = ""
    """The same on the branch's map."""


@dataclass(frozen=True, slots=True)
class Back:
    """The last tap at a visit, which can be taken back: what it made of the visit, when, and until when it can."""

    state: str
    at: dt.datetime
    url: str

    @property
    def until(self) -> dt.datetime:
        return back_until(self.at)


@dataclass(frozen=True, slots=True)
class NextAction:
    """The next action of one visit, with the ways of those that can follow while the page is open."""

    visit: int
    state: str
    ways: tuple[Way, ...]
    here: bool = False
    left: bool = False
    room: str = ""
    """Whose entries take a tap back."""
    back: Back | None = None

    @property
    def step(self) -> str:
        return next_step(state=self.state, here=self.here, left=self.left)
