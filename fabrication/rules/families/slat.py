"""Slat: slats by pitch so that the bottom rail lands on the sill, ladders, lift, stack, cutouts."""

from __future__ import annotations

from fractions import Fraction

from fabrication.rules.bench import Bench
from fabrication.rules.lifting import choose_lift, set_pull
from fabrication.rules.model import CannotMake, Cutout
from fabrication.rules.spans import evenly_spaced
from fabrication.rules.trade import SlatTrade
from fabrication.rules.winding import mm_up
from shared.lengths import SIXTEENTH, ZERO, Length


def work(bench: Bench) -> None:
    """Slats, ladders, lift, tilt wand, stack and cutouts of one unit."""
    trade: SlatTrade = bench.trade
    _slats(bench, trade)
    _ladders(bench, trade)
    wand = Length(int(bench.measures["height"].times(trade.wand_share))).down(trade.wand_step)
    bench.set_measure("wand", max(wand, trade.wand_step), "share of the height")
    set_pull(bench, bench.measures["height"])
    _cutouts(bench, trade)
    choose_lift(
        bench, bench.option("control"), bench.grams("slats") + bench.grams("bottom_rail"), bench.measures["height"]
    )
    _stack(bench, trade)


def slat_count(drop: Length, pitch: Length) -> tuple[int, Length, Length]:
    """
    Slats between head and bottom rail, and the first and last space, so that all adds up.

    The number is the nearest of drop / pitch. Whole pitches lie between the slats; what they leave
    is shared by the space under the head and the space over the bottom rail, neither over one pitch.

    Parameters
    ----------
    drop
        From the underside of the head to the top of the bottom rail, > pitch / 2.
    pitch
        From slat to slat on the ladder.

    Returns
    -------
    tuple[int, Length, Length]
        n, first space, last space: first + (n − 1) × pitch + last = drop, exactly.

    Examples
    --------
    >>> n, first, last = slat_count(Length.inches(57), Length.inches("7/4"))
    >>> n, str(first), str(last)
    (33, '1/2 in', '1/2 in')
    """
    number = max(1, round(drop.ratio(pitch)))
    spaces = drop - pitch * (number - 1)
    first = Length(spaces.ticks // 2).down(SIXTEENTH)
    return number, first, spaces - first


def _slats(bench: Bench, trade: SlatTrade) -> None:
    height = bench.measures["height"]
    drop = height - trade.head - trade.rail
    if drop.ticks * 2 < trade.pitch.ticks:
        problem = f"{bench.text(height)} leaves {bench.text(drop)} for slats between head and bottom rail"
        raise CannotMake("height", problem, f"at least {bench.text(trade.head + trade.rail + trade.pitch)}")
    number, first, last = slat_count(drop, trade.pitch)
    bench.counts["slats"] = number
    bench.set_measure("ladder", drop, "head to bottom rail")
    bench.measures |= {"first_space": first, "last_space": last, "pitch": trade.pitch}
    bench.measures |= {"head": trade.head, "rail": trade.rail}
    bench.places["slats"] = tuple(trade.head + first + trade.pitch * turn for turn in range(number))
    text = f"{number} at {bench.text(trade.pitch)}, first space {bench.text(first)}, last {bench.text(last)}"
    bench.figure("slats", "slats", text, number)
    below = bench.order.height - height
    place = "on the sill" if not below else f"{bench.text(below)} above the sill"
    if bench.order.mount == "inside" and bench.order.basis != "finished size":
        bench.figure("lands", "bottom rail lands", place, below.ticks)


def _ladders(bench: Bench, trade: SlatTrade) -> None:
    length = bench.length("slats")
    places = evenly_spaced(length, trade.ladder_end, trade.ladder_span)
    bench.counts["ladders"] = len(places)
    bench.places["ladders"] = places
    bench.figure("ladders", "ladders", f"{len(places)} at " + ", ".join(bench.about(place) for place in places))
    side = bench.option("tilt_side") or "left"
    run = places[-1] if side == "left" else length - places[0]
    bench.set_measure("longest_run", run, "run in the head")


def _cutouts(bench: Bench, trade: SlatTrade) -> None:
    """Which slats lose a piece of their end; they are cut whole and trimmed at the bench."""
    height, length = bench.measures["height"], bench.length("slats")
    slat = bench.material_of("slats").facts.width or ZERO
    reach = trade.cutout_clearance + Length(slat.ticks // 2)  # a closed slat hangs half its width each way
    for position, cutout in enumerate(bench.order.cutouts):
        _check_cutout(bench, cutout, length, f"cutouts[{position}]")
        low, high = cutout.from_bottom - reach, cutout.from_bottom + cutout.height + reach
        number = sum(low <= height - top <= high for top in bench.places["slats"])
        text = (
            f"{cutout.side}, {bench.text(cutout.depth)} deep, {bench.text(cutout.height)} high, from "
            f"{bench.text(cutout.from_bottom)} above the bottom: trim {number} slats"
        )
        bench.figure(f"cutout_{position + 1}", f"cutout {position + 1}", text, number)


def _check_cutout(bench: Bench, cutout: Cutout, length: Length, path: str) -> None:
    ladders = bench.places["ladders"]
    nearest = ladders[0] if cutout.side == "left" else length - ladders[-1]
    if cutout.depth >= nearest:
        problem = f"a cutout {bench.text(cutout.depth)} deep reaches the ladder"
        raise CannotMake(f"{path}.depth", problem, f"under {bench.text(nearest)}")
    if cutout.from_bottom + cutout.height > bench.measures["height"]:
        problem = f"a cutout up to {bench.text(cutout.from_bottom + cutout.height)} is higher than the unit"
        raise CannotMake(f"{path}.height", problem, f"at most {bench.text(bench.measures['height'])}")


def _stack(bench: Bench, trade: SlatTrade) -> None:
    slats = bench.counts["slats"]
    thickness_mm = bench.material_of("slats").facts.thickness_mm or 0
    stacked = mm_up(float(thickness_mm * slats) * float(trade.stack_factor), SIXTEENTH)
    stack = (trade.head + stacked + trade.rail).up(SIXTEENTH)
    bench.set_measure("stack", stack, "stack")
    share = Fraction(stack.ticks, bench.measures["height"].ticks)
    bench.figure_length("stack", "stack when open", stack, f"{float(share):.0%} of the height")
