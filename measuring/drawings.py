"""The measurer's drawings: an opening with its readings, a piece of tape. SVG, same for screen and paper."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import hypot, radians, sin
from typing import Final

from measuring.adapters.evaluation import side_of
from measuring.models import Mount, Opening, Reading, Unit
from measuring.rules.bays import Piece, Plan
from measuring.rules.bays import plan as plan_of
from measuring.rules.families import TABLE
from measuring.rules.shapes import RECTANGLE, Sketch, is_figure, reads, sketch
from measuring.rules.visit import LABELS
from shared.drawings import DIGIT_EM, Svg, number
from shared.lengths import EIGHTH, INCH, MM, ZERO, Length, LengthUnit, total

DRAWING_WIDTH: Final = 420
DRAWING_HEIGHT: Final = 330
LEAST_WORD: Final = 17.0
"""11 px where an opening is 272 px wide, 7 points where it is 62 mm wide on paper."""
USUAL: Final = {
    LengthUnit.INCH: (Length.inches(36), Length.inches(48)),
    LengthUnit.MM: (Length.mm(900), Length.mm(1200)),
}
"""Drawn where nothing was read yet, and said so."""
EXAGGERATION: Final = 10
MOST_WIDE, MOST_HIGH = 196, 200
"""The opening itself; figures stand round it."""
BESIDE: Final = 20
"""A figure of a height stands so far off its line, away from the opening."""
SHORT: Final = 44
"""A line shorter than this has no room for its figure, which stands under it."""

NARROW: Final = 100
"""Drawn narrower than this, an opening has no room for a figure beside its middle."""

SEEN: Final[str] = TABLE["seen_from"]


@dataclass(frozen=True, slots=True)
class Thing:
    """Something in the way, as it is drawn."""

    kind: str
    projection: Length
    side: str = ""
    from_top: Length | None = None


@dataclass(frozen=True, slots=True)
class Picture:
    """
    What an opening's drawing shows; every length exact, None where nothing was read.

    `asked` are spots whose dimension line is drawn though nothing was read there yet.
    `covering` is the width and height of what is ordered, `shares` the widths of its units, `between` what is kept
    between them (below 0: they lap).
    """

    name: str
    unit: LengthUnit
    widths: Mapping[str, Length] = field(default_factory=dict)
    heights: Mapping[str, Length] = field(default_factory=dict)
    diagonals: Mapping[str, Length] = field(default_factory=dict)
    depth: Length | None = None
    cover: Mapping[str, Length] = field(default_factory=dict)
    covering: tuple[Length, Length] | None = None
    shares: Sequence[Length] = ()
    between: Length = ZERO
    is_outside: bool = False
    things: Sequence[Thing] = ()
    asked: Sequence[str] = ()
    doubted: Sequence[str] = ()
    brackets: Sequence[Length] = ()
    sill: str = "sill"
    shape: str = RECTANGLE
    figure: Mapping[str, Length] = field(default_factory=dict)
    """Readings of a shape that is no rectangle, by spot."""
    is_shaped: bool = False
    """What is ordered has the opening's own shape; else it is a rectangle."""


def picture_of(
    opening: Opening,
    readings: Mapping[tuple[str, int], Reading],
    *,
    asked: Sequence[str] = (),
    doubted: Sequence[str] = (),
    units: Sequence[Unit] = (),
    brackets: Sequence[Length] = (),
) -> Picture:
    """The drawing's content from an opening's rows; `units` are those of its units that have a size."""
    shares = [unit.order_width for unit in units if unit.order_width is not None]
    between = Length(side_of(opening).between) if len(shares) > 1 else ZERO
    height = units[0].order_height if units else None

    def group(name: str) -> dict[str, Length]:
        begin = f"{name}."
        return {
            spot.removeprefix(begin): reading.value
            for (spot, turn), reading in readings.items()
            if turn == 1 and spot.startswith(begin)
        }

    depth = readings.get(("depth", 1))
    return Picture(
        name=str(opening),
        unit=opening.job.branch.unit,
        widths=group("widths"),
        heights=group("heights"),
        diagonals=group("diagonals"),
        depth=depth.value if depth else None,
        cover=group("cover"),
        covering=(total(shares) + between * (len(shares) - 1), height) if height is not None else None,
        shares=shares if len(shares) > 1 else (),
        between=between,
        is_outside=opening.mount == Mount.OUTSIDE,
        things=[
            Thing(thing.kind, thing.projection, thing.side, thing.from_top)
            for thing in opening.obstructions.all()
            if thing.removed_at is None
        ],
        asked=asked,
        doubted=doubted,
        brackets=brackets,
        sill=opening.sill if opening.shape == RECTANGLE else "none",
        shape=opening.shape,
        figure={
            spot: one.value for (spot, turn), one in readings.items() if turn == 1 and spot in reads(opening.shape)
        },
        is_shaped=opening.product is not None and opening.shape in opening.product.fit.get("shapes", ()),
    )


