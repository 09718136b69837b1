"""What services say when they will not do an action."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from django.contrib import messages
from django.db import InterfaceError, OperationalError, connection
from django.http import HttpRequest


class Refused(ValueError):
    """
    An action that cannot be done as things stand.

    Pages show the problem beside its field (or among the messages), the API answers 409.

    Parameters
    ----------
    problem
        One sentence a person can act on, with the number and the bound.
    field
        The field it is about, as the form or the API names it; empty when about the whole.
    bound
        The bound that was broken, as text, where there is one.
    """

    def __init__(self, problem: str, *, field: str = "", bound: str = "") -> None:
        super().__init__(problem)
        self.problem, self.field, self.bound = problem, field, bound


class FilesAway(Exception):
    """The place where files are kept does not answer, or has no room: the same may go well in a minute."""


AWAY: Final = (OperationalError, InterfaceError, FilesAway)
"""What is raised while database or files are away, locked too long or without room: no fault of what was asked."""


def let_go_of_a_dead_connection() -> None:
    """After one of `AWAY`: what is asked next gets another connection where this one is lost."""
    if not connection.in_atomic_block and not connection.is_usable():
        connection.close()


@dataclass(frozen=True, slots=True)
class _Shown:
    show: Callable[[Refused], object]

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> bool:
        if not isinstance(error, Refused):
            return False
        self.show(error)
        return True


def refusals_to(show: Callable[[Refused], object]) -> _Shown:
    """
    Within it, what a service refuses is shown (``form.refuse``), and the page goes on behind it.

    >>> seen = []
    >>> with refusals_to(seen.append):
    ...     raise Refused("the day is full")
    >>> str(seen[0])
    'the day is full'
    """
    return _Shown(show)


def refusals_shown(request: HttpRequest) -> _Shown:
    """The same, among the messages of the next page."""
    return _Shown(lambda refusal: messages.error(request, refusal.problem))
