"""Starting data of the measuring rules: a product range and the cord rules of four places."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

DATA: Final = Path(__file__).resolve().parent.parent / "data"


def starting_rows(name: str) -> list[dict[str, Any]]:
    """The rows of ``measuring/data/<name>.json``: ``products`` or ``jurisdictions``."""
    rows: list[dict[str, object]] = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))
    return rows