class _Plan:
    """Where things of the opening are on the sheet: one scale for width and height."""

    def __init__(self, picture: Picture, exaggerate: bool) -> None:
        usual_width, usual_height = USUAL[picture.unit]
        self.sketch: Sketch | None = None
        covering = picture.covering
        if is_figure(picture.shape):
            read = {spot: length.ticks for spot, length in picture.figure.items()}
            self.sketch = sketch(picture.shape, read, usual_width.ticks)
            self.is_usual = not read
            self.width, self.height = Length(self.sketch.width), Length(self.sketch.height)
        else:
            self.is_usual = not picture.widths and not picture.heights and not picture.covering
            self.width = max(picture.widths.values(), default=covering[0] if covering else usual_width)
            self.height = max(picture.heights.values(), default=covering[1] if covering else usual_height)
        widest = max(self.width, covering[0]) if covering else self.width
        tallest = max(self.height, covering[1]) if covering else self.height
        self.scale = min(MOST_WIDE / max(widest.ticks, 1), MOST_HIGH / max(tallest.ticks, 1))
        self.w, self.h = self.width.ticks * self.scale, self.height.ticks * self.scale
        self.x = 84 + (MOST_WIDE - self.w) / 2
        self.y = 50 + (MOST_HIGH - self.h) / 2
        self.factor = EXAGGERATION if exaggerate else 1

    def half(self, width: Length | None) -> float:
        """Half of a width on the sheet, its difference from the widest drawn larger when asked."""
        if width is None:
            return self.w / 2
        return (self.width.ticks - (self.width - width).ticks * self.factor) * self.scale / 2

    @property
    def middle(self) -> float:
        return self.x + self.w / 2

    @property
    def right(self) -> float:
        return self.x + self.w

    @property
    def bottom(self) -> float:
        return self.y + self.h


def opening_drawing(picture: Picture, *, exaggerate: bool = False, blank: bool = False, sides: bool = False) -> Svg:
    """
    An opening to scale: frame double-lined, readings where they were taken, mount in chalk.

    Parameters
    ----------
    exaggerate
        Taper drawn ten times larger, and said so in the drawing.
    blank
        For a printed sheet: room to write where nothing was read yet.
    sides
        Which side is left and which is right, for who did not measure it.
    """
    plan = _Plan(picture, exaggerate)
    desc = _words(picture, plan)
    svg = Svg(DRAWING_WIDTH, DRAWING_HEIGHT, title=picture.name, desc=desc, look="opening", least=LEAST_WORD)
    if plan.sketch is None:
        _frame(svg, picture, plan)
    else:
        _figure_frame(svg, plan, plan.sketch)
    _covering(svg, picture, plan)
    for thing in picture.things:
        _thing(svg, thing, plan)
    if plan.sketch is None:
        _diagonals(svg, picture, plan, blank)
        _widths(svg, picture, plan, blank)
        _heights(svg, picture, plan, blank)
    else:
        _spans(svg, picture, plan, plan.sketch, blank)
    _depth(svg, picture, plan, blank)
    if sides:
        _sides(svg, plan)
    _foot(svg, picture, plan, exaggerate, blank)
    return svg


def _words(picture: Picture, plan: _Plan) -> str:
    if plan.is_usual:
        return "nothing read yet; not to scale"
    unit = picture.unit
    words = [f"{LABELS[spot]} {value.spoken(unit)}" for spot, value in picture.figure.items() if plan.sketch]
    words += [f"width {spot} {value.spoken(unit)}" for spot, value in picture.widths.items()]
    words += [f"height {spot} {value.spoken(unit)}" for spot, value in picture.heights.items()]
    if picture.depth is not None:
        words.append(f"depth {picture.depth.spoken(unit)}")
    words += [f"diagonal {spot} {value.spoken(unit)}" for spot, value in picture.diagonals.items()]
    words += [f"{thing.kind} standing out {thing.projection.spoken(unit)}" for thing in picture.things]
    if picture.covering:
        width, height = picture.covering
        words.append(f"covering {width.spoken(unit)} wide, {height.spoken(unit)} high")
    return "; ".join(words)


