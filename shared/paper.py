"""
Drawings set straight into a page of a PDF.

WeasyPrint lays the words of a picture out letter by letter, each word in a form of its own: a sixth
of what a ticket took. `Svg` and the QR codes use few marks of SVG, and all plainly; those
are written as they stand. A drawing with any other mark is WeasyPrint's to draw.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from math import cos, radians, sin
from typing import Any, Final
from xml.etree import ElementTree

KAPPA: Final = 0.5522847498
"""How far the handles of a quarter of a circle reach, of its radius."""

_NUMBER: Final = r"-?\d+(?:\.\d+)?|-?\.\d+"
_PLAIN: Final = re.compile(_NUMBER)
_STEP: Final = re.compile(rf"([MmLlHhVvZz])|({_NUMBER})|[\s,]+|(.)")
_MOVE: Final = re.compile(r"(translate|rotate)\(([^()]*)\)")
_COLOUR: Final = re.compile(r"#(?:[0-9a-fA-F]{3}|[0-9a-fA-F]{6})")
_SAID: Final = {"class", "role", "aria-label", "data-part", "href"}
"""What a mark says of itself that paper does not show."""
_LOOK: Final = {"fill", "stroke", "stroke-width", "stroke-dasharray", "transform"}
_KNOWN: Final[dict[str, set[str]]] = {
    "svg": {"viewBox", "font-family"},
    "g": {"transform"},
    "a": set(),
    "line": _LOOK | {"x1", "y1", "x2", "y2"},
    "rect": _LOOK | {"x", "y", "width", "height"},
    "circle": _LOOK | {"cx", "cy", "r"},
    "polygon": _LOOK | {"points"},
    "polyline": _LOOK | {"points"},
    "path": _LOOK | {"d"},
    "text": {"fill", "transform", "x", "y", "font-size", "text-anchor"},
}
_SHARE: Final = {"start": 0.0, "middle": 0.5, "end": 1.0}


class PageReferences:
    """
    The references of a file's pages, each written when it is asked for.

    Every tag of a page asks for one, and pydyf writes all of them each time: with 400 sheets that adds up.
    """

    def __init__(self, pdf: Any) -> None:
        self._kids = pdf.pages["Kids"]

    def __getitem__(self, page: int) -> bytes:
        return f"{self._kids[3 * page]} 0 R".encode()


def look_up_pages_singly() -> None:
    """Has every PDF of this process written with `PageReferences`."""
    import pydyf

    pydyf.PDF.page_references = property(PageReferences)


class NotPlain(Exception):
    """A drawing has a mark, or says something of one, that is not written here."""


class Drawn:
    """A drawing as WeasyPrint asks for a picture: its proportions, and itself on a stream of the page."""

    def __init__(self, text: bytes, font_config: Any) -> None:
        tree = ElementTree.fromstring(text)
        try:
            left, top, wide, high = (float(one) for one in tree.get("viewBox", "").split())
        except ValueError:
            raise NotPlain("viewBox") from None
        if wide <= 0 or high <= 0:
            raise NotPlain("viewBox")
        self._box = (left, top, wide, high)
        self._words = _Setting(tree.get("font-family", "sans-serif"), font_config)
        self._marks = list(_marks(tree, True))

    def get_intrinsic_size(self, _resolution: float, _font_size: float) -> tuple[None, None, float]:
        """No size of its own: the sheet gives it."""
        return None, None, self._box[2] / self._box[3]

    def draw(self, stream: Any, width: float, height: float, _style: Any) -> None:
        """In the middle of its place, as large as fits."""
        left, top, wide, high = self._box
        scale = min(width / wide, height / high)
        across, down = (width - wide * scale) / 2 - left * scale, (height - high * scale) / 2 - top * scale
        stream.transform(a=scale, d=scale, e=across, f=down)
        for mark in self._marks:
            if isinstance(mark, bytes):
                stream.stream.append(mark)
            else:
                self._words.write(stream, *mark)


Word = tuple[str, float, float, float, float, float, bytes]
"""Words, where their foot stands, their size, how much of them is left of that, their turn in degrees, their colour."""


class _Setting:
    """How the words of a drawing are set: like WeasyPrint's own text, a line at a time."""

    def __init__(self, families: str, font_config: Any) -> None:
        self._families = [name.strip().strip("\"'") for name in families.split(",")]
        self._font_config = font_config
        self._styles: dict[float, Any] = {}

    def _style(self, size: float) -> Any:
        if size not in self._styles:
            from weasyprint.css.properties import INITIAL_VALUES
            from weasyprint.svg.text import Style

            style = self._styles[size] = Style(INITIAL_VALUES)
            style.font_config = self._font_config
            style |= {"font_family": self._families, "font_size": size, "font_weight": 400, "font_style": "normal"}
        return self._styles[size]

    def write(
        self, stream: Any, words: str, x: float, y: float, size: float, share: float, turn: float, look: bytes
    ) -> None:
        """One line of words."""
        from weasyprint.draw.text import draw_first_line
        from weasyprint.matrix import Matrix
        from weasyprint.svg.text import TextBox
        from weasyprint.text.line_break import create_layout, line_size

        style = self._style(size)
        layout = create_layout(words, style, None, None, 0)
        across = share * line_size(layout.get_first_line()[0], style)[0] if share else 0.0
        matrix = Matrix(d=-1, e=-across)
        if turn:
            turned = radians(turn)
            matrix = matrix @ Matrix(cos(turned), sin(turned), -sin(turned), cos(turned), x, y)
        else:
            matrix = Matrix(d=-1, e=x - across, f=y)
        stream.stream.append(look)
        stream.begin_text()
        draw_first_line(stream, TextBox(layout, style), "none", "none", matrix)
        stream.end_text()


