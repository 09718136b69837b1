"""Cut plans drawn to scale: a bar a line, cross cuts stacked down the roll."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from fabrication.models import Part, PlannedCut
from shared.drawings import Svg
from shared.lengths import ZERO, Length, Unit

WIDE: Final = 1000.0
BAR_HIGH: Final = 34.0
BAR_ROW: Final = 52.0
LEAST_NAMED: Final = 34.0
"""A piece drawn narrower than this gets no code inside; the list beside has it."""


def bar_drawing(cut: PlannedCut, parts: Mapping[int, Part], *, unit: Unit, longest: Length | None = None) -> Svg:
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
        desc=f"{len(cut.pieces)} pieces, {cut.left.text(unit)} {what}",
        look="bar-plan",
    )
    y = (BAR_ROW - BAR_HIGH) / 2
    svg.rect(0, y, cut.length.ticks * scale, BAR_HIGH, "thin")
    end = trim.ticks
    for piece in cut.pieces:
        _bar_piece(svg, piece, parts, scale, y, unit)
        end = max(end, piece["at"] + piece["length"] + kerf.ticks)
    if cut.left > ZERO:
        _left_over(svg, end * scale, y, (cut.length - trim).ticks * scale - end * scale, BAR_HIGH, cut, unit)
    return svg


def _bar_piece(
    svg: Svg, piece: Mapping[str, Any], parts: Mapping[int, Part], scale: float, y: float, unit: Unit
) -> None:
    x, wide = piece["at"] * scale, piece["length"] * scale
    svg.rect(x, y, wide, BAR_HIGH, "stop" if piece.get("spoiled") else "ink")
    if wide >= LEAST_NAMED:
        svg.text(x + wide / 2, y + 13, _code(parts, piece), size=10, look="pencil-word")
        svg.length(x + wide / 2, y + 24, Length(piece["length"]), unit=unit, size=12)


def _left_over(svg: Svg, x: float, y: float, wide: float, high: float, cut: PlannedCut, unit: Unit) -> None:
    if wide <= 0:
        return
    if cut.keeps_offcut:
        svg.rect(x, y, wide, high, "chalk")
    else:
        svg.hatch(x, y, wide, high)
    if wide >= 90:
        word = "keep " if cut.keeps_offcut else "bin "
        svg.rect(x + wide / 2 - 40, y + high / 2 - 9, 80, 18, "fill-sheet")
        svg.text(x + wide / 2, y + high / 2 + 4, word + cut.left.text(unit), size=11)


def roll_drawing(cuts: Sequence[PlannedCut], parts: Mapping[int, Part], *, unit: Unit) -> Svg:
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
    unit: Unit,
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


def _strip(svg: Svg, cut: PlannedCut, x: float, y: float, wide: float, high: float, unit: Unit) -> None:
    """What is left beside the pieces: to keep, or hatched for the bin."""
    if not cut.keeps_offcut:
        svg.hatch(x, y, wide, high, step=9)
        return
    svg.rect(x, y, wide, high, "chalk")
    if wide >= 80 and high >= 24:
        svg.text(x + wide / 2, y + high / 2 + 4, f"keep {cut.left.text(unit)}", size=11)


def _right_edge(cut: PlannedCut) -> int:
    return max(int(piece["at"] + (piece["length"] if piece["turned"] else piece["width"])) for piece in cut.pieces)


def _code(parts: Mapping[int, Part], piece: Mapping[str, Any]) -> str:
    part = parts.get(piece["part"])
    return part.make.unit.code if part else "?"


def _allowances(cut: PlannedCut) -> tuple[Length, Length]:
    material = cut.plan.material
    return material.kerf or ZERO, material.trim or ZERO
