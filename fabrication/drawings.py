"""Cut plans drawn to scale: a bar a line, cross cuts stacked down the roll."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any, Final

from django.utils.safestring import SafeString

from fabrication.models import Part, PlannedCut
from fabrication.rules.load import Worked
from fabrication.rules.model import Part as RulePart
from fabrication.rules.model import UnitMake
from shared.drawings import DIGIT_EM, LEAST_PX, NARROW, Svg, by_width, number
from shared.formats.dates import weekday_day
from shared.formats.durations import minutes_text
from shared.formats.mass import mass
from shared.lengths import ZERO, Length, LengthUnit

WIDE: Final = 720.0
BAR_HIGH: Final = 34.0
BAR_HIGH_ON_PAPER: Final = 46.0
BAR_MARGIN: Final = 9.0
NARROW_HIGH: Final = 44.0
LETTER: Final = 7.0
"""What a letter of size 11 takes, so that no word runs over its box."""
PAPER_WIDE: Final = 254.0
PAPER_HIGH: Final = 150.0
LEAST_PT: Final = 7.1
"""On paper, in points: how wide a drawing of a plan is, how high a cross cut's at most, and its smallest word."""


def bar_drawing(
    cut: PlannedCut,
    parts: Mapping[int, Part],
    *,
    unit: LengthUnit,
    longest: Length | None = None,
    on_paper: bool = False,
    wide: float = WIDE,
) -> Svg:
    """
    One bar with its pieces to scale: code and length in each, kerfs as gaps, what is left hatched.

    Parameters
    ----------
    longest
        The length that takes the whole width, so that several bars share a scale.
    wide
        How wide the sheet is; on a screen no place is narrower, in pixels.
    """
    kerf, trim = _allowances(cut)
    scale = wide / (longest or cut.length).ticks
    what = "offcut to keep" if cut.keeps_offcut else "left over"
    high, y = (BAR_HIGH_ON_PAPER, 1.0) if on_paper else (BAR_HIGH if wide == WIDE else NARROW_HIGH, BAR_MARGIN)
    svg = Svg(
        wide,
        high + 2 * y,
        title=f"Bar {cut.order}, {cut.length.text(unit)} {unit.value}",
        desc=f"{len(cut.pieces)} pieces, {cut.left.on_tape(unit).text(unit)} {what}",
        look="bar-plan",
        least=LEAST_PT * wide / PAPER_WIDE if on_paper else LEAST_PX,
    )
    svg.rect(0, y, cut.length.ticks * scale, high, "thin")
    if trim > ZERO:
        for start in (0, (cut.length - trim).ticks):
            svg.hatch(start * scale, y, trim.ticks * scale, high)
    end = trim.ticks
    for piece in cut.pieces:
        _bar_piece(svg, piece, parts, scale, y, high, unit)
        end = max(end, piece["at"] + piece["length"] + kerf.ticks)
    if cut.left > ZERO:
        _left_over(svg, end * scale, y, (cut.length - trim).ticks * scale - end * scale, high, cut, unit)
    return svg


DAYS_SHOWN: Final = 15
DAY_WIDE: Final = 56.0
DAY_HIGH: Final = 64.0
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
        least=LEAST_PX,
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
    svg: Svg, piece: Mapping[str, Any], parts: Mapping[int, Part], scale: float, y: float, high: float, unit: LengthUnit
) -> None:
    x, wide = piece["at"] * scale, piece["length"] * scale
    svg.rect(x, y, wide, high, "stop" if piece.get("spoiled") else "ink")
    length, code, size = Length(piece["length"]), _code(parts, piece), max(12.0, svg.least)
    has_code = wide >= _room(code, svg.least)
    if has_code:
        svg.text(x + wide / 2, y + high * 0.42, code, size=svg.least, look="pencil-word")
    if wide >= _room(length.text(unit), size):
        svg.length(x + wide / 2, y + high * (0.74 if has_code else 0.5), length, unit=unit, size=size)


def _room(words: str, size: float) -> float:
    """What words take; in a piece too narrow for them the list beside has them."""
    return len(words) * DIGIT_EM * size + 4


def _left_over(svg: Svg, x: float, y: float, wide: float, high: float, cut: PlannedCut, unit: LengthUnit) -> None:
    if wide <= 0:
        return
    if cut.keeps_offcut:
        svg.rect(x, y, wide, high, "chalk")
    else:
        svg.hatch(x, y, wide, high)
    _blank_words(svg, x, y, wide, high, f"{'keep' if cut.keeps_offcut else 'bin'} {cut.left.on_tape(unit).text(unit)}")