def _frame(svg: Svg, picture: Picture, plan: _Plan) -> None:
    halves = [plan.half(picture.widths.get(spot)) for spot in ("top", "middle", "bottom")]
    rows = [plan.y, plan.y + plan.h / 2, plan.bottom]
    for grow, look in ((0.0, "ink"), (5.0, "thin")):
        down = [(0.0, -grow), (0.0, 0.0), (0.0, grow)]
        left = [(plan.middle - half - grow, y + dy) for half, y, (_, dy) in zip(halves, rows, down, strict=True)]
        right = [(plan.middle + half + grow, y + dy) for half, y, (_, dy) in zip(halves, rows, down, strict=True)]
        svg.polygon([*left, *reversed(right)], look)
    if picture.sill == "sill":
        svg.line(plan.x - 14, plan.bottom + 9, plan.right + 14, plan.bottom + 9, "ink")
    elif picture.sill == "floor":
        svg.hatch(plan.x - 18, plan.bottom + 6, plan.w + 36, 6, step=7)


def outline(found: Sketch, x: float, y: float, across: float, down: float) -> str:
    """The path of a shape drawn at (x, y), so many units of the sheet a tick across and down."""
    said = []
    for word, values in found.moves:
        *arc, to_x, to_y = values
        end = f"{number(x + to_x * across)} {number(y + to_y * down)}"
        if word == "A":
            said.append(f"A{number(arc[0] * across)} {number(arc[1] * down)} 0 0 {arc[2]} {end}")
        else:
            said.append(f"{word}{end}")
    return " ".join([*said, "Z"])


def _figure_frame(svg: Svg, plan: _Plan, found: Sketch) -> None:
    """The shape double-lined, the level an arch rises from, and which side is which."""
    for grow, look in ((0.0, "ink"), (5.0, "thin")):
        across, down = ((size + 2 * grow) / ticks for size, ticks in ((plan.w, found.width), (plan.h, found.height)))
        svg.path(outline(found, plan.x - grow, plan.y - grow, across, down), look)
    if found.springs is not None:
        y = plan.y + found.springs * plan.scale
        svg.line(plan.x, y, plan.right, y, "dashed")
    svg.text(plan.middle, 13, SEEN, size=9, look="pencil-word")


def _sides(svg: Svg, plan: _Plan) -> None:
    if plan.sketch is None:
        svg.text(plan.middle, 13, SEEN, size=9, look="pencil-word")
    svg.text(plan.x - 24, plan.y - 10, "L", look="pencil-word")
    svg.text(plan.right + 24, plan.y - 10, "R", look="pencil-word")


def _spans(svg: Svg, picture: Picture, plan: _Plan, found: Sketch, blank: bool) -> None:
    for span in found.spans:
        value = picture.figure.get(span.spot)
        x1, y1, x2, y2 = (ticks * plan.scale for ticks in span.ends)
        if not _has(picture, span.spot, value) or (x1, y1) == (x2, y2):
            continue
        across, down = span.moved
        ends = [(plan.x + x, plan.y + y) for x, y in ((x1, y1), (x2, y2))]
        if across or down:
            for x, y in ends:
                svg.line(x, y, x + across, y + down, "pencil")
        (x1, y1), (x2, y2) = ((x + across, y + down) for x, y in ends)
        is_short = x1 == x2 and abs(y2 - y1) < SHORT
        beside = (across > 0) * BESIDE - (across < 0) * BESIDE
        at = None if is_short else span.at
        _span(svg, picture, span.spot, (x1, y1, x2, y2), value, at=at, beside=beside, blank=blank)
        if is_short:
            _figure(svg, picture, span.spot, (x1, max(y1, y2) + 14), value)


