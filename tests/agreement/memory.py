"""
What was shown before, for as long as everything that it was made from stands as it stood.

A page, a document or a print is made from the rows it read and from the clock. Of each, the questions that it put to
the database are kept with what they were answered: while all of them are answered the same at the same time of day,
it would come out the same, and is not made again. So a history pays for what it changed, and compares everything.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

from django.db import connection
from django.test import Client
from django.utils import timezone

from tests.agreement.firm import Firm

T = TypeVar("T")
Question = tuple[str, tuple[Any, ...]]
"""A query and its values."""
VERSIONS = 4
"""Of one thing at one time of day, the latest so many are kept."""
THINGS = 1000
"""So many things at their times of day are kept, those that were last looked at: a page is about 0.1 MB."""


@dataclass(frozen=True)
class Kept:
    """Something shown, and what each question it asked was answered."""

    shown: Any
    answers: dict[Question, int]


class Memory:
    """
    Kept from one history to the next; people stay signed in, since who asks is a row as well.

    A process makes one and plays all its histories with it: hypothesis lets go of no class of histories that
    it has played, nor of what that class holds.
    """

    def __init__(self, firm: Firm) -> None:
        self.kept: dict[tuple[Any, dt.datetime], list[Kept]] = {}
        self.answered: dict[Question, int] = {}
        self.made = self.recalled = 0
        self.clients: dict[str, Client] = {}
        for role in firm.people:
            self.clients[role] = Client()
            self.clients[role].force_login(firm.user(role))

    def blink(self) -> None:
        """Asks everything anew, since something was done meanwhile."""
        self.answered.clear()

    def recall(self, key: Any, make: Callable[[], T]) -> T:
        """What `make` shows, from memory where that is the same."""
        at = (key, timezone.now())
        versions = self.kept[at] = self.kept.pop(at, [])
        while len(self.kept) > THINGS:
            del self.kept[next(iter(self.kept))]
        for kept in versions:
            if all(self._answer(asked) == answer for asked, answer in kept.answers.items()):
                self.recalled += 1
                return kept.shown
        self.made += 1
        with questions() as asked:
            shown = make()
        if None in asked:  # what writes is done each time
            self.blink()
        else:
            versions.append(Kept(shown, {one: self._answer(one) for one in asked if one is not None}))
            del versions[:-VERSIONS]
        return shown

    def _answer(self, asked: Question) -> int:
        if asked not in self.answered:
            with connection.cursor() as cursor:
                cursor.execute(*asked)
                self.answered[asked] = hash(tuple(cursor.fetchall()))
        return self.answered[asked]


@contextmanager
def questions() -> Iterator[dict[Question | None, None]]:
    """What the database is asked inside, each once and in order; None stands for whatever was written."""
    asked: dict[Question | None, None] = {}

    def listen(execute: Callable[..., Any], sql: str, values: Any, many: bool, context: Any) -> Any:
        if sql.startswith("SELECT"):
            asked[sql, tuple(values or ())] = None
        elif not sql.startswith(("SAVEPOINT", "RELEASE")):
            asked[None] = None
        return execute(sql, values, many, context)

    with connection.execute_wrapper(listen):
        yield asked
