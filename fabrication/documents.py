"""Sheets of the workroom: cut lists, labels, work orders."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from typing import Any

from django.conf import settings
from django.urls import reverse

from fabrication.adapters.costs import TICKS_PER_M
from fabrication.adapters.pulling import pull_lines
from fabrication.drawings import PAPER, bar_drawing, draw_unit, roll_drawing
from fabrication.models import (
    Batch,
    CutPlan,
    LabelSize,
    Material,
    Part,
    PlannedCut,
    Purchase,
    PurchaseLine,
    StockItem,
    UnitMake,
)
from fabrication.rules import recipes as rules
from fabrication.rules.labels import plan_label
from fabrication.rules.supply import ordered_as
from fabrication.services.assembly import steps_of_makes
from fabrication.services.bench import likeness, tolerance_of
from fabrication.services.buying import needs_of
from fabrication.services.starting_data import starting_label_size
from fabrication.services.stock import STANDS_ALONE
from measuring.adapters.changes import in_question, said
from measuring.adapters.options import Offer, offers_of_units, options_shown, shown_options, told_apart_by
from measuring.adapters.shapes import shape_sheet
from measuring.models import Shape, SizeChange
from measuring.ports import ports
from shared.documents import document_kind
from shared.formats.money import cents, money_text
from shared.lengths import Length, LengthUnit
from shared.models import Branch
from shared.roles import DISPATCHER, OWNER, WORKROOM

WHO = (WORKROOM, OWNER, DISPATCHER)
SHAPE_NEEDS = ("make__unit__opening__job__branch", "make__unit__opening__room", "make__unit__opening__product")


CUT_AT = {Material.Kind.BAR: "Saw", Material.Kind.STRIP: "Shear", Material.Kind.CLOTH: "Cloth table"}
"""Where each kind is cut, in the order of a batch's cut list."""


def page_of(code: str) -> str:
    """What a label's QR says: the unit's own page, so that any camera opens it."""
    return f"{settings.SITE_URL}{reverse('fabrication:by_code', args=[code])}"


@document_kind(
    "fabrication.cut_list",
    title="Cut list",
    model="fabrication.Batch",
    template="fabrication/documents/cut_list.html",
    roles=WHO,
    version=6,
)
def cut_list(batch: Batch) -> dict[str, object]:
    """Every planned cut of a batch by where it is cut and material, drawn, in the order of the saw."""
    unit = batch.branch.unit
    plans = list(batch.plans.filter(state=CutPlan.State.READY).select_related("material"))
    plans.sort(key=lambda plan: (list(CUT_AT).index(Material.Kind(plan.material.kind)), plan.material.name))
    return {"plans": [_plan_values(plan, unit) for plan in plans]}


@document_kind(
    "fabrication.cuts",
    title="Cuts",
    model="fabrication.CutPlan",
    template="fabrication/documents/cut_list.html",
    roles=WHO,
    version=5,
)
def cuts_of_plan(plan: CutPlan) -> dict[str, object]:
    """The cut list of one material, for the saw or table it is cut at; it need not wait for the others."""
    is_ready = plan.state == CutPlan.State.READY
    return {"plans": [_plan_values(plan, plan.batch.branch.unit)] if is_ready else []}


def _plan_values(plan: CutPlan, unit: LengthUnit) -> dict[str, object]:
    cuts = list(plan.cuts.exclude(state=PlannedCut.State.DROPPED).select_related("item", "plan__material"))
    keys = {piece["part"] for cut in cuts for piece in cut.pieces}
    parts = Part.objects.select_related("make__unit__opening__room", "make__unit__opening__job").in_bulk(keys)
    is_roll = plan.material.kind == Material.Kind.CLOTH
    longest = max((cut.length for cut in cuts), default=None)
    runs = [list(same) for _, same in groupby(cuts, key=likeness)]
    rows = [
        {
            "order": cut.order,
            "last": same[-1].order,
            "times": len(same),
            "stock": cut.item.code,
            "place": cut.item.shelf,  # under this name in the hash of every list that was printed
            "lot": cut.item.lot,
            "length": cut.length,
            "left": cut.left,
            "keeps_offcut": cut.keeps_offcut,
            "drawing": roll_drawing([cut], parts, unit=unit, on_paper=True)
            if is_roll
            else bar_drawing(cut, parts, unit=unit, longest=longest, on_paper=True),
            "skipped": cut.skipped,
            "pieces": _pieces(cut, parts),
        }
        for same in runs
        for cut in same[:1]
    ]
    return {
        "material": plan.material.name,
        "cut_at": CUT_AT[Material.Kind(plan.material.kind)],
        "is_roll": is_roll,
        "kerf": plan.material.kerf,
        "trim": None if is_roll else plan.material.trim,
        "proven": plan.answer.get("proven"),
        **_questions((part.make.unit_id for part in parts.values()), unit),
        "within": plan.within,
        "cuts": rows,
        "in_all": len(cuts),
    }