def _marks(node: ElementTree.Element, is_root: bool = False) -> Iterator[bytes | Word]:
    """The marks of a drawing or a group: what a page's stream says of them, or words to set."""
    name = node.tag.rpartition("}")[2]
    if name in {"title", "desc"}:
        return
    known = _KNOWN.get(name)
    if known is None or (name == "svg") != is_root or set(node.keys()) - known - _SAID:
        raise NotPlain(f"{name} {sorted(node.keys())}")
    if name == "text":
        yield from _word(node)
        return
    move = _moved(node.get("transform"))
    if name in {"svg", "g", "a"}:
        if move:
            yield b"q " + move
        for child in node:
            yield from _marks(child)
        if move:
            yield b"Q"
        return
    look, paint = _look(node)
    if paint:
        outline = _OUTLINES[name](node)
        yield b"q " + move + look + b" " + outline.encode() + paint + b" Q"


def _word(node: ElementTree.Element) -> Iterator[Word]:
    if len(node):
        raise NotPlain("words within words")
    x, y, turn = float(_plain(node, "x")), float(_plain(node, "y")), 0.0
    if node.get("transform"):
        kind, by = _move_of(node.get("transform", ""))
        if kind != "rotate" or by[1:] != [x, y]:  # round its own foot, as `Svg.text` writes it
            raise NotPlain("words moved")
        turn = by[0]
    words = (node.text or "").strip()
    if words:
        share = _SHARE[node.get("text-anchor", "start")]
        yield words, x, y, float(_plain(node, "font-size")), share, turn, _colour(node.get("fill", "#000"), "rg")


def _plain(node: ElementTree.Element, name: str) -> str:
    """A number as it was written."""
    value = node.get(name, "0")
    if not _PLAIN.fullmatch(value):
        raise NotPlain(f"{name} {value}")
    return value


def _moved(said: str | None) -> bytes:
    if not said:
        return b""
    kind, by = _move_of(said)
    if kind == "translate" and len(by) == 2:
        return f"1 0 0 1 {by[0]:f} {by[1]:f} cm ".encode()
    if kind == "rotate" and len(by) == 3:
        (_, x, y), across, down = by, cos(radians(by[0])), sin(radians(by[0]))
        back = x - x * across + y * down, y - x * down - y * across
        return " ".join(f"{one:f}" for one in (across, down, -down, across, *back)).encode() + b" cm "
    raise NotPlain(said)


def _move_of(said: str) -> tuple[str, list[float]]:
    found = _MOVE.fullmatch(said.strip())
    if not found:
        raise NotPlain(said)
    try:
        return found[1], [float(one) for one in found[2].replace(",", " ").split()]
    except ValueError:
        raise NotPlain(said) from None


def _colour(said: str, operator: str) -> bytes:
    if not _COLOUR.fullmatch(said):
        raise NotPlain(said)
    digits = said[1:] if len(said) == 7 else "".join(2 * one for one in said[1:])
    shares = " ".join(f"{int(digits[at : at + 2], 16) / 255:.4g}" for at in (0, 2, 4))
    return f"{shares} {operator}".encode()


