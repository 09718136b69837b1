"""Drawings of the install day: a head with its brackets, an opening with them, charts. SVG, screen and paper."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from installs.adapters.evaluation import Worked
from installs.rules.hardware import HardwareList
from measuring.adapters.evaluation import current, side_of
from measuring.drawings import opening_drawing, picture_of
from measuring.models import Opening
from shared.drawings import DIGIT_EM, LEAST_PX, Svg
from shared.lengths import ZERO, Length, LengthUnit

LEAST_IN_HEAD: Final = 10.6
"""7 points where a head is 121 mm wide on paper."""
HEAD_WIDE: Final = 520
HEAD_HIGH: Final = 50
EDGE: Final = 46
PAD_WIDE, PAD_HIGH = 250.0, 100.0


def head_drawing(
    hardware: HardwareList,
    width: Length,
    unit: LengthUnit,
    *,
    keep_off: Sequence[Length] = (),
    wide: float = HEAD_WIDE,
    least: float = LEAST_IN_HEAD,
) -> Svg:
    """
    A head seen from the front: brackets as strokes, each with its distance from the left end.

    What no bracket may sit on (ladders, locks, clutches) is a small cross in the head.
    """
    places = hardware.brackets.places
    words = ", ".join(place.at.spoken(unit) for place in places)
    said = f"from the left end: {words}"
    svg = Svg(wide, HEAD_HIGH, title="brackets", desc=said, look="head", least=least)
    right = max(EDGE, len(width.text(unit)) * DIGIT_EM * least + 8)
    long = wide - EDGE - right
    scale = long / max(width.ticks, 1)
    top = 10.0

    def x(at: Length) -> float:
        return EDGE + at.ticks * scale

    svg.rect(EDGE, top, long, 14, "ink")
    for spot in keep_off:
        svg.line(x(spot) - 3, top + 4, x(spot) + 3, top + 10, "pencil")
        svg.line(x(spot) - 3, top + 10, x(spot) + 3, top + 4, "pencil")
    last = -1000.0
    row = 0
    for place in places:
        at = x(place.at)
        svg.line(at, top - 8, at, top + 20, "chalk")
        row = (row + 1) % 2 if at - last < 52 else 0
        y = top + 32 + row * 18
        svg.height = max(svg.height, y + 8)
        svg.line(at, top + 20, at, y - 8, "pencil")
        svg.length(at, y, place.at, unit=unit, size=12)
        last = at
    svg.text(EDGE - 8, top + 12, "L", size=10, anchor="end", look="pencil-word")
    svg.length(wide - right / 2, top + 7, width, unit=unit, size=11, look="pencil-word")
    return svg


def signature_drawing(strokes: Sequence[Sequence[Sequence[int]]], name: str) -> Svg:
    """What was drawn on the pad; strokes in thousandths of its width and of its height."""
    svg = Svg(PAD_WIDE, PAD_HIGH, title=f"signature of {name}", look="signature")
    for stroke in strokes:
        points = [(x * PAD_WIDE / 1000, y * PAD_HIGH / 1000) for x, y in stroke]
        if len(points) == 1:
            svg.circle(*points[0], 1, "ink")
        else:
            svg.polyline(points, "ink")
    return svg


def opening_with_brackets(opening: Opening, worked: Sequence[Worked]) -> Svg:
    """The opening to scale as it was measured, its covering, and a tick for every bracket."""
    now = current(list(opening.readings.all()))
    sized = [one for one in worked if one.unit.is_sized()]
    brackets: list[Length] = []
    left = ZERO
    for one in sized:
        if one.hardware is not None:
            brackets += [left + at for at in one.hardware.brackets_at]
        left += (one.unit.order_width or ZERO) + Length(side_of(opening).between)
    picture = picture_of(opening, now, units=[one.unit for one in sized], brackets=brackets)
    return opening_drawing(picture, sides=True)


# -- charts ------------------------------------------------------------------------------

CHART_WIDE: Final = 280
CHART_HIGH: Final = 170
BAR_HIGH: Final = 38


def week_chart(title: str, weeks: Sequence[tuple[str, float | None]], *, percent: bool = True) -> Svg:
    """
    A line over weeks: ink, the last week's value in chalk and written at its end.

    A week of which nothing is known breaks the line.
    """
    known = [value for _, value in weeks if value is not None]
    most = 100.0 if percent else max([*known, 1.0])
    words = "; ".join(f"{name} {_shown(value, percent)}" for name, value in weeks)
    svg = Svg(CHART_WIDE, CHART_HIGH, title=title, desc=words, look="chart", least=LEAST_PX)
    left, right, top, low = 42.0, CHART_WIDE - 56.0, 14.0, CHART_HIGH - 30.0
    for share in (0.0, 0.5, 1.0):
        y = low - (low - top) * share
        svg.line(left, y, right, y, "hatch" if share else "thin")
        svg.text(left - 6, y + 4, _shown(most * share, percent), size=11, anchor="end", look="pencil-word")
    step = (right - left) / max(len(weeks) - 1, 1)
    run: list[tuple[float, float]] = []
    for position, (name, value) in enumerate(weeks):
        x = left + step * position
        if (len(weeks) - 1 - position) % max(1, len(weeks) // 3) == 0:
            svg.text(x, CHART_HIGH - 10, name, size=10, look="pencil-word")
        if value is None:
            _line(svg, run)
            run = []
            continue
        run.append((x, low - (low - top) * min(value / most, 1)))
        svg.circle(*run[-1], 2.5, "fill-ink")
    _line(svg, run)
    last = next((value for _, value in reversed(weeks) if value is not None), None)
    if last is not None and run:
        x, y = run[-1]
        svg.circle(x, y, 4.5, "chalk")
        svg.text(x + 10, y + 4, _shown(last, percent), size=13, anchor="start", look="chalk-word")
    return svg


def _line(svg: Svg, points: Sequence[tuple[float, float]]) -> None:
    if len(points) > 1:
        svg.polyline(points, "ink")


def _shown(value: float | None, percent: bool) -> str:
    if value is None:
        return "none"
    return f"{value:.0f} %" if percent else f"{value:.0f}"


def bars(title: str, rows: Sequence[tuple[str, float]], *, percent: bool = False) -> Svg:
    """Bars lying down, the longest in chalk, each with its value at its end."""
    high = 12 + BAR_HIGH * max(len(rows), 1)
    words = "; ".join(f"{name} {_shown(value, percent)}" for name, value in rows) or "nothing yet"
    svg = Svg(CHART_WIDE, high, title=title, desc=words, look="chart", least=LEAST_PX)
    most = max([value for _, value in rows] + [1.0])
    longest = next((position for position, (_, value) in enumerate(rows) if value == most), -1)
    for position, (name, value) in enumerate(rows):
        y = 6 + BAR_HIGH * position
        svg.text(0, y + 12, name[:40], size=11, anchor="start")
        long = value / most * (CHART_WIDE - 56)
        svg.rect(1, y + 17, max(long, 1), 12, "chalk" if position == longest else "ink")
        svg.text(8 + long, y + 27, _shown(value, percent), size=11, anchor="start")
    return svg
