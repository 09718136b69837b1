"""Materials and suppliers as CSV: out, and in again after a look that names what is wrong in each cell."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from copy import copy
from dataclasses import asdict, dataclass
from decimal import Decimal
from functools import partial
from typing import Any, Final

from django.forms import BooleanField

from fabrication.forms import FACTS, SIZES, TURNING, MaterialForm, SupplierForm, shown_material
from fabrication.models import Material, Supplier
from fabrication.services import range as services
from fabrication.services.making import OWN
from jobs.services.imports import Taken, fates_of, start_import, table_lines, take_line
from shared import runs
from shared.audit import changed
from shared.errors import Refused
from shared.formats.cells import harmless, unguarded
from shared.forms import PageForm
from shared.lengths import Length, LengthUnit
from shared.models import Branch, Run, User
from shared.records import length_text

KIND: Final = "fabrication.import"
MATERIALS, SUPPLIERS = "materials", "suppliers"
WHAT: Final = (MATERIALS, SUPPLIERS)
ORDER_COLUMNS: Final = ("supplier", "supplier_code", "lead_days", "reorder_at", "pack", "is_active")
SIZE_COLUMNS: Final = tuple(
    f"{name}_{number}" for number in range(1, SIZES + 1) for name in ("width", "length", "price")
)
COLUMNS: Final[Mapping[str, tuple[str, ...]]] = {
    MATERIALS: ("name", "kind", "kerf", "trim", "keep", *FACTS, *SIZE_COLUMNS, *ORDER_COLUMNS),
    SUPPLIERS: services.SUPPLIER_COLUMNS,
}
NEEDED: Final[Mapping[str, tuple[str, ...]]] = {MATERIALS: ("name", "kind"), SUPPLIERS: ("name",)}
TRUE, FALSE = "yes", "no"
SAME: Final = "as it stands"


# -- out ----------------------------------------------------------------------------------


def range_csv(branch: Branch, what: str) -> str:
    """The whole table; read back unchanged it changes nothing."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(COLUMNS[what])
    for cells in _material_cells(branch) if what == MATERIALS else _supplier_cells(branch):
        rows.writerow([harmless(cells.get(name, "")) for name in COLUMNS[what]])
    return out.getvalue()


def _materials(branch: Branch) -> list[Material]:
    rows = Material.objects.filter(branch=branch).exclude(key__startswith=OWN)
    return list(rows.select_related("supplier__branch", "branch"))


def _material_cells(branch: Branch) -> Iterator[dict[str, str]]:
    for row in _materials(branch):
        shown = shown_material(row) | {"kind": row.kind, "supplier": row.supplier.name if row.supplier else ""}
        yield {name: _cell(value, branch.unit) for name, value in shown.items()}


def _supplier_cells(branch: Branch) -> Iterator[dict[str, str]]:
    for row in Supplier.objects.filter(branch=branch):
        shown = {name: getattr(row, name) for name in services.SUPPLIER_COLUMNS}
        shown["closed"] = "; ".join(f"{begin} to {end}" for begin, end in row.closed)
        shown["order_by"] = f"{row.order_by:%H:%M}" if row.order_by else ""
        yield {name: _cell(value, branch.unit) for name, value in shown.items()}