def _questions(units: Iterable[int], unit: LengthUnit) -> dict[str, object]:
    """Units on hold, and what is in question; nothing, not even a name, where there are none."""
    return _said_of(in_question(units).values(), unit)


def _said_of(changes: Iterable[SizeChange], unit: LengthUnit) -> dict[str, object]:
    found = [f"{change.unit.code} {said(change, unit)}" for change in changes]
    return {"questions": found} if found else {}


def _pieces(cut: PlannedCut, parts: dict[int, Part]) -> list[dict[str, object]]:
    """In saw order; equal pieces of one part that follow one another are one line."""
    lines = [list(same) for _, same in groupby(cut.pieces, key=lambda piece: (piece["part"], piece["turned"]))]
    return [_piece(same[0], parts[same[0]["part"]]) | {"count": len(same)} for same in lines]


def _piece(piece: dict[str, object], part: Part) -> dict[str, object]:
    opening = part.make.unit.opening
    return {
        "length": part.length,
        "width": part.width,
        "turned": piece["turned"],
        "name": part.name,
        "code": part.make.unit.code,
        "job": opening.job.number,
        "room": f"{opening.room.name} {opening.mark}",
    }


@document_kind(
    "fabrication.pull_list",
    title="Pull list",
    model="fabrication.Batch",
    template="fabrication/documents/pull_list.html",
    roles=WHO,
    version=4,
)
def pull_list(batch: Batch) -> dict[str, object]:
    """What to take from the store for a batch: a line a material with its place and total, its units to tick."""
    return {
        **_questions(batch.makes.values_list("unit", flat=True), batch.branch.unit),
        "lines": [
            {
                "material": line.material.name,
                "places": ", ".join(line.places),
                "pieces": line.pieces,
                "length": line.length,
                "missing": line.missing,
                "parts": [
                    {
                        "quantity": part.quantity,
                        "length": part.length,
                        "name": part.name if line.names > 1 else "",
                        "code": part.make.unit.code,
                        "is_pulled": part.state == Part.State.PULLED,
                    }
                    for part in line.parts
                ],
            }
            for line in pull_lines(batch)
        ],
    }


@document_kind(
    "fabrication.labels",
    title="Labels",
    model="fabrication.Batch",
    template="fabrication/documents/labels.html",
    roles=WHO,
    version=5,
)
def labels(batch: Batch) -> dict[str, object]:
    """One label a package of each unit, with a code and the QR of its page."""
    makes = batch.makes.select_related("unit__opening__room", "unit__opening__job").order_by(
        "unit__opening__job", "unit__opening__room__order", "unit__opening__order", "unit__number"
    )
    makes = makes.prefetch_related("unit__product__branch")
    offered = offers_of_units(make.unit for make in makes)
    questioned = in_question(make.unit_id for make in makes)
    rows = [
        label | ({"question": "on hold"} if make.unit_id in questioned else {})
        for make in makes
        for label in unit_labels(make, offered[make.unit_id])
    ]
    return laid_out(rows, branch_labels(batch.branch), _unit_lines)


def _unit_lines(label: dict[str, Any]) -> list[str]:
    """The small lines of a package's label, the first ones first where there is no room for all."""
    return [
        label.get("question", ""), label["package"], f"{label['job']} · {label['room']}",
        ", ".join(filter(None, [label["product"], label["colour"]])),
        " · ".join(filter(None, [label["mount"], label["control"]])),
    ]  # fmt: skip


@document_kind(
    "fabrication.piece_labels",
    title="Piece labels",
    model="fabrication.CutPlan",
    template="fabrication/documents/labels.html",
    roles=WHO,
)
def piece_labels(plan: CutPlan) -> dict[str, object]:
    """One label a piece of a cut plan in the order of the saw: whose it is, what part, its size, color and side."""
    cuts = list(plan.cuts.exclude(state=PlannedCut.State.DROPPED))
    keys = {piece["part"] for cut in cuts for piece in cut.pieces}
    parts = Part.objects.select_related(
        "make__unit__opening__room", "make__unit__opening__job", "make__unit__product"
    ).in_bulk(keys)
    offered = offers_of_units(part.make.unit for part in parts.values())
    rows = [
        _piece_label(parts[piece["part"]], offered[parts[piece["part"]].make.unit_id])
        for cut in cuts
        for piece in cut.pieces
    ]
    return laid_out(rows, branch_labels(plan.batch.branch), _piece_lines)