def _covering(svg: Svg, picture: Picture, plan: _Plan) -> None:
    """What is ordered, in chalk; inside a hair within the frame, outside with its covers round it."""
    if picture.covering is None:
        return
    width, height = (length.ticks * plan.scale for length in picture.covering)
    if picture.is_outside:
        left = picture.cover.get("left", ZERO).ticks * plan.scale
        top = picture.cover.get("top", ZERO).ticks * plan.scale
        spare = (width - plan.w) / 2
        x = plan.x - (left if picture.cover else spare)
        extra = width - plan.w - sum(picture.cover.get(s, ZERO).ticks * plan.scale for s in ("left", "right"))
        x -= extra / 2 if picture.cover else 0
        y = plan.y - (top if picture.cover else (height - plan.h) / 2)
        svg.rect(x, y, width, height, "chalk")
    elif plan.sketch is not None and picture.is_shaped:
        across, down = ((size - 5) / ticks for size, ticks in ((plan.w, plan.width.ticks), (plan.h, plan.height.ticks)))
        svg.path(outline(plan.sketch, plan.x + 2.5, plan.y + 2.5, across, down), "chalk")
        return
    else:
        x, y = plan.middle - width / 2 + 2.5, plan.y + 2.5
        width, height = width - 5, height - 5
        svg.rect(x, y, width, height, "chalk")
    _joints(svg, picture, plan, x, y, height)
    for bracket in picture.brackets:
        at = x + bracket.ticks * plan.scale
        svg.line(at, y - 5, at, y + 6, "chalk")


def _joints(svg: Svg, picture: Picture, plan: _Plan, x: float, y: float, height: float) -> None:
    at = x
    for share in list(picture.shares)[:-1]:
        at += share.ticks * plan.scale
        between = picture.between.ticks * plan.scale
        svg.line(at - 1, y, at - 1, y + height, "chalk")
        svg.line(at + 1 + between, y, at + 1 + between, y + height, "chalk")
        at += between


def _thing(svg: Svg, thing: Thing, plan: _Plan) -> None:
    reach = min(max(thing.projection.ticks * plan.scale, 7), plan.w / 2)
    along = max(plan.h * 0.09, 12)
    down = thing.from_top.ticks * plan.scale if thing.from_top else plan.h * 0.62
    down = min(down, plan.h - along)
    if thing.side == "top":
        svg.hatch(plan.middle - 20, plan.y, 40, reach, step=5)
        svg.text(plan.middle + 26, plan.y + 10, thing.kind, size=9, anchor="start", look="pencil-word")
        return
    if thing.side == "bottom":
        svg.hatch(plan.middle - 20, plan.bottom - reach, 40, reach, step=5)
        svg.text(plan.middle + 26, plan.bottom - 3, thing.kind, size=9, anchor="start", look="pencil-word")
        return
    x = plan.right - reach if thing.side == "right" else plan.x
    svg.hatch(x, plan.y + down, reach, along, step=5)
    if thing.side == "right":
        svg.text(x - 4, plan.y + down + along - 2, thing.kind, size=9, anchor="end", look="pencil-word")
    else:
        svg.text(x + reach + 4, plan.y + down + along - 2, thing.kind, size=9, anchor="start", look="pencil-word")


def _has(picture: Picture, name: str, value: Length | None) -> bool:
    return value is not None or name in picture.asked


def _looks(picture: Picture, name: str) -> tuple[str, str]:
    return ("stop", "stop-word") if name in picture.doubted else ("pencil", "word")


def _patch(svg: Svg, x: float, y: float, width: float, height: float) -> None:
    """A cleared patch of sheet without an edge; paper has no stylesheet for drawings, so it is said here."""
    svg._body.append(
        f'<rect class="patch" fill="#fdfcf9" stroke="none" x="{number(x)}" y="{number(y)}" '
        f'width="{number(width)}" height="{number(height)}"/>'
    )


def _figure(svg: Svg, picture: Picture, name: str, at: tuple[float, float], value: Length | None) -> None:
    """The figure on a cleared patch of its line."""
    _, word = _looks(picture, name)
    text = "" if value is None else value.text(picture.unit)
    if not text:
        return
    size = LEAST_WORD
    room = (len(text) * DIGIT_EM * 0.9 + 0.4) * size
    assert value is not None
    _patch(svg, at[0] - room / 2, at[1] - size * 0.6, room, size * 1.2)
    svg.length(at[0], at[1], value, unit=picture.unit, size=size, look=word)


