"""One opening of each shape: phone, pages and papers show the same drawing, the same figures and the same size."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from fabrication.documents import purchase_order, work_order
from fabrication.models import Supplier, SupplierList, UnitMake
from fabrication.services.buying import order_units
from installs.adapters.evaluation import rules_of, work_out
from installs.drawings import opening_with_brackets
from measuring.documents import measure_record
from measuring.models import Opening, Product, Shape, Unit
from measuring.services.visits import open_visit
from shared.lengths import Length
from tests.agreement.phones import Pages, Phone, pages
from tests.factories import make_branch, make_user
from tests.measuring.makers import make_appointment, make_job, make_opening, make_range, make_tape, product_of

pytestmark = [pytest.mark.django_db, pytest.mark.browser]

# What is read of each shape, in inches, and the rectangle round it: worked out by hand.
SHAPES: dict[str, tuple[dict[str, str], tuple[str, str]]] = {
    # 36 + 24; √(24² − 12²) = 20.8 at the quarter points
    "arch": ({"width": "48", "leg_left": "36", "leg_right": "36", "rise": "24", "rise_left": "20 3/4",
              "rise_right": "20 3/4"}, ("48", "60")),
    "eyebrow": ({"width": "48", "rise": "12", "rise_left": "9 1/2", "rise_right": "9 1/2"}, ("48", "12")),
    "quarter_left": ({"width": "30", "peak": "30"}, ("30", "30")),
    "quarter_right": ({"width": "31", "peak": "31"}, ("31", "31")),
    "circle": ({"level": "29 7/8", "upright": "30", "slant": "29 7/8"}, ("29 7/8", "30")),
    "trapezoid": ({"width": "40", "left": "60", "right": "30", "slope": "50"}, ("40", "60")),
    "triangle": ({"width": "42", "peak": "20", "slope_left": "29", "slope_right": "29"}, ("42", "20")),  # 20-21-29
    # 30-40-50 on the left, 15-20-25 on the right
    "gable": ({"width": "60", "left": "40", "right": "55", "peak": "70", "slope_left": "50", "slope_right": "25"},
              ("60", "70")),
}  # fmt: skip
SKYLIGHT = {"widths.top": "30", "widths.bottom": "30", "heights.left": "40", "heights.right": "40",
            "diagonals.rising": "50", "diagonals.falling": "50"}  # fmt: skip


@pytest.fixture(scope="module")
def page(chromium: Any) -> Iterator[Pages]:
    with pages(chromium) as found:
        yield found


def outline(drawing: str) -> list[float | str]:
    """The opening's outline by its moves, from where it begins: a sheet may put it elsewhere."""
    (path,) = marks(drawing, "path", "d") or ["".join(frame(drawing))]
    found: list[float | str] = []
    start: list[float] = []
    for word, values in re.findall(r"([MLA])([^MLAZ]+)", path):
        *arc, x, y = (float(value) for value in values.split())
        start = start or [x, y]
        found += [word, *arc, round(x - start[0], 1), round(y - start[1], 1)]
    return found


def marks(drawing: str, name: str, attribute: str) -> list[str]:
    """What the marks of this name drawn in ink have under an attribute, however these are ordered."""
    found = [one for one in re.findall(rf"<{name} ([^>]*)>", drawing) if 'class="ink"' in one]
    return [value for one in found for value in re.findall(rf' {attribute}="([^"]+)"', f" {one}")]


def frame(drawing: str) -> list[str]:
    """A skylight's frame, drawn as a rectangle is, in the words of a path."""
    (points,) = marks(drawing, "polygon", "points")
    return [f"{'L' if at else 'M'}{point.replace(',', ' ')} " for at, point in enumerate(points.split())]


def figures(drawing: str) -> list[str]:
    """Wholes, numerators and denominators: a sheet that is small writes them in one line."""
    found = re.findall(r'<text class="word"[^>]*>([^<]+)<', drawing)
    return sorted(part for text in found for part in re.split("[ /]", text))


