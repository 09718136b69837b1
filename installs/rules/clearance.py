"""
Getting past a handle, a crank or deep trim: spacer blocks, then extension brackets, else "cannot".

Projection needed = the furthest obstruction + hand clearance; what is missing is that less the
bracket's own standoff. Blocks are stacked up to a limit; beyond it the next extension bracket
that reaches. The functions take plain values, so that whoever has the same figures can ask the
same question at measuring time.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from shared.lengths import ZERO, Length, total
from shared.records import Record

WAYS: Final = ("none", "spacers", "extension", "cannot")


@dataclass(frozen=True)
class Block(Record):
    """Equal blocks in one stack."""

    item: str
    thickness: Length
    count: int


@dataclass(frozen=True)
class Projection(Record):
    """
    How the covering is brought out: `way` is one of none, spacers, extension, cannot.

    `stack` is the height of the blocks at each bracket, `reach` wall to the back of the covering.
    """

    way: str
    needed: Length
    reach: Length
    stack: Length = ZERO
    blocks: tuple[Block, ...] = ()
    extension: str = ""
    why: str = ""


def projection_needed(projections: Iterable[Length], hand_clearance: Length) -> Length:
    """
    How far the back of the covering must stand out from the wall.

    Returns
    -------
    Length
        The furthest projection + `hand_clearance`; zero where nothing stands out.

    Examples
    --------
    >>> projection_needed([Length.inches(2), Length.inches("5/2")], Length.inches("1/2")).text()
    '3'
    """
    furthest = max(projections, default=ZERO)
    return furthest + hand_clearance if furthest else ZERO


def stack_blocks(missing: Length, thicknesses: Sequence[Length], most: Length) -> dict[Length, int] | None:
    """
    The lowest stack of blocks of at least `missing`, of the fewest blocks; None over `most`.

    Examples
    --------
    >>> quarter, half = Length.inches("1/4"), Length.inches("1/2")
    >>> stack_blocks(Length.inches("9/8"), [half, quarter], Length.inches("3/2")) == {half: 2, quarter: 1}
    True
    >>> stack_blocks(Length.inches(2), [half, quarter], Length.inches("3/2")) is None
    True
    """
    if missing.ticks <= 0:
        return {}
    least: dict[int, tuple[int, ...]] = {0: ()}  # stack height to its blocks, fewest first
    frontier = [0]
    while frontier:
        grown: list[int] = []
        for height in frontier:
            for block in thicknesses:
                taller = height + block.ticks
                if taller <= most.ticks and taller not in least:
                    least[taller] = (*least[height], block.ticks)
                    grown.append(taller)
        frontier = grown
    enough = [height for height in least if height >= missing.ticks]
    if not enough:
        return None
    chosen = least[min(enough)]
    return {block: chosen.count(block.ticks) for block in thicknesses if block.ticks in chosen}


def plan_projection(
    needed: Length,
    standoff: Length,
    spacers: Sequence[tuple[str, Length]],
    most_stack: Length,
    extensions: Sequence[tuple[str, Length]],
) -> Projection:
    """
    Spacers up to `most_stack`, else the next extension bracket, else cannot.

    Parameters
    ----------
    needed
        Wall to the back of the covering, at least (`projection_needed`).
    standoff
        What the bracket gives by itself. An extension bracket's reach comes on top of it.
    spacers, extensions
        Item keys with thickness or reach, in any order.

    Examples
    --------
    >>> inch = Length.inches
    >>> plan = plan_projection(
    ...     inch(3), inch("3/2"), [("half", inch("1/2")), ("quarter", inch("1/4"))], inch("3/2"), []
    ... )
    >>> plan.way, plan.stack.text(), [(block.item, block.count) for block in plan.blocks]
    ('spacers', '1 1/2', [('half', 3)])
    """
    missing = needed - standoff
    if missing <= ZERO:
        return Projection("none", needed, standoff, why=_enough(needed, standoff))
    keys = {thickness: key for key, thickness in spacers}
    stack = stack_blocks(missing, sorted(keys, reverse=True), most_stack)
    asked = f"{needed} needed − {standoff} of the bracket = {missing} missing"
    if stack is not None:
        blocks = tuple(Block(keys[thickness], thickness, count) for thickness, count in stack.items())
        height = total(block.thickness * block.count for block in blocks)
        made_of = " + ".join(f"{block.count} × {block.thickness}" for block in blocks)
        return Projection(
            "spacers", needed, standoff + height, height, blocks, why=f"{asked}: {made_of} = {height} at each bracket"
        )
    for key, reach in sorted(extensions, key=lambda pair: pair[1]):
        if reach >= missing:
            over = f"over the {most_stack} that may be stacked"
            return Projection(
                "extension", needed, standoff + reach, extension=key, why=f"{asked}, {over}: extension of {reach}"
            )
    longest = max((reach for _, reach in extensions), default=ZERO)
    why = f"{asked}, beyond the stack of {most_stack} and the longest extension of {longest}"
    return Projection("cannot", needed, standoff, why=why)


def _enough(needed: Length, standoff: Length) -> str:
    if not needed:
        return "nothing stands out"
    return f"{needed} needed, the bracket stands {standoff} off the wall"
