"""Words in drawings are read in pixels of the screen: each kind, as narrow and as wide as pages show it."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace as Row
from typing import Any

from fabrication.drawings import bar_by_width, roll_by_width, unit_by_width
from fabrication.rules.recipes import make_unit, middling_order, starting_materials, starting_recipes
from installs.drawings import bars, head_drawing, week_chart
from measuring.drawings import Picture, opening_drawing, tape_drawing
from shared.drawings import LEAST_PX, NARROW, Svg
from shared.lengths import Length, LengthUnit

ROOT = Path(__file__).resolve().parents[2]
SHEETS = (
    "shared/static/shared/tokens.css",
    "shared/static/shared/base.css",
    "measuring/static/measuring/measuring.css",
)
IN = LengthUnit.INCH
WORDS = """() => [...document.querySelectorAll("svg.drawing")]
  .filter((one) => one.getBoundingClientRect().width)
  .map((one) => {
    const scale = one.getScreenCTM().a, wide = one.viewBox.baseVal.width, words = [...one.querySelectorAll("text")];
    const isOff = ({ x, width }) => x < -1 || x + width > wide + 1;
    return [one.getAttribute("class"), Math.min(...words.map((word) => word.getAttribute("font-size") * scale)),
      words.filter((word) => isOff(word.getBBox())).map((word) => word.textContent)];
  })"""


def inch(text: str) -> Length:
    return Length.parse(text)


def opening() -> Svg:
    return opening_drawing(
        Picture(
            "A1", IN, widths={"top": inch("120 15/16"), "middle": inch("35 1/4")},
            heights={"left": inch("48 15/16"), "right": inch("120 15/16")}, diagonals={"rising": inch("60 1/8")},
            depth=inch("3 1/2"), covering=(inch("35 1/8"), inch("48 7/8")),
        ),
        sides=True,
    )  # fmt: skip


def cut(*pieces: dict[str, Any]) -> Any:
    return Row(
        order=1, length=inch("192"), left=inch("23 5/8"), keeps_offcut=True, pieces=pieces,
        plan=Row(material=Row(kerf=inch("1/8"), trim=inch("1/2"))), item=Row(code="R-12", width=inch("118")),
    )  # fmt: skip


def test_no_word_is_under_11_pixels_or_off_its_sheet(page: Any) -> None:
    bar = cut(*({"part": 1, "at": inch(at).ticks, "length": inch("35 3/8").ticks} for at in ("1", "37", "73")))
    sheet = {"at": 0, "length": inch("72 3/8").ticks, "width": inch("35 3/8").ticks, "turned": False}
    parts: Any = {1: Row(make=Row(unit=Row(code="J-1004-A1")))}
    recipe = starting_recipes()["stint"]
    hardware: Any = Row(brackets=Row(places=[Row(at=inch(at)) for at in ("3 1/2", "17 7/8", "31 1/4")]))
    drawn = [
        opening(), bar_by_width(bar, parts, unit=IN), roll_by_width([cut({"part": 1, **sheet})], parts, unit=IN),
        unit_by_width(make_unit(recipe, middling_order(recipe), starting_materials()), unit=IN),
        head_drawing(hardware, inch("35 1/8"), IN, wide=NARROW, least=LEAST_PX),
        week_chart("One trip", [(f"Nov {day}", 80.0 + day) for day in range(1, 13)]), bars("Causes", [("damaged", 4)]),
    ]  # fmt: skip
    looks = "".join((ROOT / name).read_text() for name in SHEETS)
    tape = f'<div style="width: 210px">{tape_drawing(inch("35 3/8"), IN)}</div>'
    page.set_content(f"<!doctype html><style>{looks}</style><main>{''.join(map(str, drawn))}{tape}</main>")

    for width in (320, 390, 760, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        shown = page.evaluate(WORDS)
        assert len(shown) == len(drawn) + 1
        assert [one for one in shown if one[1] < LEAST_PX - 0.05 or one[2]] == [], width
