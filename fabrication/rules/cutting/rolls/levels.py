"""
How many lays must be at least so long.

The panels that can't lie shorter than some length need lays of at least that length, and
side by side they are a bin packing of widths; its bound is a whole number, which the
linear program over lays alone does not know.
"""

from __future__ import annotations

from fabrication.rules.cutting.bars.instance import BarInstance
from fabrication.rules.cutting.bars.model import BarModel, StockType
from fabrication.rules.cutting.columns.generation import relax
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.rolls.model import RollModel, Way
from fabrication.rules.cutting.watch import Watch


def least_lays(model: RollModel, length: int, watch: Watch) -> int:
    """A number of lays of at least `length` ticks that no plan is below, proved by dual prices in integers."""
    widths: dict[int, int] = {}
    ways: dict[int, list[Way]] = {}
    for way in model.ways:
        ways.setdefault(way.kind, []).append(way)
    for kind, count in enumerate(model.demand):
        if min(way.drop for way in ways[kind]) >= length:
            width = min(way.width for way in ways[kind])
            widths[width] = widths.get(width, 0) + count
    if not widths:
        return 0
    sizes = sorted(widths, reverse=True)
    pieces = sum(widths.values())
    room = max(stock.room for stock in model.stocks)
    lays = BarModel(
        grid=1,
        weights=tuple(sizes),
        demand=tuple(widths[size] for size in sizes),
        members=tuple((("", widths[size]),) for size in sizes),
        stocks=(StockType(room, room, 1, pieces, True, (("", None),)),),
        scale=1,
        quantum=1,
        keep=0,
        worth=0,
    )
    instance = BarInstance(lays)
    relaxed = relax(Master(instance.demand, instance.limits, 1.0), instance.pricing(), watch)
    return 0 if relaxed is None else instance.certified(relaxed.prices.tolist()).units
