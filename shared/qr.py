"""QR codes as SVG, for screens and documents."""

from __future__ import annotations

import segno
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe


def qr_svg(text: str, *, title: str = "") -> SafeString:
    """
    A QR code (error correction M or better) as inline SVG without size: CSS gives it.

    `title` is what a screen reader says; the text itself by default.
    """
    code = segno.make(text, error="m", micro=False)
    body = code.svg_inline(omitsize=True, border=2, svgclass=None, lineclass=None, dark="#000", light="#fff")
    inner = body[body.index(">") + 1 :]
    size = code.symbol_size(border=2)[0]
    return format_html(
        '<svg class="qr" viewBox="0 0 {} {}" role="img" xmlns="http://www.w3.org/2000/svg">'
        "<title>QR code: {}</title>{}",
        size,
        size,
        title or text,
        mark_safe(inner),  # segno's own path, no text of ours in it
    )
