"""
Bays against a geometry library of others: shapely (GEOS) lays out walls and units and measures between them.

Set-backs are plane geometry; the room between units is common practice, no published source, and only asked here.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import pytest
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.ops import unary_union

from measuring.rules.bays import Corner, Piece, angle_of, meetings, plan, set_backs

INCH = 8128
GRID = INCH // 16
A_HAIR = 0.01
"""Ticks: what rounding in floating point may come to."""


@dataclass(frozen=True)
class Bay:
    walls: list[int]
    offs: list[int]
    corners: list[Corner]

    def pieces(self) -> list[Piece]:
        """Each unit with its set-backs; the outer ends stand at the ends of their walls."""
        backs = [
            set_backs(corner, *pair, GRID)
            for corner, pair in zip(self.corners, zip(self.offs, self.offs[1:], strict=False), strict=False)
        ]
        left = [0, *(right for _, right in backs)]
        right = [*(first for first, _ in backs), 0]
        return [Piece(*one) for one in zip(self.walls, self.offs, left, right, strict=True)]


def a_bay(chance: random.Random) -> Bay:
    count = chance.choice((2, 3, 3, 4))
    corners = [
        Corner(
            round(chance.uniform(45, 170), 1), chance.randrange(GRID, INCH // 2), chance.choice(("", "left", "right"))
        )
        for _ in range(count - 1)
    ]
    walls = [chance.randrange(60 * 8, 120 * 8) * INCH // 8 for _ in range(count)]
    offs = [chance.randrange(INCH, 5 * INCH) for _ in range(count)]
    return Bay(walls, offs, corners)


def laid_out(bay: Bay, pieces: list[Piece], chance: random.Random) -> tuple[list[LineString], list[MultiPolygon]]:
    """
    Walls and units as shapely has them, moved and turned wall by wall from the left end.

    A unit is what hangs there, not a block: a headrail, a valance on its returns, and vanes or slats turned open,
    all as deep as the unit stands off.
    """
    walls, units = [], []
    turn, at = 0.0, (0.0, 0.0)
    for position, piece in enumerate(pieces):
        wide = piece.wall - piece.left - piece.right

        def place(shape, turn=turn, at=at):
            return affinity.translate(affinity.rotate(shape, turn, origin=(0, 0)), *at)

        walls.append(place(LineString([(0, 0), (piece.wall, 0)])))
        units.append(place(affinity.translate(hanging(wide, piece.off, chance), piece.left, 0)))
        at = walls[-1].coords[1]
        if position < len(bay.corners):
            turn -= 180 - bay.corners[position].angle
    return walls, units


def hanging(wide: int, off: int, chance: random.Random) -> MultiPolygon:
    board = off // 8
    headrail = box(0, -off * 0.6, wide, 0)
    returns = [box(0, -off, board, 0), box(wide - board, -off, wide, 0)]
    valance = box(0, -off, wide, -off + board)
    angle, deep = chance.uniform(20, 90), off * 0.9
    vane = affinity.rotate(box(-deep / 2, -board / 4, deep / 2, board / 4), angle, origin=(0, 0))
    vanes = [affinity.translate(vane, x, -off / 2) for x in (deep, wide / 2, wide - deep)]
    return unary_union([headrail, *returns, valance, *vanes])


def room_side(left: LineString, right: LineString, angle: float) -> Polygon:
    """The room at one corner: what lies between the two walls, each drawn out far beyond its other end."""
    corner = left.coords[1]
    far = 50 * max(left.length, right.length)
    towards = [
        ((end[0] - corner[0]) / length, (end[1] - corner[1]) / length)
        for end, length in ((left.coords[0], left.length), (right.coords[1], right.length))
    ]
    ends = [(corner[0] + far * x, corner[1] + far * y) for x, y in towards]
    middle = (corner[0] + far * (towards[0][0] + towards[1][0]), corner[1] + far * (towards[0][1] + towards[1][1]))
    assert angle < 180
    return Polygon([corner, ends[0], middle, ends[1]])


@pytest.mark.parametrize("seed", range(4))
def test_the_units_of_500_random_bays_keep_their_room_and_stay_out_of_the_walls(seed):
    """2,000 in all: 45 to 170 degrees, 1 to 5 in off the wall and unequal, both stopping or one running past."""
    chance = random.Random(seed)

    for _ in range(500):
        bay = a_bay(chance)
        pieces = bay.pieces()
        walls, units = laid_out(bay, pieces, chance)
        for position, corner in enumerate(bay.corners):
            pair = units[position : position + 2]
            apart = pair[0].distance(pair[1])
            assert corner.room - A_HAIR <= apart < corner.room + GRID, (bay, position, apart / INCH)
            room = room_side(walls[position], walls[position + 1], corner.angle).buffer(A_HAIR)
            assert all(room.covers(unit) for unit in pair), (bay, position)
            if corner.runs_past:
                runner, wall = (0, 1) if corner.runs_past == "left" else (1, 0)
                reach = units[position + runner].distance(walls[position + wall])
                assert reach < GRID, "the one that runs past stands in the corner"


def test_a_unit_that_stops_shorter_than_asked_would_be_found():
    """The check above can fail: half an inch nearer and the two units meet, or stand in a wall."""
    chance = random.Random(7)
    found = 0
    for _ in range(100):
        bay = a_bay(chance)
        pieces = [
            Piece(one.wall, one.off, max(0, one.left - INCH // 2), max(0, one.right - INCH // 2))
            for one in bay.pieces()
        ]
        walls, units = laid_out(bay, pieces, chance)
        found += any(
            units[at].distance(units[at + 1]) < corner.room - A_HAIR
            or not room_side(walls[at], walls[at + 1], corner.angle).buffer(A_HAIR).covers(units[at])
            for at, corner in enumerate(bay.corners)
        )
    assert found > 95


def test_units_across_a_narrow_wall_are_found_where_shapely_finds_them():
    chance = random.Random(3)
    met = 0
    for _ in range(300):
        angles = [round(chance.uniform(60, 150), 1) for _ in range(2)]
        wide = [
            chance.randrange(20 * INCH, 40 * INCH),
            chance.randrange(2 * INCH, 14 * INCH),
            chance.randrange(20 * INCH, 40 * INCH),
        ]
        pieces = [Piece(wall, chance.randrange(INCH, 5 * INCH)) for wall in wide]
        seen = plan(pieces, angles)
        units = [Polygon(unit) for unit in seen.units]
        walls = [LineString(wall) for wall in seen.walls]
        touches = units[0].distance(units[2]) < A_HAIR or any(
            units[a].distance(walls[b]) < A_HAIR for a, b in ((0, 2), (2, 0))
        )
        assert bool(meetings(seen)) == touches
        met += touches
    assert 30 < met < 270


@pytest.mark.parametrize(
    ("angle", "left", "right", "runs_past", "backs"),
    [
        (135, 2, 2, "", (2 * math.tan(math.radians(22.5)),) * 2),  # equal, both stop: p / tan(A / 2), 0.414 p
        (90, 3, 3, "", (3, 3)),  # equal, square: p each
        (90, 2, 3, "", (3, 2)),  # unequal, square: each as deep as the other
        (60, 2, 3, "", ((3 + 2 * 0.5) / math.sin(math.radians(60)), (2 + 3 * 0.5) / math.sin(math.radians(60)))),
        (150, 5, 1, "", (0, math.tan(math.radians(30)))),  # one comes out negative: it is 0, the other by "runs past"
        (135, 2, 2, "left", (0, 2 * math.sin(math.radians(45)))),  # the table's own example: 1.41
        (60, 2, 3, "left", (2 / math.tan(math.radians(60)), (2 + 3 * 0.5) / math.sin(math.radians(60)))),
        (225, 2, 3, "", (0, 0)),  # a corner that sticks into the room
        (270, 2, 3, "left", (-3, 0)),  # one runs past by the other's depth, covering it
    ],
)  # fmt: skip
def test_set_backs_are_those_of_plane_geometry(angle, left, right, runs_past, backs):
    """The cases by hand, nothing asked between the units: the next mark past each."""
    found = set_backs(Corner(angle, 0, runs_past), left * INCH, right * INCH, GRID)

    for ticks, inches in zip(found, backs, strict=True):
        assert ticks == math.ceil(round(inches * 16, 6)) * GRID


def test_three_lengths_give_the_angle_that_the_walls_were_laid_out_at():
    for tenths in range(200, 1790, 37):
        angle = tenths / 10
        walls = [
            LineString([(0, 0), (12 * INCH, 0)]),
            affinity.rotate(LineString([(0, 0), (18 * INCH, 0)]), angle, origin=(0, 0)),
        ]
        across = LineString([walls[0].coords[1], walls[1].coords[1]]).length

        assert angle_of(12 * INCH, 18 * INCH, round(across)) == pytest.approx(angle, abs=0.11)