def _look(node: ElementTree.Element) -> tuple[bytes, bytes]:
    """The state a mark is painted in, and the word that paints it; no word where it is not seen."""
    fill, stroke = node.get("fill", "#000"), node.get("stroke", "none")
    said = []
    if fill != "none":
        said.append(_colour(fill, "rg"))
    if stroke != "none":
        said += [_colour(stroke, "RG"), f"{_plain(node, 'stroke-width') if node.get('stroke-width') else 1} w".encode()]
        if node.get("stroke-dasharray"):
            dashes = node.get("stroke-dasharray", "").replace(",", " ").split()
            if not all(_PLAIN.fullmatch(one) for one in dashes):
                raise NotPlain("stroke-dasharray")
            said.append(f"[{' '.join(dashes)}] 0 d".encode())
    paint = {(True, True): b" B", (True, False): b" f", (False, True): b" S", (False, False): b""}
    return b" ".join(said), paint[fill != "none", stroke != "none"]


def _line(node: ElementTree.Element) -> str:
    x1, y1, x2, y2 = (_plain(node, name) for name in ("x1", "y1", "x2", "y2"))
    return f"{x1} {y1} m {x2} {y2} l"


def _rect(node: ElementTree.Element) -> str:
    sides = [_plain(node, name) for name in ("x", "y", "width", "height")]
    return f"{' '.join(sides)} re" if float(sides[2]) > 0 and float(sides[3]) > 0 else ""


def _circle(node: ElementTree.Element) -> str:
    x, y, r = (float(_plain(node, name)) for name in ("cx", "cy", "r"))
    k = KAPPA * r
    quarters = (
        (x + r, y + k, x + k, y + r, x, y + r), (x - k, y + r, x - r, y + k, x - r, y),
        (x - r, y - k, x - k, y - r, x, y - r), (x + k, y - r, x + r, y - k, x + r, y),
    )  # fmt: skip
    turns = " ".join(" ".join(f"{one:.3f}" for one in quarter) + " c" for quarter in quarters)
    return f"{x + r:.3f} {y:.3f} m {turns} h"


def _points(node: ElementTree.Element) -> str:
    found = node.get("points", "").replace(",", " ").split()
    if len(found) % 2 or not all(_PLAIN.fullmatch(one) for one in found):
        raise NotPlain("points")
    pairs = zip(found[::2], found[1::2], strict=True)
    return " ".join(f"{x} {y} {'l' if place else 'm'}" for place, (x, y) in enumerate(pairs))


def _polygon(node: ElementTree.Element) -> str:
    return f"{_points(node)} h" if node.get("points") else ""


def _path(node: ElementTree.Element) -> str:
    """Straight strokes of a path; one with curves is not plain."""
    said: list[str] = []
    x = y = from_x = from_y = 0.0
    for word, values in _strokes(node.get("d", "")):
        is_near = word.islower()
        if word in "Zz":
            x, y = from_x, from_y
            said.append("h")
            continue
        if word in "Hh":
            x = x + values[0] if is_near else values[0]
        elif word in "Vv":
            y = y + values[0] if is_near else values[0]
        else:
            x, y = (x + values[0], y + values[1]) if is_near else (values[0], values[1])
        if word in "Mm":
            from_x, from_y = x, y
        said.append(f"{x:.2f} {y:.2f} {'m' if word in 'Mm' else 'l'}")
    return " ".join(said)


def _strokes(moves: str) -> Iterator[tuple[str, list[float]]]:
    word = ""
    values: list[float] = []
    for found in _STEP.finditer(moves):
        if found[1]:
            if values:
                raise NotPlain(moves)
            word = found[1]
            if word in "Zz":
                yield word, []
        elif found[2]:
            values.append(float(found[2]))
            if word in "HhVv" or (word and word not in "Zz" and len(values) == 2):
                yield word, values
                word, values = {"M": "L", "m": "l"}.get(word, word), []
            elif word in "Zz":
                raise NotPlain(moves)
        elif found[3]:
            raise NotPlain(moves)
    if values:
        raise NotPlain(moves)


_OUTLINES: Final = {
    "line": _line, "rect": _rect, "circle": _circle, "polygon": _polygon, "polyline": _points, "path": _path,
}  # fmt: skip
