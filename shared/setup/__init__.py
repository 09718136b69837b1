"""
Setting a firm up: the steps in their order, what stands of each, and the page of each.

Apps register their steps in ``AppConfig.ready``; each keeps what it asks in its own tables and
works out from them what stands, so that a step can be left, resumed and come back to.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from shared.models import Branch, User

Problem = tuple[str, str]
"""Where in a file, by its path, and what is wrong there."""


@dataclass(frozen=True, slots=True)
class Step:
    """
    One step of the set-up.

    Parameters
    ----------
    standing
        What stands of it at a branch, in a few words such as ``2 crews``; empty: nothing yet.
    can_wait
        Whether the first job can be booked without it.
    """

    title: str
    url_name: str
    position: int
    standing: Callable[[Branch | None], str]
    can_wait: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """
    A part of a branch in the file that ``manage.py create_firm`` reads.

    Parameters
    ----------
    problems
        What is wrong with the part in a branch's table of the file: paths below the part, and words.
    keep
        Writes the part of a branch's table, doing nothing where it stands already; gives lines that say what it did.
    """

    key: str
    position: int
    problems: Callable[[Mapping[str, Any]], list[Problem]]
    keep: Callable[[Mapping[str, Any], Branch, User], list[str]]


leads_to: list[str] = []
"""Names of the pages where the first job is booked, by the app that has one."""

_steps: list[Step] = []
_sections: list[Section] = []


def add(step: Step) -> None:
    """Register a step (firm 10, branch 20, owner 30, crews 40, people 50, range 60, stock 70)."""
    if step.url_name not in {one.url_name for one in _steps}:
        _steps.append(step)
        _steps.sort(key=lambda one: one.position)


def steps() -> list[Step]:
    """All of them, in order."""
    return list(_steps)


def add_section(section: Section) -> None:
    """Register a part of a branch in the file."""
    if section.key not in {one.key for one in _sections}:
        _sections.append(section)
        _sections.sort(key=lambda one: one.position)


def sections() -> Mapping[str, Section]:
    """All of them, by key, in the order they are kept in."""
    return {one.key: one for one in _sections}
