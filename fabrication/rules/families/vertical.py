"""Vertical: vanes that cover the track, their length, and where the stack stands."""

from __future__ import annotations

from math import ceil

from fabrication.rules.bench import Bench
from fabrication.rules.lifting import set_loop
from fabrication.rules.model import CannotMake
from fabrication.rules.trade import VerticalTrade
from shared.lengths import SIXTEENTH, Length


def work(bench: Bench) -> None:
    """Vanes, spacers, wand or loop, and stack of one unit."""
    trade: VerticalTrade = bench.trade
    bench.set_measure("hanger", trade.hanger, "hanger fold")
    bench.set_measure("pocket", trade.pocket, "weight pocket")
    _vanes(bench, trade)
    wand = Length(int(bench.measures["height"].times(trade.wand_share))).down(trade.wand_step)
    bench.set_measure("wand", max(wand, trade.wand_step), "share of the height")
    set_loop(bench, bench.measures["height"])
    _stack(bench, trade)


def vane_count(track: Length, vane: Length, pitch: Length) -> int:
    """
    The fewest vanes that cover a track: ceil((track − vane) / pitch) + 1.

    The coverage is vane + (n − 1) × pitch, and it is no less than the track.

    Parameters
    ----------
    track, vane, pitch
        Length of the track, width of a vane, distance of carriers (vane − overlap).

    References
    ----------
    .. [1] Geometry; no public source gives a table.

    Examples
    --------
    >>> vane_count(Length.inches(96), Length.inches("7/2"), Length.inches("25/8"))
    31
    """
    return max(ceil((track - vane).ratio(pitch)), 0) + 1


def coverage(number: int, vane: Length, pitch: Length) -> Length:
    """
    What so many closed vanes cover.

    Examples
    --------
    >>> str(coverage(31, Length.inches("7/2"), Length.inches("25/8")))
    '97 1/4 in'
    """
    return vane + pitch * (number - 1)


def _vanes(bench: Bench, trade: VerticalTrade) -> None:
    track = bench.length("track")
    vane = bench.material_of("vanes").facts.width
    if vane is None or vane <= trade.pitch:
        name = bench.material_of("vanes").name
        raise CannotMake("materials", f"{name} is no wider than its pitch", f"width above {bench.text(trade.pitch)}")
    number = vane_count(track, vane, trade.pitch)
    if bench.option("stack") == "split" and number % 2:
        number += 1
    covered = coverage(number, vane, trade.pitch)
    bench.counts |= {"vanes": number, "bottom_weights": number, "spacers": number - 1}
    bench.measures |= {"vane": vane, "pitch": trade.pitch}
    text = f"{number}, covering {bench.text(covered)} of {bench.text(track)}"
    bench.figure("vanes", "vanes", text, number)
    spread = track - vane
    half = Length(vane.ticks // 2)
    bench.places["vanes"] = (
        tuple(half + Length(spread.ticks * turn // (number - 1)) for turn in range(number)) if number > 1 else (half,)
    )


def _stack(bench: Bench, trade: VerticalTrade) -> None:
    """Room of the drawn vanes, and the glass they leave or cover."""
    number = bench.counts["vanes"]
    split = bench.option("stack") == "split"
    each = (trade.stack_each * ceil(number / 2) if split else trade.stack_each * number) + trade.stack_plus
    each = each.up(SIXTEENTH)
    whole = each * 2 if split else each
    bench.set_measure("stack", each, "stack")
    where = "at each side" if split else f"at the {bench.option('stack') or 'left'}"
    bench.figure_length("stack", "stack when drawn", each, where)
    width = bench.measures["width"]
    if bench.order.mount == "outside":
        text = f"{bench.text(whole)} stands beside the glass where the track runs that far past it"
    else:
        text = f"{bench.text(whole)} of {bench.text(width)} stays before the glass"
    bench.figure("stack_stands", "stack stands", text, whole.ticks)
    if whole >= width:
        bench.remark("check", "stack", f"the stack ({bench.text(whole)}) is as wide as the unit")
