"""Shapes against the same geometry done another way: circles through three points, crossings, the law of cosines."""

import math
import random
from collections.abc import Iterator

import numpy as np
import pytest

from measuring.rules import shapes
from measuring.rules.shapes import Result

INCH = 8128


def chances() -> Iterator[random.Random]:
    """Four hundred of them, each its own."""
    return (random.Random(seed) for seed in range(400))


def circle_through(points: list[tuple[float, float]]) -> tuple[float, float, float]:
    """Centre and radius from x² + y² + D x + E y + F = 0, solved as three linear equations."""
    rows = np.array([[x, y, 1.0] for x, y in points])
    d, e, f = np.linalg.solve(rows, np.array([-(x * x) - y * y for x, y in points]))
    return -d / 2, -e / 2, math.sqrt(d * d / 4 + e * e / 4 - f)


def test_an_arch_has_the_circle_through_its_ends_and_crown() -> None:
    """Radius, turn and quarter points; a flat arch of 400 in has one of miles, so within a millionth of it."""
    for rng in chances():
        width = rng.randrange(8 * INCH, 400 * INCH)
        rise = rng.randrange(INCH, width // 2 + 1)

        x, y, reach = circle_through([(-width / 2, 0.0), (0.0, float(rise)), (width / 2, 0.0)])
        crown = y + math.sqrt(reach * reach - (width / 4 - x) ** 2)

        assert shapes.radius(width, rise) == pytest.approx(reach, rel=1e-6, abs=1)
        assert shapes.rise_at_quarter(width, rise) == pytest.approx(crown, abs=2)
        assert shapes.arc_degrees(width, rise) == pytest.approx(2 * math.degrees(math.atan2(width / 2, -y)), abs=1e-3)
        assert shapes.ellipse_at_quarter(rise) == pytest.approx(math.sin(math.acos(0.5)) * rise, abs=1)


def test_sloping_sides_meet_in_the_point_they_were_drawn_from() -> None:
    """A gable from its point: the sides by Pythagoras, and the point back from them."""
    for rng in chances():
        width = rng.randrange(20 * INCH, 200 * INCH)
        left, right = (rng.choice([0, rng.randrange(INCH, 60 * INCH)]) for _ in range(2))
        at = rng.randrange(INCH, width - INCH)
        peak = max(left, right) + rng.randrange(3 * INCH, 60 * INCH)
        sides = math.hypot(at, peak - left), math.hypot(width - at, peak - right)

        met = shapes.apex(width, left, right, *(round(side) for side in sides))

        steep = max(sides) / min(peak - left, peak - right, at, width - at)  # what half a tick of a side moves it by
        assert met == pytest.approx((at, peak), abs=2 + 2 * steep)


def test_a_sloping_side_is_the_law_of_cosines() -> None:
    """The head of a trapezoid is the third side of a triangle whose other two enclose the angle at the foot."""
    for rng in chances():
        width, low, high = (rng.randrange(10 * INCH, 150 * INCH) for _ in range(3))
        diagonal = math.hypot(width, low)
        angle = math.pi / 2 - math.atan2(low, width)
        head = math.sqrt(diagonal**2 + high**2 - 2 * diagonal * high * math.cos(angle))

        assert shapes.sloping_side(width, low, high) == pytest.approx(head, abs=1)


# -- what a tape reads of a true shape agrees, and a slip or another curve does not ---------------------


def on_tape(length: float) -> int:
    """Down to the sixteenth, as somebody reads who looks closely."""
    return int(length) // 508 * 508


def test_true_shapes_agree_and_slips_of_an_inch_do_not() -> None:
    for rng in chances():
        width, low = rng.randrange(24 * INCH, 90 * INCH), rng.randrange(20 * INCH, 60 * INCH)
        high = low + rng.randrange(6 * INCH, 30 * INCH)
        read = {
            "shape.width": width,
            "shape.left": low,
            "shape.right": high,
            "shape.slope": math.hypot(width, high - low),
        }
        read = {spot: on_tape(length) for spot, length in read.items()}

        assert shapes.result("trapezoid", read) is Result.CONSISTENT
        off = read["shape.slope"] + rng.choice([-1, 1]) * INCH
        (doubt,) = shapes.doubts("trapezoid", {**read, "shape.slope": off})
        assert (doubt.field, doubt.needs_template) == ("shape.slope", False)
        assert abs(doubt.lengths["would_be"] - read["shape.slope"]) < INCH // 4


def test_true_gables_agree_and_long_slips_do_not() -> None:
    caught = 0
    for rng in chances():
        width, left, right = (rng.randrange(20 * INCH, 80 * INCH) for _ in range(3))
        at, peak = rng.randrange(width // 4, 3 * width // 4), max(left, right) + rng.randrange(10 * INCH, 40 * INCH)
        true = {
            "shape.width": width, "shape.left": left, "shape.right": right, "shape.peak": peak,
            "shape.slope_left": math.hypot(at, peak - left), "shape.slope_right": math.hypot(width - at, peak - right),
        }  # fmt: skip
        read = {spot: on_tape(length) for spot, length in true.items()}
        slipped = rng.choice(["shape.slope_left", "shape.slope_right", "shape.peak", "shape.width"])

        assert shapes.result("gable", read) is Result.CONSISTENT
        caught += shapes.result("gable", {**read, slipped: read[slipped] + 10 * INCH}) is Result.AGAIN
    assert caught >= 396  # now and then another gable has such sides


def test_a_circle_passes_and_an_ellipse_does_not() -> None:
    """Round heads of one eighth of their width in rise and more: there the two curves are apart by more than a tape."""
    told = apart = 0
    for rng in chances():
        width = rng.randrange(24 * INCH, 96 * INCH)
        rise = rng.randrange(width // 8, int(width * 0.42))
        _, y, reach = circle_through([(-width / 2, 0.0), (0.0, float(rise)), (width / 2, 0.0)])
        round_one = y + math.sqrt(reach * reach - width * width / 16)
        curves = {"circle": round_one, "ellipse": rise * math.sqrt(0.75)}
        said = {}
        for name, quarter in curves.items():
            read = {"shape.width": width, "shape.rise": rise, "shape.rise_left": quarter, "shape.rise_right": quarter}
            said[name] = shapes.result("eyebrow", {spot: on_tape(length) for spot, length in read.items()})

        assert said["circle"] is Result.CONSISTENT
        apart += abs(curves["ellipse"] - round_one) > INCH // 4
        told += said["ellipse"] is Result.TEMPLATE
        assert said["ellipse"] is Result.TEMPLATE or abs(curves["ellipse"] - round_one) <= INCH // 4
    assert told >= apart > 300