def _blank_words(svg: Svg, x: float, y: float, wide: float, high: float, words: str) -> None:
    """What becomes of a blank, on a patch of paper in its middle, where there is room."""
    size = max(11, svg.least)
    box = len(words) * LETTER * size / 11 + 8
    if wide >= box + 4 and high >= size + 9:
        svg.rect(x + (wide - box) / 2, y + high / 2 - size / 2 - 4, box, size + 8, "fill-sheet")
        svg.text(x + wide / 2, y + high / 2 + size * 0.36, words, size=size)


ROLL_SIDE: Final = 90.0
"""Right of a roll, for the lengths of its cross cuts."""


def bar_by_width(
    cut: PlannedCut, parts: Mapping[int, Part], *, unit: LengthUnit, longest: Length | None = None
) -> SafeString:
    """A bar for a page, narrow or wide."""
    narrow, wide = (bar_drawing(cut, parts, unit=unit, longest=longest, wide=wide) for wide in (NARROW, WIDE))
    return by_width(narrow, wide)


def roll_by_width(cuts: Sequence[PlannedCut], parts: Mapping[int, Part], *, unit: LengthUnit) -> SafeString:
    """A roll for a page, narrow or wide."""
    return by_width(roll_drawing(cuts, parts, unit=unit, wide=NARROW - ROLL_SIDE), roll_drawing(cuts, parts, unit=unit))


def roll_drawing(
    cuts: Sequence[PlannedCut],
    parts: Mapping[int, Part],
    *,
    unit: LengthUnit,
    on_paper: bool = False,
    wide: float = 560.0,
) -> Svg:
    """
    Cross cuts of one roll, one under the other, each piece where it is slit; to scale.

    The cloth lies face up and comes off the roll from below: an arrow points to the top of each
    piece, its number says in what order it is slit, and every blank says keep or bin.
    """
    item = cuts[0].item
    across = (item.width or ZERO).ticks or max(_right_edge(cut) for cut in cuts)
    run_off = sum(cut.length.ticks for cut in cuts)
    scale = wide / across
    high = max(120.0, min(1600.0, 3 * wide, run_off * scale))
    down = high / run_off if run_off else 1.0
    points = min(PAPER_WIDE / (wide + ROLL_SIDE), PAPER_HIGH / (high + 40))
    svg = Svg(
        wide + ROLL_SIDE,
        high + 40,
        title=f"Roll {item.code}, {Length(across).text(unit)} {unit.value} wide",
        desc=f"{len(cuts)} cross cuts, {Length(run_off).text(unit)} {unit.value} run off; face up, arrows to the top",
        look="roll-plan",
        least=LEAST_PT / points if on_paper else LEAST_PX,
    )
    svg.dimension(0, 22, wide, 22, Length(across), unit=unit, size=12)
    top = 34.0
    for cut in cuts:
        tall = cut.length.ticks * down
        _CrossCut(svg, cut, top, tall, wide, scale, down, unit).draw(parts)
        svg.dimension(wide + 16, top, wide + 16, top + tall, cut.length, unit=unit, size=11)
        top += tall
    return svg


@dataclass(frozen=True, slots=True)
class _CrossCut:
    """One cross cut in a drawing: where it begins, how high and wide it is, and the scale across and down."""

    svg: Svg
    cut: PlannedCut
    top: float
    tall: float
    wide: float
    scale: float
    down: float
    unit: LengthUnit

    def draw(self, parts: Mapping[int, Part]) -> None:
        """Its pieces in the order they are slit, then what is left."""
        svg, cut = self.svg, self.cut
        svg.rect(0, self.top, self.wide, self.tall, "thin")
        for turn, piece in enumerate(cut.pieces, 1):
            self._piece(turn, piece, parts)
        first = min((piece["at"] for piece in cut.pieces), default=0) * self.scale
        if first > 2:
            svg.hatch(0, self.top, first, self.tall, step=9)
        edge = _right_edge(cut) * self.scale
        if self.wide - edge > 2:
            self._strip(edge, self.wide - edge)

    def _piece(self, turn: int, piece: Mapping[str, Any], parts: Mapping[int, Part]) -> None:
        svg, turned = self.svg, bool(piece["turned"])
        across, along = (piece["length"], piece["width"]) if turned else (piece["width"], piece["length"])
        x, w, h = piece["at"] * self.scale, across * self.scale, along * self.down
        svg.rect(x, self.top, w, h, "ink")
        below = self.tall - h
        if below > 2:
            svg.hatch(x, self.top + h, w, below, step=9)
            _blank_words(svg, x, self.top + h, w, below, "bin")
        _arrow(svg, x + 9, self.top + min(h, 34) - 6, turned)
        size = max(11.0, svg.least)
        if h < 3 * size:
            return
        middle, line = x + w / 2, self.top + h / 2
        named = f"{turn}. {_code(parts, piece)}" + (" turned" if turned else "")
        if w < len(named) * LETTER * size / 11:
            named = f"{turn}."  # the list beside says which
        sizes = f"{Length(across).text(self.unit)} × {Length(along).text(self.unit)}"
        for words, at, look in (
            (named, line - size * 0.3, "word"),
            (sizes, line + size, "pencil-word"),
        ):
            if w >= len(words) * LETTER * size / 11:
                svg.text(middle, at, words, size=size, look=look)

    def _strip(self, x: float, wide: float) -> None:
        """What is left beside the pieces: to keep, or hatched for the bin."""
        svg, cut = self.svg, self.cut
        if cut.keeps_offcut:
            svg.rect(x, self.top, wide, self.tall, "chalk")
            _blank_words(svg, x, self.top, wide, self.tall, f"keep {cut.left.on_tape(self.unit).text(self.unit)}")
        else:
            svg.hatch(x, self.top, wide, self.tall, step=9)
            _blank_words(svg, x, self.top, wide, self.tall, "bin")