def near(one: list[float | str], other: list[float | str]) -> bool:
    """The same moves, within a tenth of the sheet's unit."""
    if len(one) != len(other):
        return False
    pairs = zip(one, other, strict=True)
    return all(a == b if isinstance(a, str) or isinstance(b, str) else abs(a - b) <= 0.11 for a, b in pairs)


def test_every_shape_is_drawn_and_sized_the_same_everywhere(page: Pages, db: None) -> None:
    branch = make_branch()
    dispatcher, measurer, workroom = (make_user(role, branch=branch) for role in ("dispatcher", "measurer", "workroom"))
    make_range(branch)
    product = product_of(branch, "cellular")
    shapes = [shape for shape in Shape.values if shape != Shape.RECTANGLE]
    Product.objects.filter(pk=product.pk).update(
        name="Bought in for any shape", source="bought", revision=9, fit={**product.fit, "shapes": shapes}
    )
    SupplierList.objects.update_or_create(product=product, defaults={"takes": "opening"})
    job = make_job(dispatcher)
    visit = open_visit(appointment=make_appointment(job, dispatcher, measurer), by=measurer, tape=make_tape(measurer))
    rows = {}
    for shape in shapes:
        read = {f"shape.{spot}": typed for spot, typed in SHAPES[shape][0].items()} if shape in SHAPES else SKYLIGHT
        rows[shape] = make_opening(
            job, measurer, family="cellular", visit=visit, shape=shape, readings={**read, "depth": "4"}
        )
    Unit.objects.filter(opening__job=job).update(state=Unit.State.RELEASED)
    makes = {one.unit.opening_id: one for one in made_of(job.pk)}
    supplier = Supplier.objects.create(branch=branch, name="Fenwater Weavers", lead_days=9)
    purchase = order_units(supplier=supplier, makes=[make.pk for make in makes.values()], by=workroom)

    office = Client()
    office.force_login(dispatcher)
    panel = office.get(reverse("measuring:job_openings", args=[job.pk])).content.decode()
    record = {one["name"]: one for room in measure_record(job)["rooms"] for one in room["openings"]}
    bought = purchase_order(purchase)
    sheets = {one["code"]: one["drawing"] for one in bought["sheets"]}
    lines = {one["code"]: (one["width"], one["length"]) for one in bought["lines"]}
    drawn = json.loads(page.tab.evaluate("window.drawn", json.dumps(Phone(measurer).day())))
    shown = page.shown(Phone(measurer).day())["openings"]
    panels = dict(zip(rows, re.findall(r"<svg.*?</svg>", panel, re.S), strict=True))

    for shape, row in rows.items():
        opening, unit = Opening.objects.get(pk=row.pk), Unit.objects.get(opening=row)
        wanted = tuple(Length.parse(text) for text in (SHAPES[shape][1] if shape in SHAPES else ("30", "40")))
        places = {
            "opening": re.findall(
                r"<svg.*?</svg>", office.get(reverse("measuring:opening", args=[row.pk])).content.decode(), re.S
            )[0],
            "job": panels[shape],
            "record": record[str(opening)]["drawing"],
            "purchase": sheets[unit.code],
            "work order": work_order(makes[row.pk])["sheet"]["drawing"],
            "stop": str(opening_with_brackets(opening, work_out([unit], rules_of(branch)))),
            "phone": drawn[str(opening.uid)],
        }
        first = places.pop("opening")
        assert outline(first), shape
        for place, drawing in places.items():
            assert near(outline(drawing), outline(first)), (shape, place)
            assert figures(drawing) == figures(first), (shape, place)
        size = (unit.order_width, unit.order_height)
        assert size == wanted, shape
        assert lines[unit.code] == size
        assert [Length(ticks) for ticks in shown[str(opening.uid)]["size"]] == list(size)
        assert {code for code, *_ in shown[str(opening.uid)]["findings"]}.isdisjoint(
            {"shape_again", "shape_template", "shape_product"}
        ), shape


def made_of(job: int) -> list[UnitMake]:
    return [
        UnitMake.objects.create(
            unit=unit, source="bought", finished_width=unit.order_width, finished_height=unit.order_height
        )
        for unit in Unit.objects.filter(opening__job=job).order_by("pk")
    ]
