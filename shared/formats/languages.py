"""Marks words for the catalogs where Django is not at hand: in rules and what they read."""

from __future__ import annotations


def translatable(text: str) -> str:
    """
    The text as it is; `manage.py catalogs` finds it here, and whoever shows it asks the catalogs for it.

    >>> translatable("as it is")
    'as it is'
    """
    return text
