"""Cut plans against published examples with known optimum."""

from __future__ import annotations

import pytest

from fabrication.rules.cutting import BarPiece, BarProblem, BarStock, solve
from shared.lengths import Length


def bars(stock, table):
    pieces = tuple(BarPiece(f"p{length}", Length(length), demand) for length, demand in table.items())
    return BarProblem((BarStock("s", Length(stock)),), pieces)


PAPER_MILL = dict(
    zip(
        (1380, 1520, 1560, 1710, 1820, 1880, 1930, 2000, 2050, 2100, 2140, 2150, 2200),
        (22, 25, 12, 14, 18, 18, 20, 10, 12, 14, 16, 18, 20),
        strict=True,
    )
)
"""The widely reproduced paper-mill example: master rolls of 5600 mm, thirteen widths.

Encyclopedia article on the cutting stock problem; solved there and by others with 73.
"""

TEXTBOOK = {20: 48, 45: 35, 50: 24, 55: 10, 75: 8}
"""R. Fourer, D. M. Gay, B. W. Kernighan, AMPL: A Modeling Language for Mathematical Programming,
cutting-stock chapter: rolls of 110; 47 rolls."""


@pytest.mark.parametrize(
    ("stock", "table", "least"),
    [
        (5600, PAPER_MILL, 73),  # Σ 407 160 mm is 72.707 rolls; linear program 72.917
        (110, TEXTBOOK, 47),
    ],
)
def test_published_examples_need_their_published_number_of_rolls(stock, table, least):
    plan = solve(bars(stock, table), 10)

    assert plan.material.ticks == least * stock
    assert plan.proven


def test_the_paper_mill_wastes_its_published_share():
    """Waste 0.401 % of 73 rolls (check: 1 - 407160 / (73 x 5600))."""
    plan = solve(bars(5600, PAPER_MILL), 10)

    used = sum(length * demand for length, demand in PAPER_MILL.items())
    assert used == 407_160
    assert 1 - used / plan.material.ticks == pytest.approx(0.00401, abs=5e-6)
