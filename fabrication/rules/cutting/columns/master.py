"""
The linear program over patterns: cover every demand, open no more stock than there is.

HiGHS 1.16.0 solved a mixed-integer model with duplicate columns, presolve and a starting
solution to a wrong "optimum"; so equal columns are never added, no start is ever given,
and what comes out is recomputed in integers before anyone relies on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import highspy
import numpy as np

from fabrication.rules.cutting.arrays import Floats
from fabrication.rules.cutting.columns.column import Column
from fabrication.rules.cutting.columns.solver import Quiet
from fabrication.rules.cutting.watch import Watch

SOLVE_STEPS, ITERATION_STEPS, ROWS_A_STEP = 150, 8, 25
"""Steps of one solve, of one of its iterations, and rows of the program that make it a step longer."""

UNCOVERED_COST = 20.0
"""What leaving a piece out costs, in units of the dearest stock: more than any pattern."""


class Master:
    """
    The restricted master problem, warm from solve to solve.

    Rows: one per type (>= demand), one per limited stock (<= limit). Costs are divided by
    `unit` so that they are near 1.
    """

    def __init__(self, demand: Sequence[int], limits: Sequence[int | None], unit: float) -> None:
        self.unit = unit
        self.columns: list[Column] = []
        self._known: set[tuple[object, ...]] = set()
        self.kinds = len(demand)
        self.limit_row: dict[int, int] = {}
        self._positions: list[int] = []  # of each entry: its pattern, type and count
        self._kinds: list[int] = []
        self._counts: list[int] = []
        self._highs = Quiet()
        self._highs.setOptionValue("presolve", "off")
        self._highs.setOptionValue("simplex_strategy", 4)
        infinity = highspy.kHighsInf
        for need in demand:
            self._highs.addRow(float(need), infinity, 0, np.empty(0, dtype=np.int32), np.empty(0))
        for stock, limit in enumerate(limits):
            if limit is not None:
                self.limit_row[stock] = self.kinds + len(self.limit_row)
                self._highs.addRow(-infinity, float(limit), 0, np.empty(0, dtype=np.int32), np.empty(0))
        for kind in range(self.kinds):  # a piece left out, so that the program is always feasible
            self._highs.addCol(UNCOVERED_COST, 0.0, infinity, 1, np.array([kind], dtype=np.int32), np.ones(1))

    def add(self, columns: Iterable[Column]) -> int:
        """Adds the patterns that are new; how many that were."""
        fresh = []
        for column in columns:
            key = (column.stock, column.rows, column.cost)
            if key not in self._known:
                self._known.add(key)
                fresh.append(column)
        if not fresh:
            return 0
        starts: list[int] = []
        index: list[int] = []
        value: list[float] = []
        for position, column in enumerate(fresh, start=len(self.columns)):
            starts.append(len(index))
            self._positions.extend([position] * len(column.rows))
            self._kinds.extend(kind for kind, _ in column.rows)
            self._counts.extend(count for _, count in column.rows)
            index.extend(kind for kind, _ in column.rows)
            value.extend(float(count) for _, count in column.rows)
            if column.stock in self.limit_row:
                index.append(self.limit_row[column.stock])
                value.append(float(column.use))
        count = len(fresh)
        self._highs.addCols(
            count,
            np.array([column.cost / self.unit for column in fresh]),
            np.zeros(count),
            np.full(count, highspy.kHighsInf),
            len(index),
            np.array(starts, dtype=np.int32),
            np.array(index, dtype=np.int32),
            np.array(value),
        )
        self.columns.extend(fresh)
        return count

    def solve(self, watch: Watch) -> bool:
        """Solves the program; False when the time was out first."""
        self._highs.setOptionValue("time_limit", self._highs.getRunTime() + max(0.02, watch.ceiling()))
        self._highs.run()
        iterations = max(0, self._highs.getInfo().simplex_iteration_count)
        rows = self.kinds + len(self.limit_row)
        watch.spend(SOLVE_STEPS + iterations * (ITERATION_STEPS + rows / ROWS_A_STEP) + len(self.columns) / 10)
        return bool(self._highs.getModelStatus() == highspy.HighsModelStatus.kOptimal)

    def value(self) -> float:
        """The optimum, in cost units."""
        return float(self._highs.getInfo().objective_function_value) * self.unit

    def result(self) -> tuple[Floats, Floats, dict[int, float]]:
        """How often each pattern is used, the price of each type, the price of each limited stock (>= 0)."""
        solution = self._highs.getSolution()
        used = np.array(solution.col_value)[self.kinds :]
        duals = np.array(solution.row_dual)
        prices = np.maximum(duals[: self.kinds], 0.0) * self.unit
        stock = {t: max(0.0, -float(duals[row])) * self.unit for t, row in self.limit_row.items()}
        return used, prices, stock

    def uncovered(self) -> float:
        """Pieces left out in the last solution."""
        return float(sum(self._highs.getSolution().col_value[: self.kinds]))

    def set_rows(self, demand: Sequence[int], limits: Sequence[int | None]) -> None:
        """Changes what is still to be covered and what stock is left; shuts out patterns that make more."""
        infinity = highspy.kHighsInf
        for kind, need in enumerate(demand):
            self._highs.changeRowBounds(kind, float(need), infinity)
        for stock, row in self.limit_row.items():
            self._highs.changeRowBounds(row, -infinity, float(limits[stock] or 0))
        count = len(self.columns)
        too_many = np.array(self._counts) > np.array(demand)[self._kinds]
        upper = np.full(count, infinity)
        upper[np.array(self._positions)[too_many]] = 0.0
        index = np.arange(self.kinds, self.kinds + count, dtype=np.int32)
        self._highs.changeColsBounds(count, index, np.zeros(count), upper)