def _piece_label(part: Part, offer: Offer) -> dict[str, Any]:
    unit = part.make.unit
    told = told_apart_by(unit, offer)
    return {
        "code": unit.code, "address": page_of(unit.code), "job": unit.opening.job.number,
        "room": f"{unit.opening.room.name} {unit.opening.mark}", "part": part.name, "width": part.width,
        "length": part.length, "colour": told["colour"], "control": told["control"], "on_tape": True,
    }  # fmt: skip


def _piece_lines(label: dict[str, Any]) -> list[str]:
    beside = " · ".join(filter(None, [label["colour"], label["control"]]))
    return [label["part"], f"{label['job']} · {label['room']}", beside]


Lines = Callable[[dict[str, Any]], list[str]]


def laid_out(rows: Sequence[dict[str, Any]], size: LabelSize, lines: Lines) -> dict[str, object]:
    """Labels with their small lines where they go, by sheets from the first free one; of a roll one by one."""
    plan = plan_label(size.width, size.height)
    found: list[dict[str, Any] | None] = []
    for row in rows:
        beside, below = plan.split(lines(row))
        found.append({**row, "beside": beside, "below": below})
    is_roll = size.kind == LabelSize.Kind.ROLL
    if found and not is_roll:
        found = [*(None for _ in range(size.start - 1)), *found]
    each = 1 if is_roll else size.columns * size.rows
    sheets = [found[first : first + each] for first in range(0, len(found), each)]
    return {"sheets": sheets, "on": label_size_of(size) | {"qr": plan.qr}}


@dataclass(frozen=True, slots=True)
class Preview:
    """A made-up label as it comes out at a size, and which of its lines are cut off or left out."""

    name: str
    label: dict[str, Any]
    qr: int
    width: str
    height: str
    cut_off: list[str]


def label_previews(size: LabelSize) -> list[Preview]:
    """A package's, a piece's and a stock piece's label in true size."""
    plan = plan_label(size.width, size.height)
    unit: dict[str, Any] = {
        "code": "234567S-2", "address": page_of("234567S"), "job": "J-1004", "room": "Dining room 12",
        "width": Length.parse("119 15/16"), "height": Length.parse("107 15/16"),
    }  # fmt: skip
    package = unit | {
        "package": "2 of 2: valance", "product": "Wren", "colour": "Dusk grey", "mount": "inside mount",
        "control": "chain loop, left",
    }  # fmt: skip
    piece = unit | {"code": "234567S", "length": unit["width"], "width": None, "height": None, "on_tape": True}
    piece |= {"part": "bottom rail", "colour": "Dusk grey", "control": "chain loop, left"}
    rack = {
        "code": "234567S",
        "address": page_of("234567S"),
        "length": Length.inches(1080),
        "width": Length.inches(118),
    }
    rack |= {"on_tape": True, "material": "Sedge linen, flax", "lot": "A7", "is_offcut": True, "shelf": "rack 7"}
    drawn = (("Package", package, _unit_lines), ("Piece", piece, _piece_lines), ("Stock", rack, _stock_lines))
    found = []
    for name, label, lines in drawn:
        beside, below = plan.split(lines(label))
        shown = {**label, "beside": beside, "below": below}
        wide, high = (f"{side.as_mm():.2f}mm" for side in (size.width, size.height))
        found.append(Preview(name, shown, plan.qr, wide, high, plan.cut_off(lines(label))))
    return found


def within_tolerance(make: UnitMake, side: str, finished: Length) -> tuple[Length, Length]:
    """The least and the most that a side of a finished unit may measure."""
    under, over = tolerance_of(make, side)
    return finished - under, finished + over


def branch_labels(branch: Branch) -> LabelSize:
    """What a branch prints labels on."""
    return LabelSize.objects.filter(branch=branch).first() or starting_label_size(branch)


def label_size_of(size: LabelSize) -> dict[str, object]:
    """What labels are printed on, in millimetres as CSS writes them."""
    names = ("width", "height", "left", "top", "across", "down")
    return {
        "is_roll": size.kind == LabelSize.Kind.ROLL,
        "columns": size.columns,
        "a_sheet": size.columns * size.rows,
        **{name: f"{getattr(size, name).as_mm():.2f}mm" for name in names},
    }


@document_kind(
    "fabrication.stock_label",
    title="Stock label",
    model="fabrication.StockItem",
    template="fabrication/documents/labels.html",
    roles=WHO,
    version=3,
)
def stock_label(item: StockItem) -> dict[str, object]:
    """One label for an offcut, a bar bundle or a roll, with the QR of its page."""
    return laid_out([_stock_label(item)], branch_labels(item.material.branch), _stock_lines)


