"""
Drawings: a small builder of SVG, the same for screen and paper.

Looks come from classes (``base.css`` on the screen, ``documents.css`` on paper) with plain
presentation attributes beneath, so a drawing stands alone too. No style attributes: the
Content-Security-Policy refuses them. Coordinates are in user units, y downwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from html import escape
from math import atan2, cos, degrees, hypot, radians, sin
from typing import Final

from django.utils.safestring import SafeString, mark_safe

from shared.lengths import Length, LengthUnit

_LOOKS: Final = {
    "ink": 'fill="none" stroke="#1d2630" stroke-width="1.5"',
    "thin": 'fill="none" stroke="#1d2630" stroke-width="0.75"',
    "pencil": 'fill="none" stroke="#5d6670" stroke-width="0.75"',
    "chalk": 'fill="none" stroke="#1f5fa8" stroke-width="1.5"',
    "dashed": 'fill="none" stroke="#5d6670" stroke-width="0.75" stroke-dasharray="5 3"',
    "stop": 'fill="none" stroke="#a3201d" stroke-width="1.5"',
    "fill-ink": 'fill="#1d2630" stroke="none"',
    "fill-sheet": 'fill="#fdfcf9" stroke="#1d2630" stroke-width="0.75"',
    "hatch": 'fill="none" stroke="#5d6670" stroke-width="0.6"',
}
LEAST_PX: Final = 11.0
"""No word of a drawing is smaller on a screen, in pixels."""
NARROW: Final = 280.0
"""Pixels that a phone's page leaves a drawing at least."""
DIGIT_EM: Final = 0.6
"""Width of a figure in ems: between the sans fonts a browser picks and DejaVu Sans on paper."""


def least_for(width: float, shown_at: float = NARROW) -> float:
    """
    The smallest word of a drawing of this width, in user units, where it is never shown narrower than so many pixels.

    >>> round(least_for(420), 1), least_for(720, 720)
    (16.5, 11.0)
    """
    return LEAST_PX * width / shown_at


def number(value: float | int | Decimal) -> str:
    """A coordinate, to a hundredth, without trailing zeros.

    >>> number(3.0), number(2.345)
    ('3', '2.35')
    """
    text = f"{float(value) + 1e-9:.2f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