def _cell(value: object, unit: LengthUnit) -> str:
    """A value as its box on the page takes it back, exactly."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return TRUE if value else FALSE
    if isinstance(value, Length):
        text = length_text(value)
        return text if unit == LengthUnit.INCH or text.endswith("mm") else f"{text} in"
    return str(value)


# -- in -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Wrong:
    """What is wrong with one cell; an empty column: with the line."""

    column: str
    value: str
    problem: str


@dataclass(frozen=True, slots=True)
class LineLook:
    """What becomes of one line."""

    line: int
    name: str
    fate: str
    wrong: tuple[Wrong, ...] = ()


def ask_for_import(*, branch: Branch, what: str, text: str, by: User, dry: bool, look: Run | None = None) -> Run:
    """Reads a table as a run: dry, nothing stays; else each line that can be is kept, after its look once only."""
    if what not in WHAT:
        raise Refused("say what is imported", field="what", bound=", ".join(WHAT))
    list(table_lines(text, COLUMNS[what], NEEDED[what]))
    title = f"Look at an import of {what}" if dry else f"Import of {what}"
    params = {"what": what, "text": text, "dry": dry}
    return start_import(KIND, branch=branch, by=by, params=params, look=look, title=title)


@runs.long_work(KIND, title="Import of the range", queue="bulk")
def import_table(ctx: runs.Context) -> None:
    """Line by line, each kept in a short transaction with its fate."""
    branch, what, dry = Branch.objects.get(pk=ctx.params["branch"]), str(ctx.params["what"]), bool(ctx.params["dry"])
    assert ctx.by is not None
    reader = _Reader(branch, what, ctx.by)
    before = {} if dry else {fate.line: fate for fate in fates_of(ctx.run)}
    lines = list(table_lines(ctx.params["text"], COLUMNS[what], NEEDED[what]))
    looks: list[LineLook] = []
    for done, (number, cells) in enumerate(lines):
        ctx.progress(done, len(lines), f"line {number}")
        ctx.raise_if_stopped()
        found = reader.look(number, cells)
        if not dry and number in before:
            found = _as_it_went(before[number].line, found.name, before[number].fate, before[number].is_wrong)
        elif not dry and not found.wrong:
            fate = take_line(ctx.run, number, found.name, partial(reader.keep, cells))
            found = _as_it_went(fate.line, found.name, fate.fate, fate.is_wrong)
        looks.append(found)
    with ctx.finishing() as result:
        result.update(summary(looks, what=what, dry=dry))


def _as_it_went(line: int, name: str, fate: str, is_wrong: bool) -> LineLook:
    return LineLook(line, name, "not kept" if is_wrong else fate, (Wrong("", "", fate),) if is_wrong else ())


def summary(looks: list[LineLook], *, what: str, dry: bool) -> dict[str, Any]:
    """The result as the page and the API show it."""
    wrong = sum(bool(one.wrong) for one in looks)
    return {
        "what": what,
        "dry": dry,
        "taken": len(looks) - wrong,
        "wrong": wrong,
        "lines": [asdict(one) for one in looks],
    }


class _Reader:
    """Reads lines as the pages' own boxes would, against the rows that stand."""

    def __init__(self, branch: Branch, what: str, by: User) -> None:
        self.branch, self.what, self.by = branch, what, by
        self.suppliers = {row.name.lower(): row for row in Supplier.objects.filter(branch=branch)}
        self.materials = {row.name.lower(): row for row in _materials(branch)} if what == MATERIALS else {}
        self.seen: dict[str, int] = {}

    def look(self, number: int, cells: Mapping[str, str]) -> LineLook:
        """What would become of a line, with all that is wrong in it; nothing is written."""
        name = unguarded(cells.get("name", ""))
        wrong = [Wrong("name", name, "is empty")] if not name else []
        if (first := self.seen.setdefault(name.lower(), number)) != number:
            wrong.append(Wrong("name", name, f"stands on line {first} already"))
        row, form, more = self._form(cells)
        wrong += more
        if form is not None:
            wrong += [
                Wrong(_column(field), cells.get(_column(field), ""), " ".join(str(one) for one in problems))
                for field, problems in form.errors.items()
                if not any(one.column == field for one in wrong)
            ]
        fate = ""
        if form is not None and not wrong:
            try:
                fate = self._fate(row, form)
            except Refused as refusal:
                wrong.append(Wrong(refusal.field, cells.get(refusal.field, ""), refusal.problem))
        return LineLook(number, name[:120], "not kept" if wrong else fate, tuple(wrong))

    def keep(self, cells: Mapping[str, str]) -> Taken:
        """Keeps a line that was looked at; what it says already stays untouched."""
        row, form, _ = self._form(cells)
        assert form is not None
        form.is_valid()
        fate = self._fate(row, form)
        if fate == SAME:
            return Taken(fate)
        if isinstance(form, MaterialForm):
            material = row if isinstance(row, Material) else None
            services.save_material(
                branch=self.branch, by=self.by, kind=form.kind, values=form.values(), material=material
            )
        else:
            supplier = row if isinstance(row, Supplier) else None
            services.save_supplier(branch=self.branch, by=self.by, values=form.cleaned_data, supplier=supplier)
        return Taken(fate)

    def _form(self, cells: Mapping[str, str]) -> tuple[Material | Supplier | None, PageForm | None, list[Wrong]]:
        name = unguarded(cells.get("name", "")).lower()
        if self.what == SUPPLIERS:
            supplier = self.suppliers.get(name)
            there = next(_cells_of(_supplier_cells(self.branch), supplier.name), {}) if supplier else {"lead_days": "7"}
            data = {**there, **_typed(cells)}
            data["closed"] = data.get("closed", "").replace(";", "\n")
            return supplier, SupplierForm(data, user=self.by), []
        return self._material_form(cells, self.materials.get(name))

    def _material_form(
        self, cells: Mapping[str, str], row: Material | None
    ) -> tuple[Material | None, PageForm | None, list[Wrong]]:
        kind, wrong = cells.get("kind", "").lower(), []
        if kind not in Material.Kind.values:
            return row, None, [Wrong("kind", kind, f"is none of {', '.join(Material.Kind.values)}")]
        if row is not None and row.kind != kind:
            wrong.append(Wrong("kind", kind, f"{row.name} is a {row.get_kind_display()}: a material stays what it is"))
        shown = shown_material(row) if row is not None else {"pack": 1, "is_active": True, "turning": "never"}
        data: dict[str, Any] = {key: _cell(value, self.branch.unit) for key, value in shown.items()}
        data["supplier"] = row.supplier.name if row is not None and row.supplier else ""
        form = MaterialForm(user=self.by, kind=kind)
        needed = {key for key, field in form.fields.items() if field.required}
        data |= {key: text for key, text in _typed(cells).items() if key != "kind" and (text or key not in needed)}
        wrong += [
            Wrong(key, data[key], f"a {kind} has none")
            for key in data
            if data[key] not in ("", FALSE) and key not in form.fields and key in cells
        ]
        for key in [key for key, field in form.fields.items() if isinstance(field, BooleanField)]:
            if data.get(key, "").lower() not in ("", TRUE, FALSE):
                wrong.append(Wrong(key, data[key], "is neither yes nor no"))
            if data.pop(key, "").lower() == TRUE:
                data[key] = "on"
        if supplier := data["supplier"]:
            known = self.suppliers.get(supplier.lower())
            data["supplier"] = str(known.pk) if known else ""
            wrong += [] if known else [Wrong("supplier", supplier, "there is no such supplier")]
        return row, MaterialForm(data, user=self.by, kind=kind), wrong

    def _fate(self, row: Material | Supplier | None, form: PageForm) -> str:
        """What keeping the line would do, in words; refused where it can't be kept."""
        stands = copy(row)
        if isinstance(form, MaterialForm):
            material = stands if isinstance(stands, Material) else None
            made = services.checked_material(
                branch=self.branch, values=form.values(), kind=form.kind, material=material
            )
            changes = _changes(row, made) if isinstance(row, Material) else []
        else:
            supplier = stands if isinstance(stands, Supplier) else None
            kept = services.checked_supplier(branch=self.branch, values=form.cleaned_data, supplier=supplier)
            changes = list(changed(kept, services.SUPPLIER_COLUMNS)) if row else []
        if row is None:
            return "new"
        return f"changes {', '.join(changes)}" if changes else SAME


def _changes(before: Material, after: Material) -> list[str]:
    """The columns in which two readings of a material differ, however they are written."""
    was, now = shown_material(before), shown_material(after)
    return [name for name in COLUMNS[MATERIALS] if _plain(name, was.get(name)) != _plain(name, now.get(name))]


def _plain(name: str, value: object) -> object:
    what = FACTS[name][0] if name in FACTS else Decimal if name.startswith("price_") else None
    if what is bool:
        return bool(value)
    if what is tuple:
        return value or TURNING[0]
    if what is Decimal and value not in (None, ""):
        return Decimal(str(value))
    return value or None


def _cells_of(rows: Iterator[dict[str, str]], name: str) -> Iterator[dict[str, str]]:
    return (cells for cells in rows if cells["name"] == name)


def _typed(cells: Mapping[str, str]) -> dict[str, str]:
    return {name: unguarded(value) for name, value in cells.items()}


def _column(field: str) -> str:
    return "" if field == "__all__" else field