def _span(
    svg: Svg,
    picture: Picture,
    name: str,
    ends: tuple[float, float, float, float],
    value: Length | None,
    *,
    at: float | None = 0.5,
    beside: float = 0,
    blank: bool = False,
) -> None:
    """
    A dimension line with slanted end strokes and its figure at a share of its way; None: it stands elsewhere.

    `beside` moves the figure across, off an upright line: no figure is turned.
    """
    x1, y1, x2, y2 = ends
    look, _ = _looks(picture, name)
    svg.line(x1, y1, x2, y2, look if value is not None or blank else "dashed")
    upright = abs(x2 - x1) < abs(y2 - y1)
    for x, y in ((x1, y1), (x2, y2)):
        svg.tick(x, y, 45 if upright else 135, 4, look)
    if at is None:
        return
    middle = (x1 + (x2 - x1) * at, y1 + (y2 - y1) * at)
    if blank and value is None:
        across, down = (22.0, 56.0) if upright else (56.0, 20.0)
        svg.rect(middle[0] - across / 2, middle[1] - down / 2, across, down, "fill-sheet")
        return
    _figure(svg, picture, name, (middle[0] + beside, middle[1]), value)


def _widths(svg: Svg, picture: Picture, plan: _Plan, blank: bool) -> None:
    beside = 0.27 if plan.w >= NARROW else 0.5  # of the line of heights, where there is room
    rows = (("top", plan.y - 20, 0.5), ("middle", plan.y + plan.h * 0.46, beside), ("bottom", plan.bottom + 24, 0.5))
    for spot, y, at in rows:
        name, value = f"widths.{spot}", picture.widths.get(spot)
        if not _has(picture, name, value):
            continue
        half = plan.half(value)
        left, right = plan.middle - half, plan.middle + half
        if spot != "middle":
            edge = plan.y if spot == "top" else plan.bottom
            for x in (left, right):
                svg.line(x, edge, x, y + (-4 if spot == "top" else 4), "pencil")
        _span(svg, picture, name, (left, y, right, y), value, at=at, blank=blank)


def _heights(svg: Svg, picture: Picture, plan: _Plan, blank: bool) -> None:
    columns = (
        ("left", plan.x - 22, 0.5, -BESIDE),
        ("center", plan.middle, 0.64, 0),
        ("right", plan.right + 22, 0.5, BESIDE),
    )
    for spot, x, at, beside in columns:
        name, value = f"heights.{spot}", picture.heights.get(spot)
        if not _has(picture, name, value):
            continue
        if spot != "center":
            edge = plan.x if spot == "left" else plan.right
            over = -4 if spot == "left" else 4
            for y in (plan.y, plan.bottom):
                svg.line(edge, y, x + over, y, "pencil")
        _span(svg, picture, name, (x, plan.y, x, plan.bottom), value, at=at, beside=beside, blank=blank)


def _diagonals(svg: Svg, picture: Picture, plan: _Plan, blank: bool) -> None:
    for spot, y1, y2 in (("rising", plan.bottom, plan.y), ("falling", plan.y, plan.bottom)):
        name, value = f"diagonals.{spot}", picture.diagonals.get(spot)
        if not _has(picture, name, value):
            continue
        look = "stop" if name in picture.doubted else "dashed"
        svg.line(plan.x, y1, plan.right, y2, look)
        at = (plan.x + plan.w * 0.80, y1 + (y2 - y1) * 0.80)
        if blank and value is None:
            svg.rect(at[0] - 28, at[1] - 10, 56, 20, "fill-sheet")
        else:
            _figure(svg, picture, name, at, value)


def _depth(svg: Svg, picture: Picture, plan: _Plan, blank: bool) -> None:
    """A section through the head beside the opening: wall, glass, and what eats the depth."""
    if not _has(picture, "depth", picture.depth):
        return
    depth = picture.depth or Length.inches(3)
    x, y = 362.0, 66.0
    deep = min(max(depth.ticks * max(plan.scale * 2.2, 0.0006), 14), 44)
    svg.hatch(x - 14, y - 18, deep + 28, 18, step=6)
    svg.line(x, y, x, y + 74, "ink")
    svg.line(x + deep, y, x + deep, y + 74, "thin")
    svg.line(x + deep + 3, y, x + deep + 3, y + 74, "thin")
    for thing in picture.things:
        reach = min(thing.projection.ticks / max(depth.ticks, 1), 1) * deep
        svg.hatch(x + deep - reach, y + 34, reach, 9, step=4)
    _span(svg, picture, "depth", (x, y + 88, x + deep, y + 88), None, blank=False)
    if blank and picture.depth is None:
        svg.rect(x + deep / 2 - 28, y + 96, 56, 20, "fill-sheet")
    elif picture.depth is not None:
        _, word = _looks(picture, "depth")
        svg.length(x + deep / 2, y + 104, picture.depth, unit=picture.unit, size=12, look=word)
    svg.text(x + deep / 2, y + 128, "depth", look="pencil-word")


