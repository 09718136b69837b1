"""A packet as somebody reads it in a hallway: how large its type is, how full its pages are, what it names."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from io import BytesIO
from typing import Any

import pdfplumber

LARGE, TEXT, NOTE = 11, 9, 7
"""Points of sizes, screws and addresses; of other text; of notes in drawings."""
INK = {(0,), (0, 0, 0), (0.2, 0.2, 0.2), 0, None}
"""Colours of words outside drawings; the white ones that set a page's head are no words of it."""
HEAD, FOOT = 57, 40
"""Points of a sheet above and below what a page holds."""
Char = dict[str, Any]


def faults(pdf: bytes, values: Mapping[str, Any]) -> list[str]:
    """What a packet of these values has too small, too empty, twice or not at all."""
    with pdfplumber.open(BytesIO(pdf)) as paper:
        pages = [[char for char in page.chars if not is_hidden(char)] for page in paper.pages]
        tall = float(paper.pages[0].height)
    return [*too_small(pages), *too_empty(pages, tall), *not_large(pages, values), *named(pages, values)]


def is_hidden(char: Char) -> bool:
    return bool(char["size"] <= 1.5)


def too_small(pages: list[list[Char]]) -> Iterator[str]:
    for number, page in enumerate(pages, 1):
        for char in page:
            least = TEXT if char["non_stroking_color"] in INK else NOTE
            size = char["size"] if char["upright"] else max(char["width"], char["height"])
            if size < least - 0.05 and char["text"].strip():
                yield f"page {number}: {char['text']!r} of {size:.1f} pt"
                break


def too_empty(pages: list[list[Char]], tall: float) -> Iterator[str]:
    for number, page in enumerate(pages[:-1], 1):
        ends = max((char["bottom"] for char in page if HEAD < char["top"] < tall - FOOT), default=HEAD)
        share = (ends - HEAD) / (tall - HEAD - FOOT)
        if share < 1 / 3:
            yield f"page {number} is {share:.0%} full"


def squeezed(page: list[Char]) -> tuple[str, list[Char]]:
    """The page's words without white space, and the characters they are."""
    chars = [char for char in page if char["text"].strip()]
    return "".join(char["text"] for char in chars), [char for char in chars for _ in char["text"]]


def not_large(pages: list[list[Char]], values: Mapping[str, Any]) -> Iterator[str]:
    """Addresses, sizes and screws that stand nowhere as large as they must, or somewhere smaller."""
    wanted = {stop["address"] for stop in values["stops"]}
    wanted |= {kit for stop in values["stops"] for unit in stop["units"] for kit in unit["kits"]}
    wanted |= {f"{unit['width']} × {unit['height']}" for stop in values["stops"] for unit in stop["units"]}
    read = [squeezed(page) for page in pages]
    for text in wanted:
        plain = "".join(text.replace(" in", "").split()) if "×" in text and ":" not in text else "".join(text.split())
        sizes = [
            min(char["size"] for char in chars[at : at + len(plain)])
            for words, chars in read
            for at in found_at(words, plain)
            if chars[at]["non_stroking_color"] in INK
        ]
        if not sizes or min(sizes) < LARGE - 0.05:
            yield f"{text!r} in {[round(size, 1) for size in sizes]} pt"


def found_at(words: str, text: str) -> Iterator[int]:
    at = words.find(text)
    while at >= 0:
        yield at
        at = words.find(text, at + 1)


def named(pages: list[list[Char]], values: Mapping[str, Any]) -> Iterator[str]:
    """Each unit has one place of its own, and says there what of it was left."""
    words = "".join(squeezed(page)[0] for page in pages)
    for stop in values["stops"]:
        for unit in stop["units"]:
            head = "".join(f"{unit['opening']}·{unit['code']}".split())
            if words.count(head) != 1:
                yield f"{unit['code']} stands {words.count(head)} times"
            for package in unit["packages"]:
                if "".join(package.split()) not in words:
                    yield f"{unit['code']}: {package} is not named"
