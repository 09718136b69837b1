"""The starting range and cord rules, read as the rules read a firm's own."""

from __future__ import annotations

from functools import cache

from measuring.rules.fit import ProductFit
from measuring.rules.range import starting_rows
from measuring.rules.safety import Jurisdiction


@cache
def starting_products() -> tuple[ProductFit, ...]:
    """The range a firm starts from; every figure is common practice until the firm confirms it."""
    return tuple(ProductFit.from_json(row) for row in starting_rows("products"))


@cache
def starting_jurisdictions() -> dict[str, Jurisdiction]:
    """The cord rules of each place by key."""
    read = (Jurisdiction.from_json(row) for row in starting_rows("jurisdictions"))
    return {place.key: place for place in read}
