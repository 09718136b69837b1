"""Cut plans drawn to scale: a bar a line, cross cuts stacked down the roll."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from fabrication.models import Part, PlannedCut
from fabrication.rules.load import Worked
from fabrication.rules.model import Part as RulePart
from fabrication.rules.model import UnitMake
from shared.drawings import Svg
from shared.formats.dates import weekday_day
from shared.formats.durations import minutes_text
from shared.formats.mass import mass
from shared.lengths import ZERO, Length, LengthUnit

WIDE: Final = 1000.0
BAR_HIGH: Final = 34.0
BAR_ROW: Final = 52.0
LETTER: Final = 7.0
"""What a letter of size 11 takes, so that no word runs over its box."""
LEAST_NAMED: Final = 34.0
"""A piece drawn narrower than this gets no code inside; the list beside has it."""


def bar_drawing(cut: PlannedCut, parts: Mapping[int, Part], *, unit: LengthUnit, longest: Length | None = None) -> Svg:
    """
    One bar with its pieces to scale: code and length in each, kerfs as gaps, what is left hatched.

    Parameters
    ----------
    longest
        The length that takes the whole width, so that several bars share a scale.
    """
    kerf, trim = _allowances(cut)
    scale = WIDE / (longest or cut.length).ticks
    what = "offcut to keep" if cut.keeps_offcut else "left over"
    svg = Svg(
        WIDE,
        BAR_ROW,
        title=f"Bar {cut.order}, {cut.length.text(unit)} {unit.value}",
        desc=f"{len(cut.pieces)} pieces, {cut.left.on_tape(unit).text(unit)} {what}",
        look="bar-plan",
    )
    y = (BAR_ROW - BAR_HIGH) / 2
    svg.rect(0, y, cut.length.ticks * scale, BAR_HIGH, "thin")
    if trim > ZERO:
        for start in (0, (cut.length - trim).ticks):
            svg.hatch(start * scale, y, trim.ticks * scale, BAR_HIGH)
    end = trim.ticks
    for piece in cut.pieces:
        _bar_piece(svg, piece, parts, scale, y, unit)
        end = max(end, piece["at"] + piece["length"] + kerf.ticks)
    if cut.left > ZERO:
        _left_over(svg, end * scale, y, (cut.length - trim).ticks * scale - end * scale, BAR_HIGH, cut, unit)
    return svg


DAYS_SHOWN: Final = 15
DAY_WIDE: Final = 64.0
DAY_HIGH: Final = 72.0
DAYS_A_ROW: Final = 5
"""Of the load of a place: how many working days are drawn, the box of one, and how many stand side by side."""


def load_drawing(name: str, worked: Worked) -> Svg:
    """The next working days of a work place: each a box of its hours, filled as far as it is worked."""
    days = worked.days[:DAYS_SHOWN]
    full = sum(day.worked_min >= day.there_min for day in days)
    row_high = DAY_HIGH + 34
    svg = Svg(
        DAYS_A_ROW * DAY_WIDE,
        -(-len(days) // DAYS_A_ROW) * row_high,
        title=f"Load of {name}",
        desc=f"{len(worked.days)} working days of work, {full} of the next {len(days)} full",
        look="load-plan",
    )
    for position, day in enumerate(days):
        row, column = divmod(position, DAYS_A_ROW)
        x, y, share = column * DAY_WIDE, row * row_high + 14, day.worked_min / day.there_min if day.there_min else 0.0
        svg.rect(x + 2, y, DAY_WIDE - 4, DAY_HIGH, "thin")
        svg.hatch(x + 2, y + DAY_HIGH * (1 - share), DAY_WIDE - 4, DAY_HIGH * share)
        svg.text(x + DAY_WIDE / 2, y - 3, minutes_text(day.worked_min), size=11)
        svg.text(x + DAY_WIDE / 2, y + DAY_HIGH + 13, weekday_day(day.day), size=11, look="pencil-word")
    return svg


def _bar_piece(
    svg: Svg, piece: Mapping[str, Any], parts: Mapping[int, Part], scale: float, y: float, unit: LengthUnit
) -> None:
    x, wide = piece["at"] * scale, piece["length"] * scale
    svg.rect(x, y, wide, BAR_HIGH, "stop" if piece.get("spoiled") else "ink")
    if wide >= LEAST_NAMED:
        svg.text(x + wide / 2, y + 13, _code(parts, piece), size=10, look="pencil-word")
        svg.length(x + wide / 2, y + 24, Length(piece["length"]), unit=unit, size=12)


def _left_over(svg: Svg, x: float, y: float, wide: float, high: float, cut: PlannedCut, unit: LengthUnit) -> None:
    if wide <= 0:
        return
    if cut.keeps_offcut:
        svg.rect(x, y, wide, high, "chalk")
    else:
        svg.hatch(x, y, wide, high)
    word = f"{'keep' if cut.keeps_offcut else 'bin'} {cut.left.on_tape(unit).text(unit)}"
    box = len(word) * LETTER + 8
    if wide >= box + 4:
        svg.rect(x + (wide - box) / 2, y + high / 2 - 9, box, 18, "fill-sheet")
        svg.text(x + wide / 2, y + high / 2 + 4, word, size=11)


def roll_drawing(cuts: Sequence[PlannedCut], parts: Mapping[int, Part], *, unit: LengthUnit) -> Svg:
    """Cross cuts of one roll, one under the other, each piece where it is slit; to scale."""
    item = cuts[0].item
    across = (item.width or ZERO).ticks or max(_right_edge(cut) for cut in cuts)
    run_off = sum(cut.length.ticks for cut in cuts)
    wide = 560.0
    scale = wide / across
    high = max(120.0, min(1600.0, run_off * scale))
    down = high / run_off if run_off else 1.0
    svg = Svg(
        wide + 90,
        high + 40,
        title=f"Roll {item.code}, {Length(across).text(unit)} {unit.value} wide",
        desc=f"{len(cuts)} cross cuts, {Length(run_off).text(unit)} {unit.value} run off",
        look="roll-plan",
    )
    svg.dimension(0, 22, wide, 22, Length(across), unit=unit, size=12)
    top = 34.0
    for cut in cuts:
        tall = cut.length.ticks * down
        _cross_cut(svg, cut, parts, top, tall, wide, scale, down, unit)
        svg.dimension(wide + 16, top, wide + 16, top + tall, cut.length, unit=unit, size=11)
        top += tall
    return svg


def _cross_cut(
    svg: Svg,
    cut: PlannedCut,
    parts: Mapping[int, Part],
    top: float,
    tall: float,
    wide: float,
    scale: float,
    down: float,
    unit: LengthUnit,
) -> None:
    svg.rect(0, top, wide, tall, "thin")
    for piece in cut.pieces:
        turned = piece["turned"]
        across, along = (piece["length"], piece["width"]) if turned else (piece["width"], piece["length"])
        x, w, h = piece["at"] * scale, across * scale, along * down
        svg.rect(x, top, w, h, "ink")
        if w >= 60 and h >= 34:
            svg.text(x + w / 2, top + h / 2 - 4, _code(parts, piece) + (" turned" if turned else ""), size=11)
            size = f"{Length(across).text(unit)} × {Length(along).text(unit)}"
            svg.text(x + w / 2, top + h / 2 + 11, size, size=11, look="pencil-word")
    edge = _right_edge(cut) * scale
    if wide - edge > 2:
        _strip(svg, cut, edge, top, wide - edge, tall, unit)


def _strip(svg: Svg, cut: PlannedCut, x: float, y: float, wide: float, high: float, unit: LengthUnit) -> None:
    """What is left beside the pieces: to keep, or hatched for the bin."""
    if not cut.keeps_offcut:
        svg.hatch(x, y, wide, high, step=9)
        return
    svg.rect(x, y, wide, high, "chalk")
    word = f"keep {cut.left.on_tape(unit).text(unit)}"
    if wide >= len(word) * LETTER and high >= 24:
        svg.text(x + wide / 2, y + high / 2 + 4, word, size=11)


def _right_edge(cut: PlannedCut) -> int:
    return max(int(piece["at"] + (piece["length"] if piece["turned"] else piece["width"])) for piece in cut.pieces)


def _code(parts: Mapping[int, Part], piece: Mapping[str, Any]) -> str:
    part = parts.get(piece["part"])
    return part.make.unit.code if part else "?"


def _allowances(cut: PlannedCut) -> tuple[Length, Length]:
    material = cut.plan.material
    return material.kerf or ZERO, material.trim or ZERO


WIDTH: Final = 800.0
MIDDLE: Final = 262.0
MOST_WIDE: Final = 360.0
MOST_HIGH: Final = 300.0
TOP: Final = 64.0
GAP: Final = 46.0
LIST_AT: Final = 506.0
LINE: Final = 19.0
ORDER: Final = ("front", "head", "tube", "body", "bar")
BODIES: Final = ("cloth", "slats", "vanes", "cells", "folds")
THICK: Final[Mapping[str, float]] = {"front": 15.0, "head": 13.0, "tube": 10.0, "bar": 7.0}
MOST_LINES: Final = 90
"""Slats or pleats drawn; of more, every second, third … one."""


def draw_unit(made: UnitMake, *, unit: LengthUnit = LengthUnit.INCH) -> str:
    """
    A unit exploded, as SVG.

    Parameters
    ----------
    made
        What `make_unit` gave.
    unit
        What dimensions are written in.

    Returns
    -------
    str
        One ``<svg>`` with title and description; classes and presentation attributes only.

    Examples
    --------
    >>> from fabrication.rules.recipes import middling_order, make_unit, starting_materials, starting_recipes
    >>> recipe = starting_recipes()["stint"]
    >>> svg = draw_unit(make_unit(recipe, middling_order(recipe), starting_materials()))
    >>> svg.startswith("<svg") and "<title>Stint aluminium slat, 1 in" in svg
    True
    """
    return str(_Drawing(made, unit).render())


class _Drawing:
    """One drawing under construction."""

    def __init__(self, made: UnitMake, unit: LengthUnit) -> None:
        self.made, self.unit = made, LengthUnit(unit)
        self.numbers = {id(part): position for position, part in enumerate(made.parts, 1)}
        self.drawn = self._in_order()
        widths = [_across(part, made) for part in self.drawn]
        self.widest = max([made.finished_width, *widths])
        self.scale = min(MOST_WIDE / self.widest.ticks, MOST_HIGH / made.finished_height.ticks)
        below = TOP + sum(self._height(part) + GAP for part in self.drawn) + 34
        self.height = max(below, 60 + LINE * (len(made.parts) + 1) + 40, 200)
        self.svg = Svg(WIDTH, self.height, title=self._title(), desc=self._words(), look="exploded")

    def _title(self) -> str:
        return f"{self.made.name} {self.made.code}".strip()

    def _words(self) -> str:
        made, unit = self.made, self.unit
        size = f"{made.finished_width.text(unit)} × {made.finished_height.text(unit, symbol=True)}"
        parts = "; ".join(self._part_words(part) for part in made.parts)
        return f"Parts drawing, head at the top. Finished {size}, {mass(made.weight_g, unit)}. Parts: {parts}"

    def _part_words(self, part: RulePart) -> str:
        sizes = " × ".join(side.text(self.unit) for side in (part.width, part.length) if side is not None)
        return f"{part.quantity} {part.name}" + (f" {sizes}" if sizes else "")

    def _in_order(self) -> list[RulePart]:
        """Drawn parts from the head down; each shape once a part."""
        found: dict[str, list[RulePart]] = {name: [] for name in ORDER}
        for part in self.made.parts:
            if part.draw:
                found["body" if part.draw in BODIES else part.draw].append(part)
        return [part for name in ORDER for part in found[name]]

    def _height(self, part: RulePart) -> float:
        if part.draw not in BODIES:
            return THICK[part.draw]
        return max(_down(part, self.made).ticks * self.scale, 8.0)

    def render(self) -> Svg:
        y = TOP
        below: float | None = None
        for part in self.drawn:
            if below is not None:
                self.svg.line(MIDDLE, below + 2, MIDDLE, y - 31, "dashed")
            self._draw(part, y)
            below = y + self._height(part)
            y = below + GAP
        self._list()
        self._foot()
        return self.svg

    def _draw(self, part: RulePart, y: float) -> None:
        across = _across(part, self.made)
        wide, high = across.ticks * self.scale, self._height(part)
        x = MIDDLE - wide / 2
        _SHAPES[part.draw](self, part, x, y, wide, high)
        self.svg.dimension(x, y, x + wide, y, across, unit=self.unit, offset=12, size=10)
        if part.draw in BODIES:
            down = _down(part, self.made)
            self.svg.dimension(x + wide, y, x + wide, y + high, down, unit=self.unit, offset=16, size=10)
        self._ring(self.numbers[id(part)], x, y + min(high, 20) / 2)

    def _ring(self, number: int, x: float, y: float) -> None:
        self.svg.circle(30, y, 9, "thin")
        self.svg.text(30, y + 3.6, str(number), size=10)
        self.svg.line(39, y, x - 3, y, "pencil")

    # -- shapes -----------------------------------------------------------------------

    def plain(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        self.svg.rect(x, y, wide, high, "ink")

    def tube(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        self.svg.rect(x, y, wide, high, "ink")
        self.svg.line(x, y + high / 3, x + wide, y + high / 3, "thin")
        side = self.made.options.get("control_side", "right")
        end = x + wide + 8 if side == "right" else x - 8
        self.svg.circle(end, y + high / 2, high / 2, "chalk")

    def cloth(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        self.svg.rect(x, y, wide, high, "ink")
        pitch = self.made.measures.get("band_pitch")
        if pitch:
            self._bands(x, y, wide, high, pitch.ticks * self.scale)
        if part.lay == "seamed":
            widths = max(1, part.quantity)
            for seam in range(1, widths):
                at = x + wide * seam / widths
                self.svg.line(at, y, at, y + high, "dashed")

    def _bands(self, x: float, y: float, wide: float, high: float, pitch: float) -> None:
        step = pitch * max(1, int(high / pitch / MOST_LINES) + 1)
        at = step
        while at < high:
            self.svg.line(x, y + at, x + wide, y + at, "thin")
            at += step

    def slats(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        head = self.made.measures.get("head", ZERO)
        lines = [(place - head).ticks * self.scale for place in self.made.places.get("slats", ())]
        for at in _thinned(lines):
            if 0 <= at <= high:
                self.svg.line(x, y + at, x + wide, y + at, "ink")
        for place in self.made.places.get("ladders", ()):
            at = x + place.ticks * self.scale
            self.svg.line(at, y, at, y + high, "pencil")

    def vanes(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        self.svg.rect(x, y, wide, high, "thin")
        for place in _thinned([place.ticks * self.scale for place in self.made.places.get("vanes", ())]):
            if 0 <= place <= wide:
                self.svg.line(x + place, y, x + place, y + high, "ink")

    def cells(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        number = max(1, self.made.counts.get("pleats", 1))
        for at in _thinned([high * turn / number for turn in range(number + 1)]):
            self.svg.line(x, y + at, x + wide, y + at, "thin")
        self.svg.rect(x, y, wide, high, "ink")

    def folds(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        self.svg.rect(x, y, wide, high, "ink")
        for place in self.made.places.get("ribs", ()):
            at = place.ticks * self.scale
            if at < high:
                self.svg.line(x, y + at, x + wide, y + at, "thin")
        for place in self.made.places.get("ring_columns", ()):
            at = x + place.ticks * self.scale
            if at < x + wide:
                self.svg.line(at, y, at, y + high, "dashed")

    # -- words beside and below ----------------------------------------------------------

    def _list(self) -> None:
        y = 34.0
        for words, at in (("part", LIST_AT + 22), ("W", LIST_AT + 206), ("L", LIST_AT + 258)):
            anchor = "start" if words == "part" else "middle"
            self.svg.text(at, y, words, size=10, anchor=anchor, look="pencil-word")
        self.svg.line(LIST_AT, y + 6, WIDTH - 12, y + 6, "pencil")
        for part in self.made.parts:
            y += LINE
            self.svg.text(LIST_AT + 14, y + 4, str(self.numbers[id(part)]), size=10, anchor="end")
            words = _cut(f"{part.quantity} × {part.name}", 27)
            self.svg.text(LIST_AT + 22, y + 4, words, size=10, anchor="start")
            for side, at in ((part.width, LIST_AT + 206), (part.length, LIST_AT + 258)):
                if side is not None:
                    self.svg.length(at, y, side.nearest(_GRID[self.unit]), unit=self.unit, size=10)

    def _foot(self) -> None:
        made = self.made
        size = f"finished {made.finished_width.text(self.unit)} × {made.finished_height.text(self.unit, symbol=True)}"
        words = _cut(f"{size}, {mass(made.weight_g, self.unit)}, {made.mount} mount", 74)
        self.svg.text(16, self.height - 12, words, anchor="start")
        self.svg.text(16, 24, _cut(self._title(), 70), size=13, anchor="start")


_GRID: Final = {LengthUnit.INCH: Length(127), LengthUnit.MM: Length(32)}
_SHAPES: Final[Mapping[str, Callable[[_Drawing, RulePart, float, float, float, float], None]]] = {
    "front": _Drawing.plain,
    "head": _Drawing.plain,
    "tube": _Drawing.tube,
    "bar": _Drawing.plain,
    "cloth": _Drawing.cloth,
    "slats": _Drawing.slats,
    "vanes": _Drawing.vanes,
    "cells": _Drawing.cells,
    "folds": _Drawing.folds,
}


def _across(part: RulePart, made: UnitMake) -> Length:
    """A drawn part's extent across the window."""
    if part.draw == "vanes":
        return made.finished_width
    if part.draw == "folds":
        return made.finished_width
    if part.kind != "cloth":
        return part.length or made.finished_width
    if part.lay == "seamed":
        return made.measures.get(f"{part.key}_joined", made.finished_width)
    return part.across or made.finished_width


def _down(part: RulePart, made: UnitMake) -> Length:
    """A drawn body's extent down the window, as it hangs."""
    if part.draw == "slats":
        return made.measures.get("ladder", made.finished_height)
    if part.draw == "vanes":
        folded = made.measures.get("hanger", ZERO) + made.measures.get("pocket", ZERO)
        return part.length - folded if part.length else made.finished_height
    if part.draw == "cells":
        return made.finished_height - made.measures.get("rails", ZERO)
    return made.finished_height


def _thinned(places: Sequence[float]) -> Sequence[float]:
    return places[:: len(places) // MOST_LINES + 1]


def _cut(words: str, most: int) -> str:
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"
