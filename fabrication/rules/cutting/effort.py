"""How much a document may ask of tables over all lengths; beyond, a plan is quick and its bound plain."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

MOST_CELLS: Final = 24_000_000
"""Entries of one table, by pieces and by length: 200 MB, and a quarter of a second to fill."""
MOST_LENGTHS: Final = 4_000_000
"""Its columns, of which other arrays are made as well."""
MOST_TYPES: Final = 2_000
MOST_BITS: Final = 48
"""Of a cost, so that costs times integer prices stay whole numbers of 64 bits."""


def cells(parts: Iterable[tuple[int, int]], room: int) -> int:
    """
    Entries of a bounded knapsack's table: (weight, how many) of each type, batches of 1, 2, 4 … of it.

    Examples
    --------
    >>> cells([(3, 2), (2, 1)], 7)
    24
    """
    return sum(min(count, room // weight).bit_length() for weight, count in parts) * (room + 1)
