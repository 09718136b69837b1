"""Cellular and pleated: rails, a block of pleats, cords and the spring unit that balances them."""

from __future__ import annotations

from fractions import Fraction
from math import ceil

from fabrication.rules.bench import Bench
from fabrication.rules.cloth import lay_cloth
from fabrication.rules.lifting import choose_lift
from fabrication.rules.model import CannotMake
from fabrication.rules.spans import evenly_spaced
from fabrication.rules.trade import CellularTrade
from shared.lengths import SIXTEENTH, ZERO, Length


def work(bench: Bench) -> None:
    """Pleats, cords, lift and stack of one unit."""
    trade: CellularTrade = bench.trade
    _pleats(bench, trade)
    lay_cloth(bench, "cloth")
    places = evenly_spaced(bench.length("bottom_rail"), trade.cord_end, trade.cord_span)
    bench.counts["cords"] = len(places)
    bench.places["cords"] = places
    bench.set_measure("longest_run", places[-1], "run in the head")
    bench.figure("cords", "cords", f"{len(places)} at " + ", ".join(bench.about(place) for place in places))
    control = bench.option("control")
    grams = bench.grams("cloth") + bench.grams("bottom_rail") + bench.grams("middle_rail")
    choose_lift(bench, control, grams, bench.measures["height"])
    _stack(bench, trade)


def pleat_count(height: Length, rails: Length, fullness: Fraction, pitch: Length) -> int:
    """
    Pleats that fill the height below the rails: ceil(fullness × (height − rails) / pitch).

    Examples
    --------
    >>> inches = Length.inches
    >>> pleat_count(inches(60), inches(2), Fraction("1.03"), inches("11/16"))
    87
    """
    return ceil((height - rails).times(fullness) / pitch.ticks)


def _pleats(bench: Bench, trade: CellularTrade) -> None:
    height = bench.measures["height"]
    rails = trade.rails + (trade.middle_rail if bench.has("middle_rail") else ZERO)
    if height <= rails:
        problem = f"{bench.text(height)} leaves nothing between the rails"
        raise CannotMake("height", problem, f"more than {bench.text(rails)}")
    number = pleat_count(height, rails, trade.fullness, trade.pitch)
    bench.counts["pleats"] = number
    bench.measures["pitch"] = trade.pitch
    bench.measures["rails"] = rails
    bench.set_measure("block", trade.pitch * number, f"{number} pleats of {bench.text(trade.pitch)}")
    bench.figure("pleats", "pleats", f"{number} of {bench.text(trade.pitch)} as hung", number)


def _stack(bench: Bench, trade: CellularTrade) -> None:
    height = bench.measures["height"]
    stack = (trade.stack_plus + Length(ceil(height.times(trade.stack_share)))).up(SIXTEENTH)
    bench.set_measure("stack", stack, "stack")
    bench.figure_length("stack", "stack when open", stack)
