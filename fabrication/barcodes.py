"""Bar codes drawn for labels."""

from __future__ import annotations

from fabrication.rules.labels import QUIET_MODULES, code128_modules
from shared.drawings import Svg


def draw_code128(text: str, *, module: float = 1.0, height: float = 28.0) -> Svg:
    """A bar code with its quiet zones, the text beneath."""
    modules = code128_modules(text)
    wide = (len(modules) + 2 * QUIET_MODULES) * module
    svg = Svg(wide, height + 14, title=f"bar code {text}", desc="Code 128", look="barcode")
    at = 0
    while at < len(modules):
        run = len(modules[at:]) - len(modules[at:].lstrip(modules[at]))
        if modules[at] == "1":
            svg.rect((QUIET_MODULES + at) * module, 0, run * module, height, "fill-ink")
        at += run
    svg.text(wide / 2, height + 11, text, size=10)
    return svg
