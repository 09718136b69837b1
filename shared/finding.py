"""The box on every page: apps register in ``AppConfig.ready`` what of theirs a typed line may mean."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from shared.models import User


@dataclass(frozen=True, slots=True)
class Found:
    """One thing a typed line may mean; `is_close` where a typing mistake was forgiven."""

    kind: str
    title: str
    line: str
    url: str
    is_close: bool = False


Source = Callable[[User, str], Iterable[Found]]
"""What this person may open of what the line names."""

_sources: list[Source] = []


def add(source: Source) -> None:
    """Register a source; codes and numbers first, then names, as the rooms register."""
    if source not in _sources:
        _sources.append(source)


def find(user: User, text: str) -> list[Found]:
    """All that this person may open of what the line names; nothing for one letter."""
    tidy = " ".join(text.split())[:LONGEST]
    return [found for source in _sources for found in source(user, tidy)] if len(tidy) > 1 else []


LONGEST = 120
"""Letters of a line that are read."""
