"""What ``manage.py check`` looks at beside Django's own checks."""

from __future__ import annotations

from django.core.checks import CheckMessage, Error, register
from django.urls import NoReverseMatch, reverse

from shared import menu, panels


def _resolves(url_name: str, *args: object) -> bool:
    try:
        reverse(url_name, args=args)
    except NoReverseMatch:
        return False
    return True


@register
def registered_pages_exist(**kwargs: object) -> list[CheckMessage]:
    """Every menu entry and panel names a page there is."""
    found: list[CheckMessage] = [
        Error(f"menu entry {entry.title}: no page {entry.url_name}", id="jambwise.E001")
        for entry in menu.entries()
        if not _resolves(entry.url_name)
    ]
    found += [
        Error(f"panel {panel.title}: no page {panel.url_name} that takes one key", id="jambwise.E002")
        for panel in panels.panels()
        if not _resolves(panel.url_name, 1)
    ]
    return found
