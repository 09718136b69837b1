"""Starting data of the measuring rules: a product range and the cord rules of four places."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any, Final

from measuring.rules.fit import ProductFit
from measuring.rules.safety import Jurisdiction

DATA: Final = Path(__file__).resolve().parent.parent / "data"


def starting_rows(name: str) -> list[dict[str, Any]]:
    """The rows of ``measuring/data/<name>.json``: ``products`` or ``jurisdictions``."""
    rows: list[dict[str, Any]] = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))
    return rows


@cache
def starting_products() -> tuple[ProductFit, ...]:
    """
    The range a firm starts from; every figure is common practice until the firm confirms it.

    Examples
    --------
    >>> len({product.family for product in starting_products()})
    8
    """
    return tuple(ProductFit.from_json(row) for row in starting_rows("products"))


@cache
def starting_jurisdictions() -> dict[str, Jurisdiction]:
    """
    The cord rules of four places by key.

    Examples
    --------
    >>> sorted(starting_jurisdictions())
    ['au', 'ca', 'eu', 'us']
    """
    read = (Jurisdiction.from_json(row) for row in starting_rows("jurisdictions"))
    return {place.key: place for place in read}
