"""
A higher bound over a complete pool: zero-half cuts, and the patterns they rule out.

The pool holds every pattern of every plan that costs at most the target. Cuts that such
plans satisfy raise the linear program over the pool; patterns whose reduced cost is then
beyond the target leave it; and so on until the bound passes the target (nothing cheaper
exists) or the pool is small enough for an integer program.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import highspy
import numpy as np

from fabrication.rules.cutting.arrays import Booleans, Floats, Integers, Small
from fabrication.rules.cutting.columns.master import ITERATION_STEPS, ROWS_A_STEP, SOLVE_STEPS
from fabrication.rules.cutting.columns.pool import Pool
from fabrication.rules.cutting.columns.solver import Quiet
from fabrication.rules.cutting.watch import Watch

SCALE_BITS = 22
"""Binary places kept of the dual prices when the bound is made exact."""

FAR = 10**30
"""More than any cost."""

MOST_FIRST = 600
"""Patterns of the least reduced cost that a program with known cuts begins with."""

MOST_CUTS_A_ROUND = 40
LEAST_VIOLATION = 0.02
MOST_STARTS = 150
"""Types from which a violated cut is looked for in one round."""


@dataclass
class Sharpened:
    """
    What is left of the pool, and cost units that no plan within the target can be below.

    `rest` holds the reduced cost of each pattern left, in whole numbers as they were when
    `bound` was proved: both are cost units times `scale`.
    """

    pool: Pool
    least: int
    cuts: list[tuple[Small, int]] = field(default_factory=list)
    bound: int = -FAR
    scale: int = 1
    rest: Integers = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    @classmethod
    def unsharpened(cls, pool: Pool, least: int) -> Sharpened:
        """The whole pool, of whose reduced costs nothing is known."""
        return cls(pool, least, rest=np.zeros(len(pool), dtype=np.int64))

    def reach(self, most: int) -> int:
        """The highest cost below which at most `most` patterns can be in a plan."""
        if len(self.rest) <= most:
            return FAR
        return (self.bound + int(np.partition(self.rest, most)[most]) - 1) // self.scale

    def within(self, target: int) -> Sharpened:
        """What a plan that costs at most `target` can use."""
        keep = self.rest <= target * self.scale - self.bound
        if keep.all():
            return self
        cuts = [(coefs[keep], side) for coefs, side in self.cuts]
        return Sharpened(self.pool.only(keep), self.least, cuts, self.bound, self.scale, self.rest[keep])


class _Program:
    """The linear program over a part of the pool; the rest is priced by looking at it."""

    def __init__(self, pool: Pool, demand: Sequence[int], limits: Sequence[int | None], unit: float) -> None:
        self.pool, self.unit = pool, unit
        self.demand = np.array(demand, dtype=np.int64)
        self.limited = [stock for stock, limit in enumerate(limits) if limit is not None]
        self.bounds = np.array([limits[stock] or 0 for stock in self.limited], dtype=np.int64)
        self.kinds = len(demand)
        self.made: Small = dense(pool, self.kinds)
        self.cuts: list[tuple[object, ...]] = []
        self.sides: list[int] = []
        self.coefs: list[Small] = []
        self.inside = np.zeros(len(pool), dtype=bool)
        self.order: list[int] = []
        self._start()

    def _start(self) -> None:
        self.highs = Quiet()
        self.highs.setOptionValue("presolve", "off")
        infinity = highspy.kHighsInf
        nothing = np.empty(0, dtype=np.int32), np.empty(0)
        for need in self.demand.tolist():
            self.highs.addRow(float(need), float(need), 0, *nothing)
        for bound in self.bounds.tolist():
            self.highs.addRow(-infinity, float(bound), 0, *nothing)
        for side in self.sides:
            self.highs.addRow(-infinity, float(side), 0, *nothing)
        for kind in range(self.kinds):
            self.highs.addCol(20.0, 0.0, infinity, 1, np.array([kind], dtype=np.int32), np.ones(1))
        inside, self.order = self.order, []
        self.inside[:] = False
        self.add(np.array(inside, dtype=np.int64))

    def add(self, positions: Integers) -> None:
        """Takes patterns into the program."""
        positions = positions[~self.inside[positions]]
        if not len(positions):
            return
        starts, index, value = [0], [], []
        for position in positions.tolist():
            row = self.made[position]
            for kind in np.nonzero(row)[0].tolist():
                index.append(kind)
                value.append(float(row[kind]))
            stock = int(self.pool.stock[position])
            if stock in self.limited:
                index.append(self.kinds + self.limited.index(stock))
                value.append(float(self.pool.use[position]))
            for number, coefs in enumerate(self.coefs):
                if coefs[position]:
                    index.append(self.kinds + len(self.limited) + number)
                    value.append(float(coefs[position]))
            starts.append(len(index))
        count = len(positions)
        self.highs.addCols(
            count,
            self.pool.cost[positions] / self.unit,
            np.zeros(count),
            np.full(count, highspy.kHighsInf),
            len(index),
            np.array(starts[:-1], dtype=np.int32),
            np.array(index, dtype=np.int32),
            np.array(value),
        )
        self.inside[positions] = True
        self.order.extend(positions.tolist())

    def solve(self, watch: Watch) -> tuple[Floats, Floats] | None:
        """(times by pattern inside, duals), no pattern of the pool being cheaper; None out of time."""
        while True:
            self.highs.setOptionValue("time_limit", self.highs.getRunTime() + max(0.01, watch.ceiling()))
            self.highs.setOptionValue("simplex_strategy", 4 if self.order else 1)
            self.highs.run()
            iterations = max(0, self.highs.getInfo().simplex_iteration_count)
            rows = self.kinds + len(self.limited) + len(self.cuts)
            watch.spend(SOLVE_STEPS + iterations * (ITERATION_STEPS + rows / ROWS_A_STEP) + len(self.pool) / 5)
            if self.highs.getModelStatus() != highspy.HighsModelStatus.kOptimal or watch.out():
                return None
            solution = self.highs.getSolution()
            duals = np.array(solution.row_dual)
            reduced = self.reduced(duals)
            reduced[self.inside] = 1.0
            dear = np.nonzero(reduced < -1e-7)[0]
            if not len(dear):
                return np.array(solution.col_value)[self.kinds :], duals
            self.add(dear[np.argsort(reduced[dear], kind="stable")[:150]])

    def reduced(self, duals: Floats) -> Floats:
        """Reduced cost of every pattern of the pool, in units."""
        pool = self.pool
        out = pool.cost / self.unit - np.add.reduceat(duals[pool.kinds] * pool.counts, pool.starts[:-1])
        for number, stock in enumerate(self.limited):
            dual = duals[self.kinds + number]
            if dual:
                out -= np.where(pool.stock == stock, dual * pool.use, 0.0)
        for coefs, dual in zip(self.coefs, duals[self.kinds + len(self.limited) :].tolist(), strict=True):
            if dual:
                out -= coefs * dual
        return out

    def exact(self, duals: Floats) -> tuple[int, Integers, int]:
        """The bound these duals prove in whole numbers: (scaled bound, scaled reduced costs >= 0, scale)."""
        pool, scale = self.pool, 1 << SCALE_BITS
        whole = np.rint(duals * self.unit * scale).astype(np.int64)
        first = self.kinds + len(self.limited)
        whole[self.kinds :] = np.minimum(whole[self.kinds :], 0)
        rest = pool.cost * scale - np.add.reduceat(whole[pool.kinds] * pool.counts, pool.starts[:-1])
        for number, stock in enumerate(self.limited):
            rest -= np.where(pool.stock == stock, int(whole[self.kinds + number]) * pool.use, 0)
        for coefs, dual in zip(self.coefs, whole[first:].tolist(), strict=True):
            if dual:
                rest -= coefs * np.int64(dual)
        bound = int((whole[: self.kinds] * self.demand).sum())
        bound += int((whole[self.kinds : first] * self.bounds).sum())
        bound += sum(dual * side for dual, side in zip(whole[first:].tolist(), self.sides, strict=True))
        # a pattern that is too cheap by rounding is paid for as often as it can be used
        short = np.minimum(rest, 0)
        if short.any():
            most = self.demand[pool.kinds] // pool.counts
            times = np.minimum.reduceat(most, pool.starts[:-1])
            per_plan = int(self.demand.sum())
            bound += max(int((short * times).sum()), int(short.min()) * per_plan)
        return bound, np.maximum(rest, 0), scale

    def separate(self, used: Floats, chance: np.random.Generator, watch: Watch) -> int:
        """Adds violated cuts, as many as time allows; how many."""
        positive = np.nonzero(used > 1e-6)[0]
        positions = np.array(self.order, dtype=np.int64)[positive]
        times = used[positive]
        fractional = np.abs(times - np.rint(times)) > 1e-6
        touched = np.nonzero(self.made[positions[fractional]].any(axis=0))[0]
        if len(touched) < 3:
            return 0
        found = _violated(self.made[positions].astype(np.int64), times, self.demand, touched, chance, watch)
        known = set(self.cuts)
        added = 0
        for _, chosen in found:
            if chosen in known:
                continue
            self._cut(chosen)
            added += 1
            if added >= MOST_CUTS_A_ROUND:
                break
        return added

    def levels(self, used: Floats, least_patterns: Callable[[int], int], watch: Watch) -> int:
        """Adds cuts on how many patterns take at least so much of their stock; how many."""
        times = np.zeros(len(self.pool))
        times[self.order] = used
        uses, position = np.unique(self.pool.use, return_inverse=True)
        above = np.bincount(position, weights=times)[::-1].cumsum()[::-1]
        added = 0
        for use, count in zip(uses.tolist(), above.tolist(), strict=True):
            up = int(np.ceil(count - 1e-6))
            if up - count < LEAST_VIOLATION:
                continue
            if watch.out():
                break
            if least_patterns(use) < up:
                continue
            self.take(("level", use), np.where(self.pool.use >= use, -1, 0).astype(np.int8), -least_patterns(use))
            added += 1
        return added

    def _cut(self, chosen: tuple[int, ...]) -> None:
        coefs = (self.made[:, list(chosen)].sum(axis=1, dtype=np.int16) // 2).astype(np.int8)
        side = int(self.demand[list(chosen)].sum()) // 2
        self.take(chosen, coefs, side)

    def take(self, name: tuple[object, ...], coefs: Small, side: int) -> None:
        """Takes a cut Σ coefficient × times ≤ side into the program."""
        inside = coefs[self.order]
        index = (np.nonzero(inside)[0] + self.kinds).astype(np.int32)
        values = inside[inside != 0].astype(float)
        self.highs.addRow(-highspy.kHighsInf, float(side), len(index), index, values)
        self.cuts.append(name)
        self.sides.append(side)
        self.coefs.append(coefs)

    def drop_idle(self, duals: Floats) -> None:
        """Forgets cuts that do not bind."""
        first = self.kinds + len(self.limited)
        binding = np.abs(duals[first:]) > 1e-9
        rows = (np.nonzero(~binding)[0] + first).astype(np.int32)
        if not len(rows):
            return
        self.highs.deleteRows(len(rows), rows)
        keep = np.nonzero(binding)[0].tolist()
        self.cuts = [self.cuts[position] for position in keep]
        self.sides = [self.sides[position] for position in keep]
        self.coefs = [self.coefs[position] for position in keep]

    def shrink(self, keep: Booleans) -> None:
        """Leaves patterns out for good."""
        number = np.cumsum(keep) - 1
        self.pool = self.pool.only(keep)
        self.made = self.made[keep]
        self.coefs = [coefs[keep] for coefs in self.coefs]
        self.order = [int(number[position]) for position in self.order if keep[position]]
        self.inside = np.zeros(len(self.pool), dtype=bool)
        self._start()


def dense(pool: Pool, kinds: int) -> Small:
    """How many of each type each pattern makes."""
    owner = np.repeat(np.arange(len(pool)), np.diff(pool.starts))
    made = np.zeros((len(pool), kinds), dtype=np.int8)
    np.add.at(made, (owner, pool.kinds), pool.counts.astype(np.int8))
    return made


def _violated(
    made: Integers,
    times: Floats,
    demand: Integers,
    touched: Integers,
    chance: np.random.Generator,
    watch: Watch,
) -> list[tuple[float, tuple[int, ...]]]:
    """
    Sets S of odd demand whose cut Σ ⌊Σ_S made / 2⌋ × times ≤ ⌊Σ_S demand / 2⌋ is violated, most first.

    The cut is violated by half of what Σ times over the patterns that make an odd number of
    S falls short of 1. From each single type, two types at a time join or leave S as long
    as that sum falls: one matrix product weighs all pairs.

    References
    ----------
    .. [1] A. Caprara, M. Fischetti (1996). {0, 1/2}-Chvátal-Gomory cuts. Mathematical
           Programming 74: 221-235.
    """
    signs = 1.0 - 2.0 * (made[:, touched] % 2)
    found: dict[tuple[int, ...], float] = {}
    starts = np.nonzero(demand[touched] % 2)[0]
    if len(starts) > MOST_STARTS:
        starts = chance.permutation(starts)[:MOST_STARTS]
    odd_demand = demand[touched] % 2
    same = np.equal.outer(odd_demand, odd_demand)  # two flips keep the parity of S only within a kind
    np.fill_diagonal(same, False)
    for start in starts.tolist():
        if watch.out():
            break
        inside = np.zeros(len(touched), dtype=bool)
        inside[start] = True
        parity = signs[:, start].copy()
        even = float(times @ parity)
        for _ in range(len(touched)):
            watch.spend(10 + len(touched) * (len(touched) + len(times)) / 300)
            gain = np.where(same, signs.T @ ((times * parity)[:, None] * signs), -np.inf)
            flip = int(np.argmax(gain))
            i, j = divmod(flip, len(touched))
            if gain[i, j] <= even + 1e-6:
                break
            even = float(gain[i, j])
            parity *= signs[:, i] * signs[:, j]
            inside[[i, j]] ^= True
        odd = (float(times.sum()) - even) / 2
        if odd < 1 - 2 * LEAST_VIOLATION and inside.any():
            found[tuple(touched[inside].tolist())] = (1 - odd) / 2
    return sorted(((violation, chosen) for chosen, violation in found.items()), key=lambda e: (-e[0], e[1]))


def sharpened(
    start: Sharpened,
    demand: Sequence[int],
    limits: Sequence[int | None],
    target: int,
    quantum: int,
    unit: float,
    watch: Watch,
    *,
    least_patterns: Callable[[int], int] = lambda use: 0,
    enough: int = 600,
    rounds: int = 60,
    seed: int = 0,
) -> Sharpened:
    """
    Raises the bound over the pool and thins the pool.

    Every plan that costs at most `target` lies in the pool of `start`, so if the bound passes
    the target there is none: `least` is then above it. Ends when at most `enough` patterns
    are left, when no cut helps, or when time is out.
    """
    program = _Program(start.pool, demand, limits, unit)
    if start.cuts:
        program.add(np.argsort(start.rest, kind="stable")[:MOST_FIRST])
    for number, (coefs, side) in enumerate(start.cuts):
        program.take(("known", number), coefs, side)
    chance = np.random.default_rng(seed)
    best = replace(start)
    stalled = 0
    for _ in range(rounds):
        solved = program.solve(watch)
        if solved is None:
            break
        used, duals = solved
        bound, rest, scale = program.exact(duals)
        least = -(-bound // (scale * quantum)) * quantum
        stalled = stalled + 1 if bound < best.least * scale + 0.0002 * unit * scale else 0
        best.least = max(best.least, least)
        if bound >= best.bound:
            best.rest, best.bound, best.scale = rest, bound, scale
        if least > target:
            break
        keep = rest <= target * scale - bound
        if keep.mean() < 0.8 or (not keep.all() and keep.sum() <= enough):
            program.shrink(keep)
            best.pool, best.rest = program.pool, best.rest[keep]
            if len(program.pool) <= enough or not len(program.pool):
                break
            continue
        if stalled >= 6:
            break
        program.drop_idle(duals)
        if not program.levels(used, least_patterns, watch) + program.separate(used, chance, watch):
            break
    best.pool = program.pool
    best.cuts = list(zip(program.coefs, program.sides, strict=True))
    return best