def _arrow(svg: Svg, x: float, y: float, turned: bool) -> None:
    """From (x, y) to the top of a piece: up, or to the left where it is turned."""
    if turned:
        svg.path(f"M{number(x + 20)} {number(y)}h-20m4 -4l-4 4l4 4", "thin")
    else:
        svg.path(f"M{number(x)} {number(y)}v-20m-4 4l4 -4l4 4", "thin")


def _right_edge(cut: PlannedCut) -> int:
    return max(int(piece["at"] + (piece["length"] if piece["turned"] else piece["width"])) for piece in cut.pieces)


def _code(parts: Mapping[int, Part], piece: Mapping[str, Any]) -> str:
    part = parts.get(piece["part"])
    return part.make.unit.code if part else "?"


def _allowances(cut: PlannedCut) -> tuple[Length, Length]:
    material = cut.plan.material
    return material.kerf or ZERO, material.trim or ZERO


LINE: Final = 19.0
ORDER: Final = ("front", "head", "tube", "body", "bar")
BODIES: Final = ("cloth", "slats", "vanes", "cells", "folds")
THICK: Final[Mapping[str, float]] = {"front": 15.0, "head": 13.0, "tube": 10.0, "bar": 7.0}
MOST_LINES: Final = 90
"""Slats or pleats drawn; of more, every second, third … one."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """How large a unit is drawn, in user units, and whether its parts are listed beside it."""

    width: float
    middle: float
    most_wide: float
    most_high: float
    top: float
    gap: float
    least: float = 0
    has_list: bool = False
    list_at: float = 0
    """Where the list begins: beside the drawing, or at 0 under it."""
    letters: int = 27
    """Of a name in the list."""
    ring_at: float = 30


SCREEN: Final = Sheet(760, 262, 360, 300, 64, 46, least=LEAST_PX, has_list=True, list_at=470)
ON_PHONE: Final = Sheet(NARROW, 138, 170, 220, 60, 42, least=LEAST_PX, has_list=True, letters=22, ring_at=12)
PAPER: Final = Sheet(480, 250, 340, 190, 34, 34, least=12.5)
"""Beside a table that lists the parts under the same numbers; 100 mm wide its words are 7 pt."""


def draw_unit(made: UnitMake, *, unit: LengthUnit = LengthUnit.INCH, sheet: Sheet = SCREEN) -> str:
    """
    A unit exploded, as SVG.

    Parameters
    ----------
    made
        What `make_unit` gave.
    unit
        What dimensions are written in.
    sheet
        Where it is drawn.

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
    return str(_Drawing(made, unit, sheet).render())


def unit_by_width(made: UnitMake, *, unit: LengthUnit) -> SafeString:
    """A unit for a page, narrow or wide."""
    return by_width(*(_Drawing(made, unit, sheet).render() for sheet in (ON_PHONE, SCREEN)))


