"""Patterns by the hundred thousand, as arrays: all that a plan below some cost can use."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fabrication.rules.cutting.arrays import Booleans, Integers
from fabrication.rules.cutting.columns.column import Column, Loading


class TooMany(Exception):
    """More patterns than were allowed."""


@dataclass(frozen=True, slots=True)
class Pool:
    """
    Patterns as arrays: pattern j makes `counts[i]` of type `kinds[i]` for i in `starts[j]:starts[j+1]`.

    `stock`, `cost` (cost units) and `use` (of limited stock) by pattern. A lay may hold a
    type twice, as it is and `turned`.
    """

    stock: Integers
    cost: Integers
    use: Integers
    starts: Integers
    kinds: Integers
    counts: Integers
    turned: Booleans

    def __len__(self) -> int:
        return len(self.stock)

    def earned(self, prices: Integers) -> Integers:
        """Σ price × count of each pattern."""
        if not len(self):
            return np.zeros(0, dtype=np.int64)
        return np.add.reduceat(prices[self.kinds] * self.counts, self.starts[:-1])

    def only(self, keep: Booleans) -> Pool:
        """The patterns marked."""
        lengths = np.diff(self.starts)
        entries = np.repeat(keep, lengths)
        starts = np.concatenate([[0], np.cumsum(lengths[keep])])
        return Pool(
            self.stock[keep],
            self.cost[keep],
            self.use[keep],
            starts,
            self.kinds[entries],
            self.counts[entries],
            self.turned[entries],
        )

    def within(self, demand: Sequence[int]) -> Pool:
        """The patterns that make no more of a type than is asked, its turned pieces included."""
        if not self.turned.any():
            return self
        owner = np.repeat(np.arange(len(self)), np.diff(self.starts))
        kinds = len(demand)
        keys, position = np.unique(owner * kinds + self.kinds, return_inverse=True)
        made = np.bincount(position, weights=self.counts).astype(np.int64)
        over = made > np.array(demand)[keys % kinds]
        keep = np.ones(len(self), dtype=bool)
        keep[keys[over] // kinds] = False
        return self.only(keep)

    def distinct(self) -> Pool:
        """One pattern, the cheapest, of those of one stock that make the same."""
        if len(self) < 2:
            return self
        mark = np.random.default_rng(0).integers(1, 2**62, 2 * (int(self.kinds.max()) + 1), dtype=np.int64)
        sums = [
            np.add.reduceat(mark[self.kinds * 2 + half] * self.counts, self.starts[:-1]) for half in (0, 1)
        ]  # 124 random bits: no two patterns will ever collide
        order = np.lexsort((self.cost, sums[1], sums[0], self.stock))
        same = np.zeros(len(self), dtype=bool)
        for keys in (sums[0], sums[1], self.stock):
            ranked = keys[order]
            same[1:] = (ranked[1:] == ranked[:-1]) if keys is sums[0] else same[1:] & (ranked[1:] == ranked[:-1])
        keep = np.zeros(len(self), dtype=bool)
        keep[order[~same]] = True
        return self.only(keep)

    def column(self, position: int) -> Column:
        """One pattern."""
        span = slice(int(self.starts[position]), int(self.starts[position + 1]))
        rows: Counter[int] = Counter()
        turned: Counter[int] = Counter()
        for kind, count, turn in zip(
            self.kinds[span].tolist(), self.counts[span].tolist(), self.turned[span].tolist(), strict=True
        ):
            rows[kind] += count
            if turn:
                turned[kind] += count
        return Column(
            int(self.stock[position]),
            tuple(sorted(rows.items())),
            int(self.cost[position]),
            int(self.use[position]),
            tuple(sorted(turned.items())),
        )

    def loading(self, times: Sequence[tuple[int, int]]) -> Loading:
        """The plan that uses each pattern so often."""
        out: Loading = Counter()
        for position, count in times:
            out[self.column(position)] += count
        return out


def joined(pools: Sequence[Pool]) -> Pool:
    """All patterns of several pools."""
    offsets = np.cumsum([0, *(len(pool.kinds) for pool in pools)])
    starts = [pool.starts[:-1] + offset for pool, offset in zip(pools, offsets, strict=False)]
    return Pool(
        np.concatenate([pool.stock for pool in pools]),
        np.concatenate([pool.cost for pool in pools]),
        np.concatenate([pool.use for pool in pools]),
        np.concatenate([*starts, offsets[-1:]]).astype(np.int64),
        np.concatenate([pool.kinds for pool in pools]),
        np.concatenate([pool.counts for pool in pools]),
        np.concatenate([pool.turned for pool in pools]),
    )


class Tree:
    """Partial patterns, grown type by type; each remembers its parent."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kinds: list[Integers] = []
        self._counts: list[Integers] = []
        self._parents: list[Integers] = []
        self._size = 0

    def add(self, kind: int, count: int, parents: Integers) -> Integers:
        """Nodes that add `count` of `kind` to the parents (-1: to nothing)."""
        number = len(parents)
        self._kinds.append(np.full(number, kind, dtype=np.int64))
        self._counts.append(np.full(number, count, dtype=np.int64))
        self._parents.append(parents)
        nodes = np.arange(self._size, self._size + number, dtype=np.int64)
        self._size += number
        if self._size > self._most:
            raise TooMany
        return nodes

    def patterns(self, leaves: Integers) -> tuple[Integers, Integers, Integers]:
        """starts, kinds and counts of the patterns that end in these nodes."""
        if not len(leaves):
            nothing = np.zeros(0, dtype=np.int64)
            return np.zeros(1, dtype=np.int64), nothing, nothing
        all_kinds, all_counts = np.concatenate(self._kinds), np.concatenate(self._counts)
        parents = np.concatenate(self._parents)
        owners, kinds, counts = [], [], []
        owner, node = np.arange(len(leaves), dtype=np.int64), leaves
        while len(node):
            owners.append(owner)
            kinds.append(all_kinds[node])
            counts.append(all_counts[node])
            above = parents[node]
            going = above >= 0
            owner, node = owner[going], above[going]
        order = np.argsort(np.concatenate(owners), kind="stable")
        lengths = np.bincount(np.concatenate(owners), minlength=len(leaves))
        starts = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
        return starts, np.concatenate(kinds)[order], np.concatenate(counts)[order]
