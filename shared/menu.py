"""The menu: apps register entries in ``AppConfig.ready``, each person sees those of their roles."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.urls import NoReverseMatch, reverse

from shared.models import User


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the menu."""

    title: str
    url_name: str
    roles: frozenset[str]
    position: int


_entries: list[Entry] = []


def add(title: str, url_name: str, *, roles: Iterable[str], position: int) -> None:
    """
    Register an entry; the lowest `position` among a person's entries is their first page.

    An entry is one page in one place of the menu: the same title may be registered for
    two roles with different pages.
    """
    entry = Entry(title, url_name, frozenset(roles), position)
    if entry not in _entries:
        _entries.append(entry)
        _entries.sort(key=lambda one: one.position)


def entries() -> list[Entry]:
    """All of them, in order."""
    return list(_entries)


def for_user(user: User) -> list[tuple[str, str]]:
    """Title and address of each entry the person may use, in order."""
    found: dict[str, str] = {}
    for entry in _entries:
        if entry.roles & user.role_names:
            try:
                found.setdefault(entry.title, reverse(entry.url_name))
            except NoReverseMatch:
                continue  # `checks.py` reports it at the start; one broken entry must not break every page
    return list(found.items())
