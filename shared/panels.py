"""
Panels: how a higher app shows itself on a lower app's page.

The higher app registers a title and the name of a URL that takes the page object's key
and answers with a piece of HTML; the page lists panels with ``{% panels "jobs:job" job %}``
and knows none of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.urls import NoReverseMatch, reverse

from shared import roles as all_roles
from shared.models import User


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel of one page."""

    page: str
    title: str
    url_name: str
    roles: frozenset[str]
    place: int


_panels: list[Panel] = []


def add(
    page: str, title: str, url_name: str, *, roles: Iterable[str] = all_roles.ALL, place: int = 100
) -> None:
    """Register a panel on the page of that URL name."""
    panel = Panel(page, title, url_name, frozenset(roles), place)
    if panel not in _panels:
        _panels.append(panel)
        _panels.sort(key=lambda one: one.place)


def panels() -> list[Panel]:
    """All of them, in order."""
    return list(_panels)


def for_page(page: str, pk: object, user: User) -> list[tuple[str, str]]:
    """Title and address of each panel of this page that the person may see."""
    found = []
    for panel in _panels:
        if panel.page == page and panel.roles & user.role_names:
            try:
                found.append((panel.title, reverse(panel.url_name, args=[pk])))
            except NoReverseMatch:
                continue  # `checks.py` reports it at the start
    return found
