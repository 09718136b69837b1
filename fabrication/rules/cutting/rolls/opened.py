"""At equal cost, fewer rolls opened: the same lays moved between rolls that are alike but for their length."""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from fabrication.rules.cutting.problem import Pattern, RollProblem, RollStock
from fabrication.rules.cutting.rolls.model import group_of, run_together
from shared.lengths import Length

MOST_ROLLS: Final = 16
"""Rolls that are looked at beside one another: those opened, and of the others those listed first."""
MOST_CHOICES: Final = 4_000
MOST_NODES: Final = 2_000
"""Steps, so that the answer never hangs on the clock."""


@dataclass(frozen=True, slots=True)
class _Roll:
    """One roll of a stock, and its place in the list of stock."""

    id: str
    number: int
    length: int
    listed: int


@dataclass(frozen=True, slots=True)
class _Block:
    """Lays that stay on one roll, since a room's pieces are in several of them."""

    lays: tuple[Pattern, ...]
    length: int


def on_fewest_rolls(problem: RollProblem, patterns: tuple[Pattern, ...]) -> tuple[Pattern, ...]:
    """
    The plan's lays on the fewest rolls that hold them, each lay as it was.

    Lays move only between clean rolls of one width, price and kind, so that cost and what is left stay.
    Of as few rolls the offcuts listed first are taken, and of new cloth the shortest: a roll that is
    begun before a whole one.
    """
    classes: dict[Hashable, list[RollStock]] = {}
    for roll in problem.stock:
        if roll.length is not None and not roll.flaws and roll.quantity != 0:
            classes.setdefault((roll.width, roll.price, roll.offcut), []).append(roll)
    for alike in classes.values():
        patterns = _moved(problem, patterns, alike)
    return patterns


def _moved(problem: RollProblem, patterns: tuple[Pattern, ...], alike: Sequence[RollStock]) -> tuple[Pattern, ...]:
    ids = {roll.id for roll in alike}
    mine = [pattern for pattern in patterns if pattern.stock in ids]
    opened = {(pattern.stock, pattern.roll or 1) for pattern in mine}
    blocks = _blocks(problem, mine)
    if not mine or any(len({(lay.stock, lay.roll) for lay in block.lays}) > 1 for block in blocks):
        return patterns
    rolls = _rolls(problem, alike, opened)
    for chosen in itertools.islice(_choices(rolls, blocks, len(opened), alike[0].offcut), MOST_CHOICES):
        places = _packed([block.length for block in blocks], [roll.length for roll in chosen])
        if places is not None:
            lays = [
                replace(lay, stock=chosen[place].id, roll=chosen[place].number)
                for block, place in zip(blocks, places, strict=True)
                for lay in block.lays
            ]
            others = [pattern for pattern in patterns if pattern.stock not in ids]
            return (*others, *run_together(_one_after_another(lays)))
    return patterns


def _blocks(problem: RollProblem, patterns: Sequence[Pattern]) -> list[_Block]:
    """Single lays, those that share a group together, the longest block first."""
    groups = group_of(problem)
    lays = [replace(pattern, times=1) for pattern in patterns for _ in range(pattern.times)]
    block_of = list(range(len(lays)))
    first: dict[str, int] = {}
    for position, lay in enumerate(lays):
        for cut in lay.cuts:
            group = groups.get(cut.piece)
            if group is None:
                continue
            other = first.setdefault(group, position)
            old, new = block_of[position], block_of[other]
            block_of = [new if block == old else block for block in block_of]
    together: dict[int, list[Pattern]] = {}
    for block, lay in zip(block_of, lays, strict=True):
        together.setdefault(block, []).append(lay)
    blocks = [_Block(tuple(rows), sum(_length(lay) for lay in rows)) for rows in together.values()]
    return sorted(blocks, key=lambda block: -block.length)


def _length(lay: Pattern) -> int:
    assert lay.length is not None
    return lay.length.ticks


def _rolls(problem: RollProblem, alike: Sequence[RollStock], opened: set[tuple[str, int]]) -> list[_Roll]:
    """The rolls opened, and as many others as may be looked at."""
    listed = {roll.id: place for place, roll in enumerate(problem.stock)}
    rows = []
    for roll in alike:
        assert roll.length is not None
        count = max([len(opened), *(number for name, number in opened if name == roll.id)])
        numbers = range(1, min(count, roll.quantity or count) + 1)
        rows += [_Roll(roll.id, number, roll.length.ticks, listed[roll.id]) for number in numbers]
    rows.sort(key=lambda roll: ((roll.id, roll.number) not in opened, roll.listed, roll.number))
    return rows[: max(MOST_ROLLS, len(opened))]


def _choices(
    rolls: Sequence[_Roll], blocks: Sequence[_Block], most: int, is_offcut: bool
) -> Iterator[tuple[_Roll, ...]]:
    """Sets of rolls that may hold the blocks, the fewest first and of as many the dearest to us."""
    wanted, longest = sum(block.length for block in blocks), blocks[0].length

    def turn(chosen: tuple[_Roll, ...]) -> tuple[object, ...]:
        places = sorted((roll.listed, roll.number) for roll in chosen)
        return (places,) if is_offcut else (sum(roll.length for roll in chosen), places)

    for count in range(1, most + 1):
        sets = itertools.islice(itertools.combinations(rolls, count), MOST_CHOICES)
        enough = [
            chosen
            for chosen in sets
            if sum(roll.length for roll in chosen) >= wanted and max(roll.length for roll in chosen) >= longest
        ]
        yield from sorted(enough, key=turn)


def _packed(lengths: Sequence[int], rooms: Sequence[int]) -> list[int] | None:
    """
    The room each length goes into, longest first, by a search of so many steps; None where none is found.

    Examples
    --------
    >>> _packed([6, 5, 4], [9, 6])
    [1, 0, 0]
    """
    left, places, nodes = list(rooms), [-1] * len(lengths), 0
    position = 0
    while 0 <= position < len(lengths):
        nodes += 1
        if nodes > MOST_NODES:
            return None
        if places[position] >= 0:
            left[places[position]] += lengths[position]
        following = range(places[position] + 1, len(rooms))
        place = next((place for place in following if left[place] >= lengths[position]), -1)
        places[position] = place
        if place < 0:
            position -= 1
            continue
        left[place] -= lengths[position]
        position += 1
    return places if position == len(lengths) else None


def _one_after_another(lays: Sequence[Pattern]) -> list[Pattern]:
    """Lays at their places from the free end of each roll, longest first."""
    out, reached = [], dict[tuple[str, int | None], int]()
    for lay in sorted(lays, key=lambda lay: (lay.stock, lay.roll or 0, -_length(lay), lay.cuts[0].piece)):
        start = reached.get((lay.stock, lay.roll), 0)
        out.append(replace(lay, start=Length(start)))
        reached[lay.stock, lay.roll] = start + _length(lay)
    return out
