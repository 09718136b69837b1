"""
What the readings of an opening say about it, and what to do about each.

A finding never changes a size. Severities: ``note`` (say it), ``check`` (look again before
this goes on), ``stop`` (this can't be made or mounted so). A starting figure of the trade
that no firm has confirmed never stops anything: it is a ``check`` that says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Final

from measuring.rules import shapes
from measuring.rules.families import DIAGONALS, GRID, HEIGHTS, SIDES, TABLE, WALL, WIDTHS, about, named
from measuring.rules.finding import CHECK, NOTE, SEVERITIES, STOP, Finding, finding
from measuring.rules.misreads import misreads
from measuring.rules.opening import ENDS, Opening
from measuring.rules.sizing import OrderSize

__all__ = [
    "CHECK",
    "NOTE",
    "SEVERITIES",
    "STOP",
    "Finding",
    "diagonals_wanted",
    "finding",
    "lean_ticks",
    "opening_findings",
    "shape_findings",
]


def opening_findings(opening: Opening, size: OrderSize, alikes: Iterable[Opening] = ()) -> list[Finding]:
    """
    Findings the readings give by themselves, before any product is chosen.

    First the readings that look like slips (`misreads`; `alikes` are the room's other openings),
    then what `shape_findings` has to say.
    """
    if shapes.is_figure(opening.shape):
        return shape_findings(opening, size)
    return [*misreads(opening, alikes), *shape_findings(opening, size)]


def shape_findings(opening: Opening, size: OrderSize) -> list[Finding]:
    """
    What the readings, taken at their word, say of the opening and its covers.

    Out of square, bowed, tapered, leaning; what should be read again or beside; covers that are
    short or past what there is room for.

    Examples
    --------
    >>> from measuring.rules.sizing import order_size
    >>> doc = {"id": "A", "family": "cellular", "mount": "inside", "depth": "3",
    ...        "widths": {"top": "36", "middle": "35 3/4", "bottom": "35 1/2"},
    ...        "heights": {"left": "60", "center": "60", "right": "60"}}
    >>> opening = Opening.from_json(doc, "in")
    >>> [found.text for found in shape_findings(opening, order_size(opening)) if found.code == "taper"]
    ['1/2 in narrower at the bottom than at the top.']
    """
    found: list[Finding] = []
    if opening.floor == "unknown":
        found.append(finding("floor_unasked", "floor_type", over=named(opening.over_floor, opening.unit)))
    if opening.to_come:
        found.append(finding("not_final", "to_come", what=opening.to_come))
    for look in _LOOKS[opening.mount]:
        found.extend(look(opening, size))
    found.extend(_by_laser(opening))
    return found


def _by_laser(opening: Opening) -> Iterator[Finding]:
    """An inside width that a laser alone has read: it meets plaster, not the trim that a headrail meets."""
    read = [spot for spot in TABLE["laser_asks"] if spot in opening.taken]
    if opening.mount == "inside" and read and all(spot in opening.by_laser for spot in read):
        yield finding("laser_width", read[0], spot=TABLE["labels"][read[0]])


def diagonals_wanted(opening: Opening) -> str:
    """Why both diagonals should be read, or nothing: inside, wide or not square enough."""
    if opening.mount != "inside" or opening.shape != shapes.RECTANGLE or DIAGONALS[0] in opening.taken:
        return ""
    readings, unit = opening.readings, opening.unit
    over = opening.rule.limits["diagonals_over"]
    widest = max(readings[spot] for spot in WIDTHS if spot in readings)
    if over is not None and widest > over:
        return f"{opening.family} over {named(over, unit)} wide"
    apart = TABLE["diagonals_apart"]
    for word, spots in (("widths", WIDTHS), ("heights", HEIGHTS)):
        read = [readings[spot] for spot in spots if spot in readings]
        if max(read) - min(read) >= apart:
            return f"the {word} are {named(max(read) - min(read), unit)} apart"
    return ""


def lean_ticks(opening: Opening) -> int | None:
    """
    How far the opening leans over its height, in ticks, from its diagonals as they were read.

    For a racked opening rising² − falling² = 4 × width × lean; positive leans to the right.

    References
    ----------
    .. [1] Pythagoras: the diagonals of a parallelogram of base w and height h, leaning by s,
           are the roots of (w + s)² + h² and (w - s)² + h².
    """
    rising, falling = (opening.as_read(spot) for spot in DIAGONALS)
    if rising is None or falling is None:
        return None
    widths = [width for spot in WIDTHS if (width := opening.as_read(spot)) is not None]
    if not widths:
        return None
    return (rising * rising - falling * falling) * len(widths) // (4 * sum(widths))


def _figure(opening: Opening, size: OrderSize) -> Iterator[Finding]:
    """What an opening that is no rectangle is, or where its readings don't agree."""
    read, unit = opening.figure, opening.unit
    for doubt in shapes.doubts(opening.shape, read):
        words = {name: (about if name in _WORKED_OUT else named)(ticks, unit) for name, ticks in doubt.lengths.items()}
        why = _SHAPE_TEXTS[doubt.why].format(spot=TABLE["labels"][doubt.field], **words)
        code = "shape_template" if doubt.needs_template else "shape_again"
        yield finding(code, doubt.field, why=why[0].upper() + why[1:])
    what = known_text(opening)
    if what:
        yield finding("shape_is", "shape", what=what)


def known_text(opening: Opening) -> str:
    """Radius or angles of a shape whose readings agree, in words; empty for any other."""
    known = shapes.known(opening.shape, opening.figure)
    if known is None:
        return ""
    lengths = {name: about(ticks, opening.unit) for name, ticks in known.lengths.items()}
    what = _SHAPE_TEXTS[known.text].format(**lengths, **known.words)
    return what[0].upper() + what[1:]


_SHAPE_TEXTS: Final[Mapping[str, str]] = TABLE["shape_texts"]
_WORKED_OUT: Final = ("would_be", "ellipse")


def _shape(opening: Opening, size: OrderSize) -> Iterator[Finding]:
    if shapes.is_figure(opening.shape):
        yield from _figure(opening, size)
        return
    readings, unit, limits = opening.readings, opening.unit, opening.rule.limits
    top, middle, bottom = (readings.get(spot) for spot in WIDTHS)
    read = [(spot, readings[spot]) for spot in WIDTHS if spot in readings]
    if len(read) > 1:
        widest, narrowest = max(read, key=_ticks_of), min(read, key=_ticks_of)
        if widest[1] - narrowest[1] > limits["taper"]:
            x = named(widest[1] - narrowest[1], unit)
            words = {"narrow": narrowest[0].partition(".")[2], "wide": widest[0].partition(".")[2]}
            yield finding("taper", narrowest[0], x=x, **words)
        if limits["narrows"] is not None and opening.rule.width == "top" and top is not None:
            closes = top - narrowest[1]
            if closes > TABLE["diagonals_apart"]:
                yield finding("narrows", narrowest[0], x=named(closes, unit))
    if top is not None and middle is not None and bottom is not None:
        twice = 2 * middle - top - bottom
        if abs(twice) > 2 * limits["bow"]:
            which = "wider" if twice > 0 else "narrower"
            yield finding("bow", WIDTHS[1], x=about(abs(twice) // 2, unit), which=which)
    yield from _heights(opening)
    lean = lean_ticks(opening)
    if lean is not None and abs(lean) > limits["lean"]:
        yield finding("lean", "diagonals", x=about(abs(lean), unit))
    why = diagonals_wanted(opening)
    if why:
        yield finding("diagonals_wanted", "diagonals", why=why)


def _ticks_of(pair: tuple[str, int]) -> int:
    return pair[1]


def _heights(opening: Opening) -> Iterator[Finding]:
    readings, unit, limits = opening.readings, opening.unit, opening.rule.limits
    read = [(spot, readings[spot]) for spot in HEIGHTS if spot in readings]
    if len(read) < 2:
        return
    shortest, longest = min(read, key=_ticks_of), max(read, key=_ticks_of)
    apart = longest[1] - shortest[1]
    if apart > limits["heights"]:
        yield finding("heights", shortest[0], x=named(apart, unit))
    level = limits["head_level"]
    left, right = readings.get(HEIGHTS[0]), readings.get(HEIGHTS[2])
    if level is None or left is None or right is None:
        return
    width = max(readings[spot] for spot in WIDTHS if spot in readings)
    off = abs(left - right)
    if off * level["run"] > level["rise"] * width and off > TABLE["again_apart"]:
        words = {"rise": named(level["rise"], "in"), "run": named(level["run"], "in")}
        yield finding("head_level", HEIGHTS[2], x=named(off, unit), **words)


def _second_readings(opening: Opening, size: OrderSize) -> Iterator[Finding]:
    readings, unit = opening.readings, opening.unit
    for spot in opening.rule.twice:
        alone = not any(other in readings for other in opening.rule.checks)
        if alone and spot not in opening.again:
            yield finding("read_twice", spot)
    for spot in opening.again:
        if spot not in readings:
            continue
        first, second = opening.first(spot), opening.second(spot)
        if abs(first - second) > GRID[unit]:
            words = {"first": named(first, unit), "second": named(second, unit), "counts": named(readings[spot], unit)}
            yield finding("again_differs", spot, x=named(abs(first - second), unit), **words)


def _depth_unread(opening: Opening, size: OrderSize) -> Iterator[Finding]:
    if "depth" not in opening.readings:
        yield finding("depth_unread", "depth")


def _between_corners(opening: Opening, size: OrderSize) -> Iterator[Finding]:
    """What a bay or corner leaves of its wall: less than the unit, or than the opening behind it."""
    bay, unit = opening.bay, opening.unit
    if bay is None:
        return
    words = {"wall": named(bay.wall, unit), "room": _some(bay.room, unit)}
    if bay.meets:
        yield finding("bay_meets", WALL, other=bay.meets)
    if bay.room < GRID[unit]:
        yield finding("bay_full", WALL, **words)
    elif size.width.ticks > bay.room:
        yield finding("bay_over", WALL, x=named(size.width.ticks - bay.room, unit), **words)
    elif opening.mount == "outside":
        read = [opening.readings[spot] for spot in WIDTHS if spot in opening.readings]
        if read and max(read) > size.width.ticks:
            yield finding("bay_short", "widths", x=named(max(read) - size.width.ticks, unit))


def _some(ticks: int, unit: str) -> str:
    return named(ticks, unit) if ticks > 0 else str(TABLE["depth_texts"]["nothing"])


def _covers(opening: Opening, size: OrderSize) -> Iterator[Finding]:
    if opening.chosen is not None:
        yield from _chosen(opening, size)
        return
    unit, least = opening.unit, TABLE["cover"]["least"]
    cover = opening.cover or {}
    if not any(cover.values()):
        yield finding("cover_unread", "cover", least=named(least, unit))
    for side in SIDES:
        if (side == "bottom" and opening.floor) or (opening.bay and side in ENDS):
            continue
        past = cover.get(side, 0)
        stop = opening.stops_on.get(side)
        if stop is not None and past > stop.limit_ticks:
            words = {"x": named(past, unit), "limit": named(stop.limit_ticks, unit)}
            yield finding("cover_past", f"cover.{side}", side=side, on=stop.on, **words)
        elif stop is None and past < least and any(cover.values()):
            words = {"x": named(past, unit), "side": side, "least": named(least, unit)}
            yield finding("cover_short", f"cover.{side}", **words)
    need = opening.rule.limits["head_height"] + TABLE["cover"]["above_head"]
    if least <= cover.get("top", 0) < need:
        yield finding("cover_head", "cover.top", x=named(cover["top"], unit), need=named(need, unit))
    if opening.rule.limits["ask_cloth_extra"] and opening.cloth_extra_ticks is None and opening.bay is None:
        yield finding("ask_cloth_extra", "cloth_extra")


def _chosen(opening: Opening, size: OrderSize) -> Iterator[Finding]:
    unit, least = opening.unit, TABLE["cover"]["least"]
    if opening.cover is not None or opening.cloth_extra_ticks is not None:
        yield finding("cover_unused", "chosen")
    for way, spots, chosen in (("width", WIDTHS, size.width), ("height", HEIGHTS, size.height)):
        read = [opening.readings[spot] for spot in spots if spot in opening.readings]
        need = max(read) + 2 * least if read else 0
        if chosen.ticks < need:
            words = {"x": named(chosen.ticks, unit), "least": named(least, unit), "need": named(need, unit)}
            yield finding("chosen_small", f"chosen.{way}", way=way, **words)


_Look = Callable[[Opening, OrderSize], Iterator[Finding]]
_LOOKS: Final[Mapping[str, tuple[_Look, ...]]] = {
    "inside": (_second_readings, _between_corners, _shape, _depth_unread),
    "outside": (_second_readings, _between_corners, _covers),
}