@document_kind(
    "fabrication.stock_labels",
    title="Stock labels",
    model="fabrication.Material",
    template="fabrication/documents/labels.html",
    roles=WHO,
)
def stock_labels(material: Material) -> dict[str, object]:
    """A label for every piece of a material on the rack, rolls and bars before offcuts."""
    items = material.stock.filter(quantity__gt=0).select_related("material").order_by("is_offcut", "shelf", "pk")
    return laid_out([_stock_label(item) for item in items], branch_labels(material.branch), _stock_lines)


def _stock_label(item: StockItem) -> dict[str, Any]:
    return {
        "code": item.code,
        "address": page_of(item.code),
        "material": item.material.name,
        "length": item.length,
        "width": item.width,
        "lot": item.lot,
        "is_offcut": item.is_offcut,
        "shelf": item.shelf,
        "on_tape": True,
    }


def _stock_lines(label: dict[str, Any]) -> list[str]:
    what = " ".join(
        filter(None, ["offcut" if label["is_offcut"] else "", f"lot {label['lot']}" if label["lot"] else ""])
    )
    return [label["material"], what, label["shelf"]]


def unit_labels(make: UnitMake, offer: Offer) -> list[dict[str, object]]:
    """The labels of one unit: package 1 of 2 and so on, with what tells it from its neighbours."""
    opening = make.unit.opening
    packages = make.packages or [{"name": ""}]
    return [
        {
            "code": f"{make.unit.code}-{position}" if len(packages) > 1 else make.unit.code,
            "address": page_of(f"{make.unit.code}-{position}" if len(packages) > 1 else make.unit.code),
            "job": opening.job.number,
            "room": f"{opening.room.name} {opening.mark}",
            "product": make.unit.product.name,
            **told_apart_by(make.unit, offer),
            "width": make.finished_width,
            "height": make.finished_height,
            "package": f"{position} of {len(packages)}" + (f": {package['name']}" if package.get("name") else ""),
        }
        for position, package in enumerate(packages, 1)
    ]


@document_kind(
    "fabrication.work_order",
    title="Work order",
    model="fabrication.UnitMake",
    template="fabrication/documents/work_order.html",
    roles=WHO,
    version=8,
    job=lambda make: make.unit.opening.job_id,
)
def work_order(make: UnitMake) -> dict[str, object]:
    """All the bench needs for one unit: its ticket, and how every size on it was reached."""
    (ticket,) = _tickets([make])
    return ticket | {
        "steps": make.all_steps,
        "calculations": [
            {"name": part.name, "derivation": part.derivation} for part in _parts_of(make) if part.derivation
        ],
    }


def _tickets(makes: Sequence[UnitMake]) -> list[dict[str, Any]]:
    """What travels with each unit: sizes, options, parts by the numbers of the drawing, steps, checks, hardware."""
    offered, steps = offers_of_units(make.unit for make in makes), steps_of_makes(makes)
    questioned = in_question(make.unit_id for make in makes)
    kits = ports.hardware_of_units([make.unit for make in makes])
    return [
        _ticket(make, offered[make.unit_id])
        | {"to_do": [step.text for step, _ in steps[make.pk]], "hardware": list(kits.get(make.unit_id, ()))}
        | _said_of(filter(None, [questioned.get(make.unit_id)]), make.unit.product.branch.unit)
        for make in makes
    ]


def _ticket(make: UnitMake, offer: Offer) -> dict[str, Any]:
    opening, unit = make.unit.opening, make.unit.product.branch.unit
    sheet = shape_sheet(opening)
    made = rules.UnitMake.from_json(make.figures["made"]) if make.figures.get("made") else None
    numbers = {part.name: number for number, part in enumerate(made.parts, 1)} if made else {}
    return {
        **({"sheet": sheet} if sheet else {}),
        "label": unit_labels(make, offer)[0] | {"code": make.unit.code, "address": page_of(make.unit.code)},
        "mount": make.unit.get_mount_display(),
        "recipe": f"{make.recipe}" if make.recipe else "",
        "options": dict(shown_options(make.unit, offer)),
        "figures": make.figures.get("shown", []),
        "weight_g": make.weight_g,
        "drawing": draw_unit(made, unit=unit, sheet=PAPER) if made else "",
        "job": opening.job.number,
        "due_on": make.unit.due_on,
        "limits": {
            "width": within_tolerance(make, "width", make.finished_width),
            "height": within_tolerance(make, "height", make.finished_height),
        },
        "parts": [
            {
                "number": numbers.get(part.name),
                "name": part.name,
                "material": part.material.name,
                "quantity": part.quantity,
                "length": part.length,
                "width": part.width,
            }
            for part in _parts_of(make)
        ],
    }


