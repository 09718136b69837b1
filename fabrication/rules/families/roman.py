"""Roman: face and lining, equal folds with a longer hem section, ribs, rings, shrouded cords."""

from __future__ import annotations

from decimal import Decimal
from math import ceil
from typing import Final

from fabrication.rules.bench import Bench
from fabrication.rules.cloth import lay_cloth
from fabrication.rules.lifting import choose_lift, set_loop
from fabrication.rules.model import CannotMake
from fabrication.rules.spans import evenly_spaced
from fabrication.rules.trade import RomanTrade
from shared.lengths import SIXTEENTH, Length

LIFTED: Final = ("face", "lining", "interlining", "ribs", "bottom_bar", "rings")


def work(bench: Bench) -> None:
    """Folds, ribs, rings, cloth and lift of one unit."""
    trade: RomanTrade = bench.trade
    _folds(bench, trade)
    _rings(bench, trade)
    for key in ("face", "lining", "interlining"):
        if bench.has(key):
            lay_cloth(bench, key, seam=trade.seam, grid=trade.grid)
    grams = sum((bench.grams(key) for key in LIFTED), start=Decimal(0))
    choose_lift(bench, bench.option("control"), grams, bench.measures["height"])
    set_loop(bench, bench.measures["height"])
    stack = trade.stack_plus + bench.measures["fold"] + trade.stack_each * bench.counts["ribs"]
    bench.set_measure("stack", stack.up(SIXTEENTH), "stack")
    bench.figure_length("stack", "stack when open", stack.up(SIXTEENTH))


def fold_sections(height: Length, hem_extra: Length, least: Length, most: Length) -> tuple[int, Length, Length]:
    """
    An odd number of equal half folds, the lowest (hem) section longer by `hem_extra`.

    Of the odd numbers whose half fold lies within the bounds the one nearest their middle; where
    none does (a short shade), the one that is nearest to the bounds. What the grid leaves goes to
    the top section, behind the rail.

    Returns
    -------
    tuple[int, Length, Length]
        Half folds, height of each, and of the top one: n × half + (top − half) + hem extra = height.

    Raises
    ------
    ValueError
        When the height is not above the hem's extra.

    Examples
    --------
    >>> n, half, top = fold_sections(*map(Length.inches, (60, 1, 6, 8)))
    >>> n, str(half), str(top)
    (9, '6 9/16 in', '6 1/2 in')
    """
    room = height - hem_extra
    if room.ticks <= 0:
        raise ValueError("the hem section takes the whole height")
    middle = least + most
    top_number = max(3, 2 * ceil(room.ratio(least) / 2) + 1)

    def distance(number: int) -> tuple[int, int]:
        half = Length(room.ticks // number)
        outside = max(least.ticks - half.ticks, half.ticks - most.ticks, 0)
        return outside, abs(2 * half.ticks - middle.ticks)

    number = min(range(1, top_number + 1, 2), key=distance)
    half = Length(room.ticks // number).nearest(SIXTEENTH)
    return number, half, room - half * (number - 1)


def _folds(bench: Bench, trade: RomanTrade) -> None:
    height = bench.measures["height"]
    if height <= trade.hem_extra + trade.fold_least:
        bound = f"more than {bench.text(trade.hem_extra + trade.fold_least)}"
        raise CannotMake("height", f"{bench.text(height)} is less than one fold and the hem section", bound)
    number, half, top = fold_sections(height, trade.hem_extra, trade.fold_least, trade.fold_most)
    ribs = (number - 1) // 2
    hem = half + trade.hem_extra if number > 1 else height
    bench.counts["ribs"] = ribs
    bench.set_measure("fold", half, "half fold")
    bench.set_measure("take_up", trade.take_up * ribs, f"taken up by {ribs} rib pockets")
    bench.set_measure("ribs_up", height - hem, "hem section to the rail")
    rows = tuple(height - hem - half * (2 * turn) for turn in reversed(range(ribs)))
    bench.places["ribs"] = rows
    text = f"{number} half folds of {bench.text(half)}, hem section {bench.text(hem)}, top {bench.text(top)}"
    bench.figure("folds", "folds", text, number)
    if ribs:
        heights = ", ".join(bench.about(height - row) for row in reversed(rows))
        bench.figure("ribs", "ribs, from the bottom edge", heights, ribs)
    if not trade.fold_least <= half <= trade.fold_most:
        bounds = f"{bench.text(trade.fold_least)} to {bench.text(trade.fold_most)}"
        bench.remark("note", "fold", f"half folds of {bench.text(half)}; usual are {bounds}")


def _rings(bench: Bench, trade: RomanTrade) -> None:
    columns = evenly_spaced(bench.measures["width"], trade.ring_end, trade.ring_span)
    bench.places["ring_columns"] = columns
    rings = len(columns) * bench.counts["ribs"]
    bench.counts |= {"ring_columns": len(columns), "rings": rings}
    bench.set_measure("longest_run", columns[-1], "run in the head")
    text = f"{rings}, in {len(columns)} columns at " + ", ".join(bench.about(place) for place in columns)
    bench.figure("rings", "rings", text, rings)
    if rings:
        bench.remark("check", "shroud", "every lift cord runs in its shroud: no cord may be drawn out to a loop")
