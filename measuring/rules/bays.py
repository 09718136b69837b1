"""
Bays and corners in plan: how far each unit stops short of a corner so that two units never meet.

Plane geometry. The room kept between two units is common practice with no published source: the table's, or
the firm's own. Lengths go in and come out in whole ticks; angles are degrees on the room's side.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import acos, cos, degrees, hypot, inf, radians, sin, tan
from typing import Final

Point = tuple[float, float]
Quad = tuple[Point, Point, Point, Point]
LEFT: Final = "left"
RIGHT: Final = "right"
OUTSIDE_CORNER: Final = 180
SQUARE_OUTSIDE: Final = 270


@dataclass(frozen=True, slots=True)
class Corner:
    """
    Where two walls meet, and what is wanted there.

    Parameters
    ----------
    angle
        Between the two walls, degrees on the room's side, more than 0 and less than 360.
    room
        Ticks between the two units where they are nearest, 0 or more.
    runs_past
        ``left`` or ``right``: that unit runs into the corner and the other stops at it; empty: both stop.
    """

    angle: float
    room: int
    runs_past: str = ""

    def __post_init__(self) -> None:
        if not 0 < self.angle < 360:
            raise ValueError(f"an angle of {self.angle} degrees; more than 0 and less than 360")
        if self.room < 0:
            raise ValueError(f"{self.room} ticks between two units; 0 or more")
        if self.runs_past not in ("", LEFT, RIGHT):
            raise ValueError(f"{self.runs_past} runs past; left, right or neither")


def set_backs(corner: Corner, left: int, right: int, grid: int) -> tuple[int, int]:
    """
    How far the units on both sides of a corner stop short of it, along their walls.

    Each unit counts as a rectangle on its wall, as deep as its furthest part stands off in any position: headrail,
    valance and returns, full roll, open slat or vane. With both stopping, their front corners come within the room
    of each other and the room is shared; with one running past, the other gives way alone. Where one of two that
    stop would have to reach beyond the corner (its neighbour is much shallower), it stands in the corner instead.

    Parameters
    ----------
    left, right
        Ticks that the furthest part of each unit stands off its wall, 0 or more.
    grid
        Ticks of the mark that set-backs are rounded to.

    Returns
    -------
    tuple[int, int]
        Ticks along the left and the right wall, on the grid, the least at which the two units are the room apart:
        less than one mark more than asked. Below 0 only at an outside corner of 270 degrees that one runs past.

    References
    ----------
    .. [1] Plane geometry; clearances common practice, no published source.

    Examples
    --------
    >>> inch = 8128
    >>> set_backs(Corner(90, 0), 2 * inch, 3 * inch, inch // 16) == (3 * inch, 2 * inch)
    True
    >>> [round(ticks / inch, 4) for ticks in set_backs(Corner(135, inch // 4), 2 * inch, 2 * inch, inch // 16)]
    [1.0, 0.9375]
    >>> [round(ticks / inch, 4) for ticks in set_backs(Corner(135, 0, "left"), 2 * inch, 2 * inch, inch // 16)]
    [0.0, 1.4375]
    """
    if left < 0 or right < 0:
        raise ValueError("a unit stands 0 or more off its wall")
    touching = _touching(corner, left, right)
    start = [_on_grid(one, grid, up=not one.gives_way or not corner.room) for one in touching]

    def after(steps: int) -> tuple[int, int]:
        """The set-backs so many marks further, shared by those that give way."""
        if touching[0].gives_way and touching[1].gives_way:
            return start[0] + (steps + 1) // 2 * grid, start[1] + steps // 2 * grid
        return start[0] + steps * grid * touching[0].gives_way, start[1] + steps * grid * touching[1].gives_way

    def is_apart(steps: int) -> bool:
        first, second = after(steps)
        far = 2 * (left + right + corner.room + abs(first) + abs(second)) + grid
        return distance(*_pieces(corner.angle, (first, left), (second, right), far)) >= corner.room - 1e-6

    return after(_least(is_apart) if corner.room else 0)


@dataclass(frozen=True, slots=True)
class _End:
    """Where a unit's end touches its neighbour, in ticks from the corner, and whether it gives way for the room."""

    at: float
    gives_way: bool = True
    least: float = -inf


def _on_grid(end: _End, grid: int, *, up: bool) -> int:
    """The mark to begin at: past the touching place, or before it where the room is still to be found."""
    mark = -int(-(end.at - 1e-6) // grid) if up else int(end.at // grid)
    least = grid * -int(-(end.least - 1e-6) // grid) if end.least > -inf else grid * mark
    return max(grid * mark, least)


def _touching(corner: Corner, left: int, right: int) -> tuple[_End, _End]:
    """Where the two units touch, nothing between them."""
    if corner.angle >= OUTSIDE_CORNER:
        return _touching_outside(corner, left, right)
    a = radians(corner.angle)
    first, second = (right + left * cos(a)) / sin(a), (left + right * cos(a)) / sin(a)
    if corner.runs_past == LEFT or (not corner.runs_past and first < 0):
        return _runs_past(a, left, right)
    if corner.runs_past == RIGHT or (not corner.runs_past and second < 0):
        other, runner = _runs_past(a, right, left)
        return runner, other
    return _End(first, least=_clear_of_wall(a, left)), _End(second, least=_clear_of_wall(a, right))


def _touching_outside(corner: Corner, left: int, right: int) -> tuple[_End, _End]:
    if corner.runs_past and corner.angle == SQUARE_OUTSIDE:
        if corner.runs_past == LEFT:
            return _End(-right, gives_way=False), _End(0)
        return _End(0), _End(-left, gives_way=False)
    return _End(0), _End(0)


def _runs_past(a: float, runner: int, other: int) -> tuple[_End, _End]:
    """The runner stands in the corner, the other stops at it; `a` in radians, below a straight angle."""
    stands = _clear_of_wall(a, runner)
    if cos(a) > 1e-12:
        stops = (runner + other * cos(a)) / sin(a)
    else:
        stops = min(runner * sin(a), -other * tan(a) if cos(a) < -1e-12 else inf)
    return _End(stands, gives_way=False), _End(stops, least=_clear_of_wall(a, other))


def _clear_of_wall(a: float, off: int) -> float:
    """How far a unit stops short of a sharp corner so that its front is not inside the other wall."""
    return off / tan(a) if cos(a) > 1e-12 else 0.0


def _least(holds: Callable[[int], bool]) -> int:
    """The least number of steps from which on it holds."""
    high = 1
    while not holds(high):
        high *= 2
    low = -1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def _pieces(angle: float, first: tuple[int, int], second: tuple[int, int], far: int) -> tuple[Quad, Quad]:
    """Both units near the corner, which is at 0, 0; each from its set-back to `far` along its wall."""
    a = radians(angle)
    along, out = (cos(a), sin(a)), (sin(a), -cos(a))
    return _quad((0.0, 0.0), along, out, first[0], far, first[1]), _quad(
        (0.0, 0.0), (1.0, 0.0), (0.0, 1.0), second[0], far, second[1]
    )


def _quad(origin: Point, along: Point, out: Point, start: float, end: float, off: float) -> Quad:
    """A rectangle on a wall: from `start` to `end` along it, standing `off` out of it."""

    def at(s: float, t: float) -> Point:
        return origin[0] + s * along[0] + t * out[0], origin[1] + s * along[1] + t * out[1]

    return at(start, 0), at(end, 0), at(end, off), at(start, off)


# -- distance -------------------------------------------------------------------------------


def distance(one: Quad, other: Quad) -> float:
    """
    The shortest distance between two convex quadrilaterals; 0 where they overlap or touch.

    References
    ----------
    .. [1] Separating axis theorem: convex bodies that do not meet are parted by a side of one of them; their
           distance is then between a corner of one and a side of the other.

    Examples
    --------
    >>> square = ((0, 0), (1, 0), (1, 1), (0, 1))
    >>> distance(square, tuple((x + 4, y + 5) for x, y in square))
    5.0
    """
    if not (_parts(one, other) or _parts(other, one)):
        return 0.0
    return min(
        _to_side(corner, side)
        for corners, sides in ((one, other), (other, one))
        for corner in corners
        for side in _sides(sides)
    )


def _sides(quad: Quad) -> list[tuple[Point, Point]]:
    return list(zip(quad, (*quad[1:], quad[0]), strict=True))


def _parts(one: Quad, other: Quad) -> bool:
    """Whether a side of `one` has all of `other` beyond it."""
    for (x1, y1), (x2, y2) in _sides(one):
        nx, ny = y2 - y1, x1 - x2
        if not (nx or ny):
            continue
        mine = [x * nx + y * ny for x, y in one]
        theirs = [x * nx + y * ny for x, y in other]
        if max(mine) <= min(theirs) or max(theirs) <= min(mine):
            return True
    return False


def _to_side(point: Point, side: tuple[Point, Point]) -> float:
    (x1, y1), (x2, y2) = side
    dx, dy = x2 - x1, y2 - y1
    long = dx * dx + dy * dy
    share = max(0.0, min(1.0, ((point[0] - x1) * dx + (point[1] - y1) * dy) / long)) if long else 0.0
    return hypot(point[0] - x1 - share * dx, point[1] - y1 - share * dy)


# -- the whole bay -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Piece:
    """
    A wall of a bay and its unit, in ticks.

    `wall` is its width corner to corner at the headrail's back, at headrail height; `off` how far the unit's furthest
    part stands off it; `left` and `right` how far the unit stops short of the wall's ends.
    """

    wall: int
    off: int
    left: int = 0
    right: int = 0


@dataclass(frozen=True, slots=True)
class Plan:
    """A bay seen from above, in ticks, walls left to right as seen from the room, which lies below them."""

    walls: tuple[tuple[Point, Point], ...]
    units: tuple[Quad, ...]


def plan(pieces: Sequence[Piece], angles: Sequence[float]) -> Plan:
    """
    Walls and units in plan, the middle of the bay level.

    Parameters
    ----------
    pieces
        Left to right as seen from the room.
    angles
        Of the corners between them, degrees; one fewer than pieces.

    Raises
    ------
    ValueError
        Where the corners are not one fewer than the walls.
    """
    if len(angles) != len(pieces) - 1:
        raise ValueError(f"{len(angles)} corners for {len(pieces)} walls; one fewer than walls")
    turns = [180 - angle for angle in angles]
    heading = radians(sum(turns) / 2)
    at: Point = (0.0, 0.0)
    walls, units = [], []
    for piece, turn in zip(pieces, [*turns, 0], strict=True):
        along = (cos(heading), sin(heading))
        end = (at[0] + piece.wall * along[0], at[1] + piece.wall * along[1])
        walls.append((at, end))
        stop = max(piece.wall - piece.right, piece.left)
        units.append(_quad(at, along, (along[1], -along[0]), piece.left, stop, piece.off))
        at, heading = end, heading - radians(turn)
    return Plan(tuple(walls), tuple(units))


def meetings(seen: Plan) -> list[tuple[int, int]]:
    """
    Units that overlap though no corner joins them, and units that stand in a wall that is not beside theirs.

    Returns
    -------
    list[tuple[int, int]]
        Positions of the unit and of the other unit or wall, the lower first, each pair once.
    """
    walls: list[Quad] = [(start, end, end, start) for start, end in seen.walls]
    found = set()
    for i, unit in enumerate(seen.units):
        for j in range(len(seen.units)):
            if abs(i - j) > 1 and not (distance(unit, seen.units[j]) and distance(unit, walls[j])):
                found.add((min(i, j), max(i, j)))
    return sorted(found)


def angle_of(along_left: int, along_right: int, across: int) -> float:
    """
    A corner's angle from three lengths: along both walls from the corner, and across between the two marks.

    Parameters
    ----------
    along_left, along_right, across
        Ticks, more than 0; the longer the legs, the surer the angle: an eighth of an inch across legs of 12 in
        is about half a degree.

    Returns
    -------
    float
        Degrees on the room's side, to a tenth, more than 0 and less than 180.

    Raises
    ------
    ValueError
        Where no triangle has these sides.

    References
    ----------
    .. [1] Law of cosines: across² = left² + right² − 2 × left × right × cos A.

    Examples
    --------
    >>> angle_of(12, 12, 12), angle_of(3, 4, 5)
    (60.0, 90.0)
    """
    if min(along_left, along_right, across) <= 0:
        raise ValueError("three lengths, each more than 0")
    if not abs(along_left - along_right) < across < along_left + along_right:
        raise ValueError("no triangle has these three sides; read them again")
    share = (along_left**2 + along_right**2 - across**2) / (2 * along_left * along_right)
    return round(degrees(acos(max(-1.0, min(1.0, share)))), 1)
