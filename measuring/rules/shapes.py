"""
Openings that are not rectangles: what is read, what follows from it, whether the readings agree.

Left and right are as seen from the room. Lengths are whole ticks and compared exactly: a root is taken of
whole ticks and is off by less than one. Plane geometry; tolerances common practice, no published source.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import atan2, degrees, isqrt
from typing import Final

from measuring.rules.families import SHAPE_SPOTS, SHAPES, SPOTS, TABLE

RECTANGLE: Final = "rectangle"
SKYLIGHT: Final = "skylight"
ARC: Final[int] = TABLE["shape_limits"]["arc"]
"""Ticks that legs, diameters and the points of an arc may be off before there is no arc."""

SIDE: Final[int] = TABLE["shape_limits"]["side"]
"""Ticks that a sloping side may be off what the other sides make it."""

Readings = Mapping[str, int]

WIDTH: Final = "shape.width"
LEGS: Final = ("shape.leg_left", "shape.leg_right")
SIDES: Final = ("shape.left", "shape.right")
RISE: Final = "shape.rise"
QUARTERS: Final = ("shape.rise_left", "shape.rise_right")
PEAK: Final = "shape.peak"
DIAMETERS: Final = ("shape.level", "shape.upright", "shape.slant")
SLOPE: Final = "shape.slope"
SLOPES: Final = ("shape.slope_left", "shape.slope_right")


class Result(StrEnum):
    """What the readings of a shape come to."""

    UNREAD = "unread"
    CONSISTENT = "consistent"
    AGAIN = "again"
    TEMPLATE = "template"


def reads(shape: str) -> tuple[str, ...]:
    """The spots of a shape in the order they are read; none for a rectangle, which its family asks."""
    return tuple(SHAPES[shape]["reads"])


def is_figure(shape: str) -> bool:
    """Whether it has spots of its own: a skylight is read as a rectangle is."""
    return shape not in (RECTANGLE, SKYLIGHT)


def spots_of(shape: str) -> tuple[str, ...]:
    """Where an opening of this shape can be read, in the order of all spots."""
    if is_figure(shape):
        return tuple(spot for spot in SPOTS if spot == "depth" or spot in reads(shape))
    return tuple(spot for spot in SPOTS if spot not in SHAPE_SPOTS)


def box_spots(shape: str) -> tuple[str, ...]:
    """Those of its spots without which it has no size."""
    return tuple(spot for spot in reads(shape) if spot not in TABLE["size_needs_not"])


# -- plane geometry ---------------------------------------------------------------------


def root(square: int) -> int:
    """The nearest whole root of a whole number of zero or more."""
    return (isqrt(4 * square) + 1) // 2


def radius(width: int, rise: int) -> int:
    """
    Radius of the circle through both ends and the crown of an arch, r = (w² / 4 + h²) / (2 h), in ticks.

    Examples
    --------
    >>> radius(48, 12)
    30
    """
    return _nearest(width * width + 4 * rise * rise, 8 * rise)


def arc_degrees(width: int, rise: int) -> float:
    """How much of a circle the arch is: 4 atan(2 h / w), in degrees; 180 is half round."""
    return 4 * degrees(atan2(2 * rise, width))


def rise_at_quarter(width: int, rise: int) -> int:
    """
    Ticks that a circle rises over its foot a quarter of the way across: √(r² − w² / 16) − (r − h).

    Examples
    --------
    >>> rise_at_quarter(48 * 8128, 12 * 8128) / 8128  # 9 1/2 on a tape
    9.4954...
    """
    whole = width * width + 4 * rise * rise
    reach = max(whole * whole - 4 * rise * rise * width * width, 0)
    return _nearest(isqrt(reach) - whole + 8 * rise * rise, 8 * rise)


def ellipse_at_quarter(rise: int) -> int:
    """
    Ticks that half an ellipse rises a quarter of the way across: h √3 / 2.

    Examples
    --------
    >>> ellipse_at_quarter(12 * 8128) / 8128  # 10 3/8
    10.3923...
    """
    return _nearest(isqrt(12 * rise * rise), 4)


def sloping_side(across: int, one: int, other: int) -> int:
    """
    The head of a trapezoid from its width and both heights, in ticks.

    Examples
    --------
    >>> sloping_side(40, 60, 30)
    50
    """
    return root(across * across + (one - other) ** 2)


def apex(width: int, left: int, right: int, slope_left: int, slope_right: int) -> tuple[int, int] | None:
    """
    Where the sloping sides meet: ticks from the left, ticks over the foot; None where they don't.

    Over the line between the tops of the sides, C = w² + (right − left)², the left side reaches
    D / (2 √C) along and S / (2 √C) up, with D = a² − b² + C and S² = 4 C a² − D².

    Examples
    --------
    >>> apex(80, 0, 0, 50, 50), apex(80, 0, 0, 30, 30)
    ((40, 30), None)
    """
    drop = right - left
    chord = width * width + drop * drop
    along = slope_left * slope_left - slope_right * slope_right + chord
    up = 4 * chord * slope_left * slope_left - along * along
    if up < 0:
        return None
    over = isqrt(up)
    return (
        _nearest(along * width - drop * over, 2 * chord),
        left + _nearest(along * drop + width * over, 2 * chord),
    )


def _nearest(numerator: int, denominator: int) -> int:
    return (2 * numerator + denominator) // (2 * denominator)


def _leg(slope: int, upright: int) -> int | None:
    """The level leg under a sloping side; None where the side is shorter than it is high."""
    square = slope * slope - upright * upright
    return None if square < 0 else root(square)


# -- the size ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Box:
    """The least rectangle round a shape, in ticks, and the spots it comes from."""

    width: int
    width_of: tuple[str, ...]
    height: int
    height_of: tuple[str, ...]


def box(shape: str, readings: Readings) -> Box:
    """
    The least rectangle round a shape; the spots it needs are those a size is not had without.

    Examples
    --------
    >>> box("arch", {"shape.width": 48, "shape.leg_left": 36, "shape.leg_right": 35, "shape.rise": 12}).height
    48
    """
    if shape == "circle":
        level, upright, _ = DIAMETERS
        return Box(readings[level], (level,), readings[upright], (upright,))
    width = readings[WIDTH]
    if shape == "arch":
        height = max(readings[leg] for leg in LEGS) + readings[RISE]
        return Box(width, (WIDTH,), height, (*LEGS, RISE))
    if shape == "trapezoid":
        return Box(width, (WIDTH,), max(readings[side] for side in SIDES), SIDES)
    top = RISE if shape == "eyebrow" else PEAK
    return Box(width, (WIDTH,), readings[top], (top,))


# -- whether the readings agree -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Doubt:
    """
    What does not agree: `why` is a text of the table, `lengths` fill it.

    A template is needed where the opening is no such shape; else one of the readings is wrong.
    """

    needs_template: bool
    field: str
    why: str
    lengths: Mapping[str, int] = dataclasses.field(default_factory=dict)


def doubts(shape: str, readings: Readings) -> list[Doubt]:
    """
    Where the readings of a shape do not agree; nothing before all of them are taken.

    Arch: the rise no more than half the width, legs alike, the quarter points on the circle. Quarter and
    circle: legs and diameters alike. Trapezoid: the sloping side from width and heights. Triangle, gable: at
    least one of width, height and sides within the tolerance of what the others make it.

    Parameters
    ----------
    readings
        Ticks by spot as they were read, the tape's case added and not rounded.

    Examples
    --------
    >>> feet = {"shape.width": 48 * 8128, "shape.rise": 12 * 8128}
    >>> [one.why for one in doubts("eyebrow", {**feet, **dict.fromkeys(QUARTERS, 83312)})]  # 10 1/4
    ['quarter_points', 'quarter_points']
    """
    if any(spot not in readings for spot in reads(shape)):
        return []
    return list(_DOUBTS[shape](readings)) if shape in _DOUBTS else []


def result(shape: str, readings: Readings) -> Result:
    """
    Consistent, one to read again, or a template needed; a reading to be doubted comes first.

    Examples
    --------
    >>> result("trapezoid", {"shape.width": 40, "shape.left": 60, "shape.right": 30, "shape.slope": 50}).value
    'consistent'
    """
    if any(spot not in readings for spot in reads(shape)):
        return Result.UNREAD
    found = doubts(shape, readings)
    if any(not one.needs_template for one in found):
        return Result.AGAIN
    return Result.TEMPLATE if found else Result.CONSISTENT


def _arch(readings: Readings) -> Iterator[Doubt]:
    width, rise = readings[WIDTH], readings[RISE]
    if 2 * rise > width + 2 * ARC:
        yield Doubt(False, RISE, "legs_in", {"read": rise, "would_be": width // 2})
        return
    left, right = (readings.get(leg, 0) for leg in LEGS)
    if abs(left - right) > ARC:
        yield Doubt(True, LEGS[0], "legs_apart", {"x": abs(left - right), "left": left, "right": right})
    circle, ellipse = rise_at_quarter(width, rise), ellipse_at_quarter(rise)
    for spot in QUARTERS:
        if abs(readings[spot] - circle) >= ARC:
            lengths = {"read": readings[spot], "would_be": circle, "ellipse": ellipse}
            yield Doubt(True, spot, "quarter_points", lengths)


def _quarter(readings: Readings) -> Iterator[Doubt]:
    width, height = readings[WIDTH], readings[PEAK]
    if abs(width - height) > ARC:
        yield Doubt(True, PEAK, "not_quarter", {"x": abs(width - height), "width": width, "height": height})


def _circle(readings: Readings) -> Iterator[Doubt]:
    found = sorted((readings[spot], spot) for spot in DIAMETERS)
    (least, low), (middle, _), (most, high) = found
    if most - least > ARC:
        furthest = high if most - middle > middle - least else low
        yield Doubt(True, furthest, "not_circle", {"x": most - least, "least": least, "most": most})


def _trapezoid(readings: Readings) -> Iterator[Doubt]:
    would_be = sloping_side(readings[WIDTH], *(readings[side] for side in SIDES))
    if abs(readings[SLOPE] - would_be) > SIDE:
        yield Doubt(False, SLOPE, "slope_off", {"read": readings[SLOPE], "would_be": would_be})


def _gable(readings: Readings) -> Iterator[Doubt]:
    worked_out = _worked_out(readings)
    if not worked_out:
        yield Doubt(False, PEAK, "sides_open")
        return
    off, spot = min((abs(readings[spot] - ticks), spot) for spot, ticks in worked_out.items())
    if off > SIDE:
        yield Doubt(False, spot, "sides_off", {"read": readings[spot], "would_be": worked_out[spot]})


def _worked_out(readings: Readings) -> dict[str, int]:
    """Width, height and both sloping sides of a gable, each from the others, its point over the foot."""
    width, peak = readings[WIDTH], readings[PEAK]
    sides = [readings.get(side, 0) for side in SIDES]
    slopes = [readings[slope] for slope in SLOPES]
    found = {}
    met = apex(width, sides[0], sides[1], slopes[0], slopes[1])
    if met is not None and -SIDE <= met[0] <= width + SIDE:
        found[PEAK] = met[1]
    legs = [_leg(slope, peak - side) for slope, side in zip(slopes, sides, strict=True)]
    if legs[0] is not None and legs[1] is not None:
        found[WIDTH] = legs[0] + legs[1]
    for mine, other in ((0, 1), (1, 0)):
        leg = legs[other]
        if leg is not None and leg <= width + SIDE:
            found[SLOPES[mine]] = sloping_side(width - leg, peak, sides[mine])
    return found


_DOUBTS: Final[Mapping[str, Callable[[Readings], Iterator[Doubt]]]] = {
    "arch": _arch,
    "eyebrow": _arch,
    "quarter_left": _quarter,
    "quarter_right": _quarter,
    "circle": _circle,
    "trapezoid": _trapezoid,
    "triangle": _gable,
    "gable": _gable,
}


# -- what follows from readings that agree ---------------------------------------------------


@dataclass(frozen=True, slots=True)
class Known:
    """A text of the table, with lengths in ticks and words that fill it."""

    text: str
    lengths: Mapping[str, int] = dataclasses.field(default_factory=dict)
    words: Mapping[str, str] = dataclasses.field(default_factory=dict)


def known(shape: str, readings: Readings) -> Known | None:
    """
    Radius or angles of a shape whose readings agree, the lengths in ticks; None for any other.

    Examples
    --------
    >>> known("trapezoid", {"shape.width": 40, "shape.left": 60, "shape.right": 30, "shape.slope": 50}).words
    {'angle': '36.9', 'side': 'right'}
    """
    if not is_figure(shape) or result(shape, readings) is not Result.CONSISTENT:
        return None
    if shape in ("arch", "eyebrow"):
        return _arc(readings[WIDTH], readings[RISE])
    if shape == "circle":
        return Known("circle", {"radius": _nearest(sum(readings[spot] for spot in DIAMETERS), 6)})
    if shape in ("triangle", "gable"):
        left, right = (_steepness(readings, n) for n in (0, 1))
        return Known("corners", words={"left": left, "right": right})
    if shape == "trapezoid":
        return _slope(*(readings[spot] for spot in (WIDTH, *SIDES)))
    return Known("quarter", {"radius": _nearest(readings[WIDTH] + readings[PEAK], 2)})


def _arc(width: int, rise: int) -> Known:
    if abs(width - 2 * rise) <= 2 * ARC:
        return Known("half_round", {"radius": radius(width, rise)})
    return Known("arc", {"radius": radius(width, rise)}, {"angle": f"{arc_degrees(width, rise):.1f}"})


def _slope(width: int, left: int, right: int) -> Known:
    if left == right:
        return Known("level")
    angle = f"{degrees(atan2(abs(left - right), width)):.1f}"
    return Known("slope", words={"angle": angle, "side": "left" if left < right else "right"})


def _steepness(readings: Readings, n: int) -> str:
    """Degrees of one sloping side over the level, from its own length and what it rises."""
    rises = readings[PEAK] - readings.get(SIDES[n], 0)
    return f"{degrees(atan2(rises, _leg(readings[SLOPES[n]], rises) or 0)):.1f}"


# -- the drawing -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Span:
    """A dimension line of a spot: both ends in ticks, how far it is moved on the sheet, where its figure stands."""

    spot: str
    ends: tuple[float, float, float, float]
    moved: tuple[float, float] = (0, 0)
    at: float = 0.5


@dataclass(frozen=True, slots=True)
class Sketch:
    """
    A shape in its box, ticks from the upper left corner.

    `moves` are a path's: ``M x y``, ``L x y``, ``A rx ry sweep x y``. `springs` is the level an arch rises from.
    """

    width: int
    height: int
    moves: tuple[tuple[str, tuple[float, ...]], ...]
    spans: tuple[Span, ...]
    springs: float | None = None


def sketch(shape: str, readings: Readings, usual: int) -> Sketch:
    """
    What is drawn of a shape; what is not read yet as it is usual beside what is.

    Parameters
    ----------
    usual
        Ticks of a width that nobody has read.

    Examples
    --------
    >>> sketch("triangle", {}, 40).moves
    (('M', (0, 30)), ('L', (20, 0)), ('L', (40, 30)))
    """
    if shape == "circle":
        return _sketch_circle(readings, usual)
    if shape in ("arch", "eyebrow"):
        return _sketch_arch(shape, readings, usual)
    if shape in ("quarter_left", "quarter_right"):
        return _sketch_quarter(shape, readings, usual)
    return _sketch_trapezoid(readings, usual) if shape == "trapezoid" else _sketch_gable(shape, readings, usual)


def _sketch_circle(readings: Readings, usual: int) -> Sketch:
    level, upright, slant = DIAMETERS
    width = readings.get(level) or readings.get(upright) or readings.get(slant) or usual
    height = readings.get(upright) or width
    across, down = width / 2, height / 2
    in_x, in_y = across * (1 - 0.5**0.5), down * (1 - 0.5**0.5)
    moves = (("M", (0, down)), ("A", (across, down, 1, width, down)), ("A", (across, down, 1, 0, down)))
    spans = (
        Span(level, (0, down, width, down), at=0.75),
        Span(upright, (across, 0, across, height), at=0.75),
        Span(slant, (in_x, height - in_y, width - in_x, in_y), at=0.2),
    )
    return Sketch(width, height, moves, spans)


def _sketch_arch(shape: str, readings: Readings, usual: int) -> Sketch:
    width = readings.get(WIDTH) or usual
    rise = readings.get(RISE) or (width // 2 if shape == "arch" else width // 4)
    left, right = 0, 0
    if shape == "arch":
        left = readings.get(LEGS[0], readings.get(LEGS[1], width))
        right = readings.get(LEGS[1], left)
    foot = max(left, right)
    height, is_round = foot + rise, 2 * rise <= width
    across, down = (radius(width, rise),) * 2 if is_round else (width / 2, rise)
    crown = rise_at_quarter(width, rise) if is_round else ellipse_at_quarter(rise)
    moves = (
        ("M", (0, height)),
        ("L", (0, height - left)),
        ("A", (across, down, 1, width, height - right)),
        ("L", (width, height)),
    )
    spans = [
        Span(WIDTH, (0, height, width, height), (0, 36)),
        Span(RISE, (width / 2, 0, width / 2, rise), at=0.4),
        Span(QUARTERS[0], (width / 4, rise - crown, width / 4, rise), at=0.6),
        Span(QUARTERS[1], (width * 3 / 4, rise - crown, width * 3 / 4, rise), at=0.6),
    ]
    if shape == "arch":
        spans.append(Span(LEGS[0], (0, height - left, 0, height), (-22, 0)))
        spans.append(Span(LEGS[1], (width, height - right, width, height), (22, 0)))
    return Sketch(width, height, moves, tuple(spans), rise)


def _sketch_quarter(shape: str, readings: Readings, usual: int) -> Sketch:
    width = readings.get(WIDTH) or readings.get(PEAK) or usual
    height = readings.get(PEAK) or width
    is_left = shape == "quarter_left"
    tall, low = (0, width) if is_left else (width, 0)
    moves = (("M", (tall, height)), ("L", (tall, 0)), ("A", (width, height, 1 if is_left else 0, low, height)))
    spans = (
        Span(WIDTH, (0, height, width, height), (0, 24)),
        Span(PEAK, (tall, 0, tall, height), (-22 if is_left else 22, 0)),
    )
    return Sketch(width, height, moves, spans)


def _sketch_trapezoid(readings: Readings, usual: int) -> Sketch:
    width = readings.get(WIDTH) or usual
    left = readings.get(SIDES[0]) or (readings[SIDES[1]] * 3 // 4 if SIDES[1] in readings else width)
    right = readings.get(SIDES[1]) or left * 3 // 4
    height = max(left, right)
    moves = (("M", (0, height)), ("L", (0, height - left)), ("L", (width, height - right)), ("L", (width, height)))
    spans = (
        Span(WIDTH, (0, height, width, height), (0, 24)),
        Span(SIDES[0], (0, height - left, 0, height), (-22, 0)),
        Span(SIDES[1], (width, height - right, width, height), (22, 0)),
        Span(SLOPE, (0, height - left, width, height - right), (0, -18)),
    )
    return Sketch(width, height, moves, spans)


def _sketch_gable(shape: str, readings: Readings, usual: int) -> Sketch:
    width = readings.get(WIDTH) or usual
    left, right = 0, 0
    if shape == "gable":
        left = readings.get(SIDES[0]) or readings.get(SIDES[1]) or width * 3 // 4
        right = readings.get(SIDES[1]) or left
    top = max(left, right)
    height = max(readings.get(PEAK) or top + (width * 3 // 4 if shape == "triangle" else width // 4), top)
    at = _apex_at(width, left, right, readings)
    moves = (
        ("M", (0, height)),
        *([("L", (0, height - left))] if left else []),
        ("L", (at, 0)),
        *([("L", (width, height - right))] if right else []),
        ("L", (width, height)),
    )
    spans = [
        Span(WIDTH, (0, height, width, height), (0, 24)),
        Span(PEAK, (at, 0, at, height), at=0.62),
        Span(SLOPES[0], (0, height - left, at, 0), (-12, -14)),
        Span(SLOPES[1], (at, 0, width, height - right), (12, -14)),
    ]
    if shape == "gable":
        spans.append(Span(SIDES[0], (0, height - left, 0, height), (-22, 0)))
        spans.append(Span(SIDES[1], (width, height - right, width, height), (22, 0)))
    return Sketch(width, height, moves, tuple(spans))


def _apex_at(width: int, left: int, right: int, readings: Readings) -> float:
    """Where the point stands, from the left; in the middle as long as nothing says where."""
    if all(slope in readings for slope in SLOPES):
        met = apex(width, left, right, *(readings[slope] for slope in SLOPES))
        if met is not None:
            return min(max(met[0], 0), width)
    return width // 2