def _parts_of(make: UnitMake) -> list[Part]:
    return [part for part in make.parts.all() if part.state != Part.State.CANCELLED]


@document_kind(
    "fabrication.tickets", title="Tickets", model="fabrication.Batch",
    template="fabrication/documents/tickets.html", roles=WHO, version=4,
)  # fmt: skip
def tickets(batch: Batch) -> dict[str, object]:
    """A ticket a unit that travels with its pieces, on a sheet of its own; a batch in one press."""
    makes = batch.makes.select_related("unit__opening__room", "unit__opening__job").prefetch_related(
        "parts__material", "recipe__product", "unit__product__branch"
    )  # a recipe and a product are read once, not with each of hundreds of units
    in_order = makes.order_by(
        "unit__opening__job", "unit__opening__room__order", "unit__opening__order", "unit__number"
    )
    return {"tickets": _tickets(list(in_order))}


@document_kind(
    "fabrication.purchase",
    title="Purchase",
    model="fabrication.Purchase",
    template="fabrication/documents/purchase.html",
    roles=(WORKROOM, OWNER),
    version=2,
)
def purchase_order(purchase: Purchase) -> dict[str, object]:
    """One sheet a supplier: sizes and options, no customer's name."""
    supplier, branch, lines = purchase.supplier, purchase.branch, purchase_rows(purchase)
    amounts = [line["amount"] for line in lines]
    return {
        "number": purchase.number,
        "supplier": supplier.name,
        "is_draft": purchase.state == Purchase.State.DRAFT,
        "ship_to": {"name": branch.name, "lines": branch.address.splitlines(), "phone": branch.phone},
        **{name: getattr(supplier, name) for name in ("address", "account", "terms")},
        "note": purchase.note,
        "ordered_at": purchase.ordered_at,
        "expected_on": purchase.expected_on,
        "lines": lines,
        "total": None if None in amounts or not amounts else money_text(sum(amounts, Decimal(0)), branch.currency),
        "has_units": any(line["basis"] for line in lines),
        **_shape_sheets(purchase),
    }


def _shape_sheets(purchase: Purchase) -> dict[str, object]:
    """A sheet for each unit whose opening is no rectangle; nothing, not even a name, where there is none."""
    shaped = purchase.lines.exclude(make__unit__opening__shape=Shape.RECTANGLE).filter(make__isnull=False)
    units = [line.make.unit for line in shaped.select_related(*SHAPE_NEEDS) if line.make]
    found = [{"code": unit.code, **sheet} for unit in units if (sheet := shape_sheet(unit.opening))]
    return {"sheets": found} if found else {}


def purchase_rows(purchase: Purchase) -> list[dict[str, Any]]:
    """The lines as plain values, for the page, the document and the CSV."""
    rows = []
    rows_of = purchase.lines.exclude(make=None, material=None)  # a cancelled line is of nothing any more
    lines = list(rows_of.select_related("make__unit__product", "material"))
    options, needs = options_shown(line.make.unit for line in lines if line.make), needs_of(purchase)
    for line in lines:
        bought = line.make.unit.product if line.make else line.material
        assert bought is not None  # a line is a unit or a material
        rows.append(
            {
                "line": line.pk,
                "what": bought.name,
                "key": bought.key,
                "supplier_code": line.material.supplier_code if line.material else "",
                "code": line.make.unit.code if line.make else "",
                "quantity": line.quantity,
                "ordered_as": ordered_as(line.quantity, line.material.pack, line.material.kind)
                if line.material
                else "1 unit",
                "mount": line.get_mount_display(),
                "basis": line.basis,
                "price": "" if line.price is None else str(line.price),
                "by_meter": line.material is not None and line.material.kind in STANDS_ALONE,
                "amount": _amount(line),
                "width": line.width,
                "length": line.length,
                "needed_by": needs[line.pk].on if line.pk in needs else None,
                "options": dict(options[line.make.unit_id]) if line.make else {},
            }
        )
    return rows


def _amount(line: PurchaseLine) -> Decimal | None:
    """What a line costs: its price by the piece, or by the meter of a roll or a reel."""
    if line.price is None:
        return None
    is_by_meter = line.material is not None and line.material.kind in STANDS_ALONE and line.length is not None
    meters = Decimal(line.length.ticks) / TICKS_PER_M if is_by_meter and line.length is not None else Decimal(1)
    return cents(line.price * line.quantity * meters)