def _foot(svg: Svg, picture: Picture, plan: _Plan, exaggerate: bool, blank: bool) -> None:
    y = DRAWING_HEIGHT - 8
    if picture.covering is not None:
        _order_size(svg, picture, y)
    elif plan.is_usual and not blank:
        svg.text(16, y, "nothing read yet: not to scale", size=10, anchor="start", look="pencil-word")
    if exaggerate:
        words = f"taper drawn {EXAGGERATION} times larger"
        svg.text(DRAWING_WIDTH - 12, y - 21, words, size=10, anchor="end", look="pencil-word")


def _order_size(svg: Svg, picture: Picture, y: float) -> None:
    """The size in chalk, in one line: a stacked fraction would be under the smallest word."""
    assert picture.covering is not None
    words = " × ".join(value.text(picture.unit) for value in picture.covering)
    svg.text(4, y, f"ordered {words} {picture.unit.value}", anchor="start", look="chalk-word")


# -- a bay in plan --------------------------------------------------------------------

BAY_WIDTH: Final = 420
BAY_MARGIN: Final = 44
BAY_FOOT: Final = 20
LEAST_BAY_HEIGHT: Final = 120


@dataclass(frozen=True, slots=True)
class BayPicture:
    """
    What a bay's drawing shows, left to right as seen from the room.

    `widths` are the units' order widths, None where there is none; `is_usual` that no walls were read and the
    drawing is to no scale.
    """

    name: str
    unit: LengthUnit
    marks: Sequence[str]
    pieces: Sequence[Piece]
    angles: Sequence[float]
    widths: Sequence[Length | None]
    is_usual: bool = False


def bay_drawing(picture: BayPicture) -> Svg:
    """A bay seen from above, the room below: walls in ink, units in chalk as deep as they stand off, angles."""
    seen = plan_of(picture.pieces, picture.angles)
    points = [point for wall in seen.walls for point in wall] + [point for unit in seen.units for point in unit]
    left, right = min(x for x, _ in points), max(x for x, _ in points)
    low, high = min(y for _, y in points), max(y for _, y in points)
    scale = min((BAY_WIDTH - 2 * BAY_MARGIN) / (right - left), 2 * BAY_WIDTH / max(high - low, 1))
    tall = max((high - low) * scale + BAY_MARGIN + BAY_FOOT, LEAST_BAY_HEIGHT)
    svg = Svg(BAY_WIDTH, tall, title=picture.name, desc=_bay_words(picture), look="bay", least=LEAST_WORD)

    def at(point: tuple[float, float]) -> tuple[float, float]:
        spare = (BAY_WIDTH - (right - left) * scale) / 2
        return spare + (point[0] - left) * scale, BAY_MARGIN + (high - point[1]) * scale

    for start, end in seen.walls:
        (x1, y1), (x2, y2) = at(start), at(end)
        long = hypot(x2 - x1, y2 - y1)
        out = 5 * (y2 - y1) / long, -5 * (x2 - x1) / long
        svg.line(x1, y1, x2, y2, "ink")
        svg.line(x1 + out[0], y1 + out[1], x2 + out[0], y2 + out[1], "thin")
    for quad in seen.units:
        svg.polygon([at(point) for point in quad], "chalk")
    _bay_figures(svg, picture, seen, at)
    if picture.is_usual:
        svg.text(BAY_WIDTH / 2, tall - 6, "not to scale", size=11, look="pencil-word")
    return svg


def _bay_words(picture: BayPicture) -> str:
    widths = [
        f"{mark} {width.spoken(picture.unit)} wide" if width else f"{mark} not sized"
        for mark, width in zip(picture.marks, picture.widths, strict=True)
    ]
    angles = [f"{angle:g} degrees" for angle in picture.angles]
    return "; ".join([*widths, f"corners {', '.join(angles)}", "the room is below"])