class _Drawing:
    """One drawing under construction."""

    def __init__(self, made: UnitMake, unit: LengthUnit, sheet: Sheet) -> None:
        self.made, self.unit, self.sheet = made, LengthUnit(unit), sheet
        self.numbers = {id(part): position for position, part in enumerate(made.parts, 1)}
        self.drawn = self._in_order()
        widths = [_across(part, made) for part in self.drawn]
        self.widest = max([made.finished_width, *widths])
        self.scale = min(sheet.most_wide / self.widest.ticks, sheet.most_high / made.finished_height.ticks)
        self.height = sheet.top + sum(self._height(part) + sheet.gap for part in self.drawn)
        self.list_top = 34.0
        if sheet.has_list:
            lines = LINE * (len(made.parts) + 1)
            if sheet.list_at:
                self.height = max(self.height + 34, 60 + lines + 40, 200)
            else:
                self.list_top = self.height
                self.height += lines + 66
        self.svg = Svg(
            sheet.width, self.height, title=self._title(), desc=self._words(), look="exploded", least=sheet.least
        )

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
        y, middle, gap = self.sheet.top, self.sheet.middle, self.sheet.gap
        below: float | None = None
        for part in self.drawn:
            if below is not None:
                self.svg.line(middle, below + 2, middle, y - gap + 15, "dashed")
            self._draw(part, y)
            below = y + self._height(part)
            y = below + gap
        if self.sheet.has_list:
            self._list()
            self._foot()
        return self.svg

    def _draw(self, part: RulePart, y: float) -> None:
        if self.sheet.has_list:
            self.svg.group(part.key)
        across = _across(part, self.made)
        wide, high = across.ticks * self.scale, self._height(part)
        x = self.sheet.middle - wide / 2
        _SHAPES[part.draw](self, part, x, y, wide, high)
        self.svg.dimension(x, y, x + wide, y, across, unit=self.unit, offset=12, size=10)
        if part.draw in BODIES:
            down = _down(part, self.made)
            self.svg.dimension(x + wide, y, x + wide, y + high, down, unit=self.unit, offset=16, size=10)
        self._ring(self.numbers[id(part)], x, y + min(high, 20) / 2)
        if self.sheet.has_list:
            self.svg.end_group()

    def _ring(self, number: int, x: float, y: float) -> None:
        at = self.sheet.ring_at
        self.svg.circle(at, y, 9, "thin")
        self.svg.text(at, y + 3.6, str(number), size=10)
        self.svg.line(at + 9, y, x - 3, y, "pencil")

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
        self._level(x, y, wide, [step * turn for turn in range(1, ceil(high / step))], "thin")

    def _level(self, x: float, y: float, wide: float, down: Iterable[float], look: str) -> None:
        """Level lines of one width, so far down each."""
        self.svg.lines([(x, y + at, x + wide, y + at) for at in down], look)

    def slats(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        head = self.made.measures.get("head", ZERO)
        lines = [(place - head).ticks * self.scale for place in self.made.places.get("slats", ())]
        self._level(x, y, wide, [at for at in _thinned(lines) if 0 <= at <= high], "ink")
        for place in self.made.places.get("ladders", ()):
            at = x + place.ticks * self.scale
            self.svg.line(at, y, at, y + high, "pencil")

    def vanes(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        self.svg.rect(x, y, wide, high, "thin")
        places = _thinned([place.ticks * self.scale for place in self.made.places.get("vanes", ())])
        self.svg.lines([(x + at, y, x + at, y + high) for at in places if 0 <= at <= wide])

    def cells(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        number = max(1, self.made.counts.get("pleats", 1))
        self._level(x, y, wide, _thinned([high * turn / number for turn in range(number + 1)]), "thin")
        self.svg.rect(x, y, wide, high, "ink")

    def folds(self, part: RulePart, x: float, y: float, wide: float, high: float) -> None:
        self.svg.rect(x, y, wide, high, "ink")
        ribs = [place.ticks * self.scale for place in self.made.places.get("ribs", ())]
        self._level(x, y, wide, [at for at in ribs if at < high], "thin")
        for place in self.made.places.get("ring_columns", ()):
            at = x + place.ticks * self.scale
            if at < x + wide:
                self.svg.line(at, y, at, y + high, "dashed")

    # -- words beside and below ----------------------------------------------------------

    def _list(self) -> None:
        y, left, right = self.list_top, self.sheet.list_at, self.sheet.width
        width_at, length_at = right - 89, right - 32
        for words, at in (("part", left + 22), ("W", width_at), ("L", length_at)):
            anchor = "start" if words == "part" else "middle"
            self.svg.text(at, y, words, size=10, anchor=anchor, look="pencil-word")
        self.svg.line(left, y + 6, right, y + 6, "pencil")
        for part in self.made.parts:
            y += LINE
            self.svg.text(left + 14, y + 4, str(self.numbers[id(part)]), size=10, anchor="end")
            words = _cut(f"{part.quantity} × {part.name}", self.sheet.letters)
            self.svg.text(left + 22, y + 4, words, size=10, anchor="start")
            for side, at in ((part.width, width_at), (part.length, length_at)):
                if side is not None:
                    self.svg.length(at, y, side.nearest(_GRID[self.unit]), unit=self.unit, size=10)

    def _foot(self) -> None:
        made = self.made
        size = f"finished {made.finished_width.text(self.unit)} × {made.finished_height.text(self.unit, symbol=True)}"
        rest = f"{mass(made.weight_g, self.unit)}, {made.mount} mount"
        left = self.sheet.ring_at - 12
        if self.sheet.list_at:
            size = f"{size}, {rest}"
        else:
            self.svg.text(left, self.height - 8, rest, anchor="start")
        self.svg.text(left, self.height - (12 if self.sheet.list_at else 26), size, anchor="start")
        self.svg.text(left, 24, _cut(self._title(), 70 if self.sheet.list_at else 38), size=12, anchor="start")


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