class Svg:
    """
    A drawing under construction.

    Parameters
    ----------
    width, height
        Size of the view box in user units.
    title
        What the drawing is; a screen reader says it first.
    desc
        What it shows, in words with the figures that matter.
    look
        A class on the drawing itself, beside ``drawing``.
    least
        No word is smaller, in user units: on paper a drawing is as small as its place.

    Examples
    --------
    >>> svg = Svg(100, 50, title="Bar 1", desc="two pieces")
    >>> svg.rect(0, 0, 40, 10, "ink")
    >>> '<rect class="ink"' in svg.render()
    True
    """

    def __init__(
        self, width: float, height: float, *, title: str, desc: str = "", look: str = "", least: float = 0
    ) -> None:
        self.width, self.height, self.title, self.desc, self.look = width, height, title, desc, look
        self.least = least
        self._body: list[str] = []

    # -- marks ----------------------------------------------------------------

    def line(self, x1: float, y1: float, x2: float, y2: float, look: str = "ink") -> None:
        """A straight line."""
        self._mark("line", look, x1=x1, y1=y1, x2=x2, y2=y2)

    def lines(self, ends: Iterable[tuple[float, float, float, float]], look: str = "ink") -> None:
        """Many straight lines (x1, y1, x2, y2) as one mark: a sheet of drawings is set in half the time."""
        moves = "".join(f"M{number(a)} {number(b)}L{number(c)} {number(d)}" for a, b, c, d in ends)
        if moves:
            self.path(moves, look)

    def rect(self, x: float, y: float, width: float, height: float, look: str = "ink") -> None:
        """A rectangle."""
        self._mark("rect", look, x=x, y=y, width=max(0, width), height=max(0, height))

    def image(self, href: str, x: float, y: float, width: float, height: float) -> None:
        """A picture from an address, stretched to its place; for the screen only, paper loads none."""
        self._body.append(
            f'<image href="{escape(href)}" x="{number(x)}" y="{number(y)}" width="{number(width)}" '
            f'height="{number(height)}" preserveAspectRatio="none"/>'
        )

    def polygon(self, points: Sequence[tuple[float, float]], look: str = "ink") -> None:
        """A closed outline."""
        self._body.append(f'<polygon {self._look(look)} points="{_points(points)}"/>')

    def polyline(self, points: Sequence[tuple[float, float]], look: str = "ink") -> None:
        """An open line of several legs."""
        self._body.append(f'<polyline {self._look(look)} points="{_points(points)}"/>')

    def path(self, moves: str, look: str = "ink") -> None:
        """An outline with curves, in the words of SVG."""
        self._body.append(f'<path {self._look(look)} d="{escape(moves)}"/>')

    def circle(self, x: float, y: float, radius: float, look: str = "ink") -> None:
        """A circle round (x, y)."""
        self._mark("circle", look, cx=x, cy=y, r=radius)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 11,
        anchor: str = "middle",
        look: str = "word",
        turn: float = 0,
    ) -> None:
        """Words with their baseline at (x, y); `anchor` is start, middle or end; `turn` in degrees."""
        size = max(size, self.least)
        turned = f' transform="rotate({number(turn)} {number(x)} {number(y)})"' if turn else ""
        fill = {"pencil-word": "#5d6670", "chalk-word": "#1f5fa8", "stop-word": "#a3201d"}.get(look, "#1d2630")
        self._body.append(
            f'<text class="{escape(look)}" x="{number(x)}" y="{number(y)}" font-size="{number(size)}" '
            f'text-anchor="{anchor}" fill="{fill}"{turned}>{escape(words)}</text>'
        )

    def length(
        self,
        x: float,
        y: float,
        value: Length,
        *,
        unit: LengthUnit = LengthUnit.INCH,
        size: float = 11,
        look: str = "word",
        turn: float = 0,
    ) -> None:
        """
        A length centred on (x, y), its fraction stacked small beside the whole inches.

        The words inside read ``35 3/8`` for who copies or listens.
        """
        text = value.text(unit).replace("-", "\u2212")  # a hyphen is lost before a fraction
        whole, _, fraction = text.rpartition(" ") if "/" in text else (text, "", "")
        if not fraction:
            self.text(x, y + size * 0.36, whole, size=size, look=look, turn=turn)
            return
        if self.least > size * 0.62 or fraction.startswith("\u2212"):
            self.text(x, y + size * 0.36, text, size=size, look=look, turn=turn)
            return
        numerator, denominator = fraction.split("/")
        small = size * 0.62
        whole_width = len(whole) * DIGIT_EM * size
        part_width = max(len(numerator), len(denominator)) * DIGIT_EM * small
        gap = size * 0.12 if whole else 0
        left = x - (whole_width + gap + part_width) / 2
        middle = left + whole_width + gap + part_width / 2
        turned = f' transform="rotate({number(turn)} {number(x)} {number(y)})"' if turn else ""
        self._body.append(f'<g class="stacked"{turned}>')
        if whole:
            self.text(left + whole_width, y + size * 0.36, whole, size=size, anchor="end", look=look)
        self.text(middle, y - size * 0.1, numerator, size=small, look=look)
        self.line(middle - part_width / 2, y + size * 0.02, middle + part_width / 2, y + size * 0.02, "thin")
        self.text(middle, y + size * 0.6, denominator, size=small, look=look)
        self._body.append("</g>")

    def dimension(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        value: Length | str,
        *,
        unit: LengthUnit = LengthUnit.INCH,
        offset: float = 0,
        size: float = 11,
        look: str = "pencil",
        word: str = "word",
    ) -> None:
        """
        A dimension line from (x1, y1) to (x2, y2), with extension lines when `offset` from them.

        `offset` is to the left of the direction of travel, in user units. Ends are short
        slanted strokes, as a joiner draws them; the figure stands in a gap of the line.
        """
        long = hypot(x2 - x1, y2 - y1) or 1.0
        ux, uy = (x2 - x1) / long, (y2 - y1) / long
        nx, ny = uy * offset, -ux * offset
        ax, ay, bx, by = x1 + nx, y1 + ny, x2 + nx, y2 + ny
        if offset:
            over = 4 if offset > 0 else -4
            for px, py, qx, qy in ((x1, y1, ax, ay), (x2, y2, bx, by)):
                self.line(px + uy * over / 2, py - ux * over / 2, qx + uy * over, qy - ux * over, "pencil")
        size = max(size, self.least)
        text = value if isinstance(value, str) else value.text(unit)
        room = (len(text) * DIGIT_EM * 0.9 + 0.8) * size
        mx, my = (ax + bx) / 2, (ay + by) / 2
        turn = degrees(atan2(uy, ux))
        if turn > 89.99:
            turn -= 180  # figures read from below or from the right
        elif turn < -90.01:
            turn += 180
        if long > room + 2 * size:
            self.line(ax, ay, mx - ux * room / 2, my - uy * room / 2, look)
            self.line(mx + ux * room / 2, my + uy * room / 2, bx, by, look)
        else:  # too short for a gap: the figure stands beside the line
            self.line(ax, ay, bx, by, look)
            out = size * (-0.95 if offset < 0 else 0.95)
            mx, my = mx + uy * out, my - ux * out
        for px, py in ((ax, ay), (bx, by)):
            self.tick(px, py, turn + 135, 4, look)
        if isinstance(value, str):
            dx, dy = -sin(radians(turn)), cos(radians(turn))
            self.text(mx + dx * size * 0.36, my + dy * size * 0.36, value, size=size, look=word, turn=turn)
        else:
            self.length(mx, my, value, unit=unit, size=size, look=word, turn=turn)

    def tick(self, x: float, y: float, angle: float, half: float = 4, look: str = "ink") -> None:
        """A short stroke through (x, y) at an angle in degrees."""
        dx, dy = cos(radians(angle)) * half, sin(radians(angle)) * half
        self.line(x - dx, y - dy, x + dx, y + dy, look)

    def hatch(self, x: float, y: float, width: float, height: float, *, step: float = 6) -> None:
        """A rectangle hatched at 45 degrees, as lines of one path: patterns by reference fare badly on paper."""
        self.lines(hatch_lines(x, y, width, height, step), "hatch")
        self.rect(x, y, width, height, "thin")

    def raw(self, other: Svg, x: float = 0, y: float = 0) -> None:
        """Another drawing's marks, moved by (x, y)."""
        self._body.append(f'<g transform="translate({number(x)} {number(y)})">')
        self._body.extend(other._body)
        self._body.append("</g>")

    def link(self, url: str) -> None:
        """Begin a link round the marks that follow, until `end_link`."""
        self._body.append(f'<a href="{escape(url)}">')

    def end_link(self) -> None:
        """End the link."""
        self._body.append("</a>")

    def group(self, name: str) -> None:
        """Begin the marks of a part of this name, until `end_group`."""
        self._body.append(f'<g data-part="{escape(name)}">')

    def end_group(self) -> None:
        """End them."""
        self._body.append("</g>")

    # -- putting together -------------------------------------------------------

    def _look(self, look: str) -> str:
        return f'class="{escape(look)}" {_LOOKS.get(look.split(" ")[0], _LOOKS["ink"])}'

    def _mark(self, name: str, look: str, **at: float) -> None:
        places = " ".join(f'{key}="{number(value)}"' for key, value in at.items())
        self._body.append(f"<{name} {self._look(look)} {places}/>")

    def render(self) -> SafeString:
        """The SVG, ready for a page or a document."""
        desc = f"<desc>{escape(self.desc)}</desc>" if self.desc else ""
        label = self.title + (f". {self.desc}" if self.desc else "")
        look = f"drawing {self.look}".strip()
        return mark_safe(  # every word that came in was escaped above
            f'<svg class="{escape(look)}" xmlns="http://www.w3.org/2000/svg" role="img" '
            f'aria-label="{escape(label)}" viewBox="0 0 {number(self.width)} {number(self.height)}" '
            f'font-family="system-ui, DejaVu Sans, sans-serif">'
            f"<title>{escape(self.title)}</title>{desc}{''.join(self._body)}</svg>"
        )

    def __html__(self) -> str:
        return self.render()

    def __str__(self) -> str:
        return self.render()


def by_width(narrow: Svg, wide: Svg) -> SafeString:
    """
    One drawing laid out twice: the page shows `wide` where it has 48 rem for it, else `narrow`.

    Both are whole drawings; the one that is not shown is not read out either.
    """
    return SafeString(f'<div class="by-width"><div class="narrow">{narrow}</div><div class="wide">{wide}</div></div>')


def _points(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{number(x)},{number(y)}" for x, y in points)


def hatch_lines(
    x: float, y: float, width: float, height: float, step: float = 6
) -> list[tuple[float, float, float, float]]:
    """
    Lines at 45 degrees that fill a rectangle, ``step`` apart along its top edge.

    Examples
    --------
    >>> hatch_lines(0, 0, 6, 6, 6)
    [(0, 6, 6, 0)]
    """
    lines = []
    reach = step
    while reach < width + height:
        lines.append(
            (
                x + max(0, reach - height),
                y + min(reach, height),
                x + min(reach, width),
                y + max(0, reach - width),
            )
        )
        reach += step
    return lines
