"""Whether everything a drawing shows lies inside its view box."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from xml.etree import ElementTree

DIGIT_EM = 0.62
"""Width taken for a character: more than our fonts' figures, about their lower-case mean."""


def points_outside(svg: str, slack: float = 0.5) -> list[tuple[str, float, float]]:
    """Marks of a drawing with a point outside the view box, and where it is."""
    root = ElementTree.fromstring(svg)
    left, top, width, height = (float(part) for part in root.attrib["viewBox"].split())
    return [
        (tag, x, y)
        for tag, x, y in _points(root)
        if not (left - slack <= x <= left + width + slack and top - slack <= y <= top + height + slack)
    ]


def _points(element: ElementTree.Element) -> Iterator[tuple[str, float, float]]:
    for child in element:
        tag = child.tag.rpartition("}")[2]
        for x, y in [*_own_points(tag, child), *((x, y) for _, x, y in _points(child))]:
            yield tag, *_turned(child.attrib.get("transform", ""), x, y)


def _own_points(tag: str, mark: ElementTree.Element) -> list[tuple[float, float]]:
    at = {key: float(value) for key, value in mark.attrib.items() if re.fullmatch(r"-?\d+(\.\d+)?", value)}
    if tag == "line":
        return [(at["x1"], at["y1"]), (at["x2"], at["y2"])]
    if tag == "rect":
        return [(at["x"], at["y"]), (at["x"] + at["width"], at["y"] + at["height"])]
    if tag == "circle":
        return [(at["cx"] - at["r"], at["cy"] - at["r"]), (at["cx"] + at["r"], at["cy"] + at["r"])]
    if tag in {"polygon", "polyline"}:
        return [tuple(map(float, pair.split(","))) for pair in mark.attrib["points"].split()]
    if tag == "path":
        return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", mark.attrib["d"])]
    if tag == "text":
        wide = len(mark.text or "") * DIGIT_EM * at["font-size"]
        start = {"start": 0.0, "middle": -wide / 2, "end": -wide}[mark.attrib["text-anchor"]]
        x = at["x"] + start
        return [(x, at["y"] - at["font-size"] * 0.8), (x + wide, at["y"] + at["font-size"] * 0.2)]
    return []


def _turned(transform: str, x: float, y: float) -> tuple[float, float]:
    kind, _, rest = transform.partition("(")
    numbers = [float(part) for part in rest.rstrip(")").split()]
    if kind == "translate":
        return x + numbers[0], y + numbers[1]
    if kind == "rotate":
        angle, about_x, about_y = math.radians(numbers[0]), numbers[1], numbers[2]
        dx, dy = x - about_x, y - about_y
        return (
            about_x + dx * math.cos(angle) - dy * math.sin(angle),
            about_y + dx * math.sin(angle) + dy * math.cos(angle),
        )
    return x, y
