"""Cells of tables that a spreadsheet opens."""

from __future__ import annotations

from typing import Any


def harmless(cell: object) -> Any:
    """
    A cell that no spreadsheet runs: text that begins like a formula is made text.

    >>> harmless("=1+1"), harmless(-3), harmless(None)
    ("'=1+1", -3, '')
    """
    text = "" if cell is None else cell
    return f"'{text}" if isinstance(text, str) and text[:1] in {"=", "+", "-", "@", "\t", "\r"} else text
