"""One pattern as the search sees it, and plans made of them."""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple


class Column(NamedTuple):
    """
    One pattern: a stock, (type, count) of what is cut from it, its cost, and what it takes of the stock.

    `turned` holds (type, count) of the pieces a lay turns; the counts in `rows` include them.
    """

    stock: int
    rows: tuple[tuple[int, int], ...]
    cost: int
    use: int = 1
    turned: tuple[tuple[int, int], ...] = ()


Loading = Counter[Column]
"""A plan inside the search: how often each pattern is cut."""


def loading_cost(loading: Loading) -> int:
    """Cost units of a plan."""
    return sum(column.cost * times for column, times in loading.items())


def one_less(rows: tuple[tuple[int, int], ...], kind: int) -> tuple[tuple[int, int], ...]:
    """The same (type, count) with one of a type less."""
    less = ((other, count - (other == kind)) for other, count in rows)
    return tuple((other, count) for other, count in less if count)