def _bay_figures(
    svg: Svg,
    picture: BayPicture,
    seen: Plan,
    at: Callable[[tuple[float, float]], tuple[float, float]],
) -> None:
    """Marks and order widths outside the walls, angles in the room's corners."""
    for (start, end), mark, width in zip(seen.walls, picture.marks, picture.widths, strict=True):
        (x1, y1), (x2, y2) = at(start), at(end)
        long = hypot(x2 - x1, y2 - y1)
        x, y = (x1 + x2) / 2 + 19 * (y2 - y1) / long, (y1 + y2) / 2 - 19 * (x2 - x1) / long
        anchor = "middle" if abs(y2 - y1) < long / 3 else "end" if y2 < y1 else "start"
        room = {"middle": 0.0, "end": -34.0, "start": 34.0}[anchor]
        svg.text(x + (room and room / 2), y + (-9 if width else 4), mark, size=12, look="word")
        if width:
            svg.length(x + (room and room / 2), y + 4, width, unit=picture.unit, size=13, look="chalk-word")
    offs = [piece.off for piece in picture.pieces]
    for (start, corner), (_, end), angle, *deep in zip(
        seen.walls, seen.walls[1:], picture.angles, offs, offs[1:], strict=False
    ):
        (x, y), (x1, y1), (x2, y2) = at(corner), at(start), at(end)
        long, other = hypot(x1 - x, y1 - y), hypot(x2 - x, y2 - y)
        towards = (x1 - x) / long + (x2 - x) / other, (y1 - y) / long + (y2 - y) / other
        size = hypot(*towards) or 1.0
        scale = long / max(hypot(start[0] - corner[0], start[1] - corner[1]), 1)
        out = (max(deep) * scale / max(sin(radians(angle) / 2), 0.3) + 20) * (1 if angle < 180 else -1)
        svg.text(
            x + towards[0] / size * out, y + towards[1] / size * out + 4, f"{angle:g}°", size=12, look="pencil-word"
        )


# -- tape ------------------------------------------------------------------------------

TAPE_WIDTH: Final = 340
TAPE_HEIGHT: Final = 84
LEAST_ON_TAPE: Final = 18.0
"""11 px where it is 208 px wide, beside a reading on a phone."""


def tape_drawing(value: Length, unit: LengthUnit) -> Svg:
    """
    A piece of tape round one mark, for the eye to check what the hand typed.

    Inch marks come in four lengths (inch, half, quarter, eighth), metric ones in three.
    """
    half = INCH * 2 if unit == LengthUnit.INCH else MM * 45
    svg = Svg(
        TAPE_WIDTH,
        TAPE_HEIGHT,
        title="tape",
        desc=f"the mark at {value.spoken(unit)}",
        look="tape",
        least=LEAST_ON_TAPE,
    )
    scale = (TAPE_WIDTH - 20) / (half * 2).ticks
    step = EIGHTH if unit == LengthUnit.INCH else MM
    begin = (value - half).up(step)

    def at(mark: Length) -> float:
        return 10 + (mark - value + half).ticks * scale

    svg.rect(6, 14, TAPE_WIDTH - 12, 46, "thin")
    mark = begin
    while mark <= value + half:
        if mark >= ZERO:
            svg.line(at(mark), 14, at(mark), 14 + _mark_length(mark, unit), "thin")
            word = _mark_word(mark, unit)
            if word:
                svg.text(at(mark), 57, word)
        mark += step
    x = at(value)
    svg.line(x, 6, x, 60, "chalk")
    svg.polygon([(x - 6, 4), (x + 6, 4), (x, 13)], "chalk")
    svg.length(x, 74, value, unit=unit, look="chalk-word")
    return svg


def _mark_length(mark: Length, unit: LengthUnit) -> float:
    if unit == LengthUnit.INCH:
        share = Fraction(mark.ticks, INCH.ticks)
        return {1: 30.0, 2: 23.0, 4: 16.0}.get(share.denominator, 9.0)
    if not mark.ticks % (10 * MM.ticks):
        return 26
    return 17 if not mark.ticks % (5 * MM.ticks) else 9


def _mark_word(mark: Length, unit: LengthUnit) -> str:
    if unit == LengthUnit.INCH:
        return str(mark // INCH) if not mark % INCH else ""
    return str(mark // MM) if not mark.ticks % (10 * MM.ticks) else ""
