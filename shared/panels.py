"""
Panels: how a higher app shows itself on a lower app's page.

The higher app registers a title and the name of a URL that takes the page object's key
and answers with a piece of HTML; the page lists panels with ``{% panels "jobs:job" job %}``
and knows none of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from django.db import models
from django.urls import NoReverseMatch, reverse

from shared import roles as all_roles
from shared.models import User


def _always(subject: models.Model) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel of one page."""

    page: str
    title: str
    url_name: str
    roles: frozenset[str]
    position: int
    shows: Callable[[Any], bool] = _always


_panels: list[Panel] = []


def add(
    page: str,
    title: str,
    url_name: str,
    *,
    roles: Iterable[str] = all_roles.ALL,
    position: int = 100,
    shows: Callable[[Any], bool] = _always,
) -> None:
    """Register a panel on the page of that URL name, for the objects of that page it has something to show of."""
    panel = Panel(page, title, url_name, frozenset(roles), position, shows)
    if panel not in _panels:
        _panels.append(panel)
        _panels.sort(key=lambda one: one.position)


def panels() -> list[Panel]:
    """All of them, in order."""
    return list(_panels)


def for_page(page: str, subject: models.Model, user: User) -> list[tuple[str, str]]:
    """Title and address of each panel of this page that the person may see."""
    found = []
    for panel in _panels:
        if panel.page == page and panel.roles & user.role_names and panel.shows(subject):
            try:
                found.append((panel.title, reverse(panel.url_name, args=[subject.pk])))
            except NoReverseMatch:
                continue  # `checks.py` reports it at the start
    return found
