"""The exploded drawing says what it shows and keeps the house's manners."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from fabrication.drawings import draw_unit
from shared.formats.mass import mass
from shared.lengths import LengthUnit
from tests.fabrication.rules.shop import RECIPES, made

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("product", sorted(RECIPES))
def test_a_drawing_has_title_and_words_and_every_part_by_number(product: str):
    unit = made(product, code="K7M2P9T")
    root = ElementTree.fromstring(draw_unit(unit))

    texts = [element.text for element in root.iter(f"{SVG}text")]

    assert root.find(f"{SVG}title").text == f"{unit.name} K7M2P9T"
    drawn = {part.key for part in unit.parts if part.draw}
    assert {group.attrib["data-part"] for group in root.iter(f"{SVG}g") if "data-part" in group.attrib} == drawn
    assert mass(unit.weight_g, LengthUnit.INCH) in root.find(f"{SVG}desc").text
    for number, part in enumerate(unit.parts, 1):
        assert str(number) in texts
        assert any(text.startswith(f"{part.quantity} × {part.name[:15]}") for text in texts)


def test_a_drawing_in_millimetres_writes_whole_millimetres():
    svg = draw_unit(made("siskin"), unit=LengthUnit.MM)

    assert "finished 889 × 1524 mm" in svg
    assert 'class="stacked"' not in svg


def test_a_drawing_brings_no_style_of_its_own():
    assert "style" not in draw_unit(made("curlew")).replace("font-style", "")


def test_slats_of_a_small_blind_are_all_drawn():
    unit = made("dunlin_wood", height="30")
    root = ElementTree.fromstring(draw_unit(unit))

    (slats,) = [path for path in root.iter(f"{SVG}path") if path.attrib["class"] == "ink"]

    assert slats.attrib["d"].count("M") == unit.counts["slats"]
