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


def unguarded(cell: str) -> str:
    """
    A cell as it was before `harmless`, so that a table written here is read back as it was.

    >>> unguarded("'=1+1"), unguarded("'tis")
    ('=1+1', "'tis")
    """
    return cell[1:] if cell[:1] == "'" and harmless(cell[1:]) == cell else cell
