"""Buying: what is short and by when, one sheet a supplier, and what comes back of it."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, NamedTuple

from django.db import transaction
from django.utils import timezone

from fabrication.adapters.supplied import supplied_columns, supplied_size
from fabrication.models import Material, Part, Purchase, PurchaseLine, StockItem, Supplier, UnitMake
from fabrication.rules.needs import Need, need_of_length
from fabrication.rules.supply import LONGEST, arrival
from fabrication.services.stock import STANDS_ALONE, receive_stock
from jobs.schedule.availability import holidays_between
from jobs.services.stages import lock_job, recompute_stage
from measuring.models import Product, Unit
from shared.audit import changed, record
from shared.errors import Refused
from shared.formats.dates import short_day
from shared.lengths import ZERO, Length, LengthUnit
from shared.models import Branch, User
from shared.records import read_length

OPEN_PARTS = (Part.State.TO_CUT, Part.State.TO_PULL)


# -- what is short -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shortage:
    """A material that open parts need more of than is free, and the day it must be here."""

    material: Material
    need: Need | None
    missing: int
    by_day: dt.date | None


def shortages(*, branch: Branch, makes: Collection[int] | None = None) -> list[Shortage]:
    """What open parts (of these units, if given) need beyond free stock, what is due first on top."""
    wanted: dict[int, list[Part]] = defaultdict(list)
    parts = Part.objects.filter(
        make__unit__opening__job__branch=branch, state__in=OPEN_PARTS, make__unit__opening__job__cancelled_at=None
    ).select_related("material", "make__unit")
    if makes is not None:
        parts = parts.filter(make__in=makes)
    for part in parts.exclude(make__state=UnitMake.State.CANCELLED):
        wanted[part.material_id].append(part)
    stock: dict[int, list[StockItem]] = defaultdict(list)
    for item in StockItem.objects.filter(material__in=wanted, quantity__gt=0):
        stock[item.material_id].append(item)
    found = [_shortage(rows, stock[key]) for key, rows in wanted.items()]
    lacking = [one for one in found if one is not None]
    return sorted(lacking, key=lambda one: (one.by_day or dt.date.max, one.material.name))


def _shortage(parts: list[Part], items: list[StockItem]) -> Shortage | None:
    material = parts[0].material
    by_day = min((part.make.unit.due_on for part in parts if part.make.unit.due_on), default=None)
    if material.kind in {Material.Kind.PIECE, Material.Kind.SET}:
        missing = sum(part.quantity - part.done for part in parts) - sum(item.free for item in items)
        return Shortage(material, None, missing, by_day) if missing > 0 else None
    wanted = [(part.length or ZERO, part.quantity - part.done) for part in parts]
    by_roll = material.kind in {Material.Kind.CLOTH, Material.Kind.CORD}
    there = [(item.free_length if by_roll else item.length or ZERO, 1 if by_roll else item.free) for item in items]
    need = need_of_length(wanted, there, _usual_length(material))
    return Shortage(material, need, need.pieces, by_day) if need.short > ZERO else None


def _usual_length(material: Material) -> Length | None:
    sizes = [row["length"] for row in material.facts.get("stock") or [] if row.get("length")]
    return max((read_length(text) for text in sizes), default=None)


# -- ordering ------------------------------------------------------------------------


def _next_number(branch: Branch) -> str:
    Branch.objects.select_for_update().get(pk=branch.pk)
    return f"P-{Purchase.objects.filter(branch=branch).count() + 1:04d}"


@transaction.atomic
def order_units(*, supplier: Supplier, makes: Collection[int], by: User) -> Purchase:
    """One purchase of units that are bought in; a unit is on one purchase only."""
    branch = supplier.branch
    rows = list(
        UnitMake.objects.select_for_update(of=("self",))
        .select_related("unit__product__branch")
        .filter(pk__in=makes, unit__opening__job__branch=branch)
        .order_by("pk")
    )
    if not rows:
        raise Refused("choose at least one unit", field="makes")
    for make in rows:
        if make.source != Product.Source.BOUGHT:
            raise Refused(f"{make.unit.code} is made here", field="makes")
        if PurchaseLine.objects.filter(make=make).exists():
            raise Refused(f"{make.unit.code} is on {make.purchase_line.purchase} already", field="makes")
    sizes = [(make, supplied_size(make.unit)) for make in rows]
    purchase = _open_purchase(branch, supplier, by)
    for make, size in sizes:
        UnitMake.objects.filter(pk=make.pk).update(**supplied_columns(make.unit, size))
        PurchaseLine.objects.create(
            purchase=purchase, make=make, width=size.width, length=size.height, mount=make.unit.mount,
            basis=size.basis, packages_expected=max(1, len(make.packages)),
        )  # fmt: skip
    Unit.objects.filter(make__in=rows).update(state=Unit.State.IN_WORKROOM)
    record(by=by, action="ordered units", subject=purchase, note=", ".join(make.unit.code for make in rows))
    for job in {make.unit.opening.job_id for make in rows}:
        recompute_stage(job=job, by=by)
    return purchase


class StockLine(NamedTuple):
    """So many of a material, each of a length (and a roll's width); `price` as of stock: of one, or of a meter."""

    material: Material
    quantity: int
    length: Length | None = None
    width: Length | None = None
    price: Decimal | None = None


@transaction.atomic
def order_stock(*, supplier: Supplier, lines: Collection[StockLine], by: User) -> Purchase:
    """
    One purchase of stock.

    Raises
    ------
    Refused
        A line without what its material is kept by: a length, of cloth a width too.
    """
    if not lines:
        raise Refused("choose at least one material", field="lines")
    purchase = _open_purchase(supplier.branch, supplier, by)
    for line in lines:
        if line.quantity < 1:
            raise Refused(f"{line.material.name}: at least one", field="quantity", bound="1 or more")
        for name in _measures(line.material):
            size = getattr(line, name)
            if size is None or size <= ZERO:
                raise Refused(f"{line.material.name}: say what {name} is bought", field=name, bound="above 0")
        PurchaseLine.objects.create(purchase=purchase, **line._asdict())
    record(by=by, action="ordered stock", subject=purchase)
    return purchase


def _measures(material: Material) -> tuple[str, ...]:
    """What one of it must have on a purchase."""
    if material.kind == Material.Kind.CLOTH:
        return ("length", "width")
    return () if material.kind in {Material.Kind.PIECE, Material.Kind.SET} else ("length",)


def line_for(short: Shortage) -> StockLine:
    """
    What a shortage is ordered as, until somebody says otherwise: in usual sizes, packs and prices.

    Cloth and cord by the whole yard (or meter), cloth off the widest roll it is sold in.
    """
    material, need = short.material, short.need
    if need is None:
        packs = -(-short.missing // material.pack)
        return StockLine(material, packs * material.pack)
    sizes = [row for row in material.facts.get("stock") or [] if row.get("length") or row.get("width")]
    if material.kind in {Material.Kind.CLOTH, Material.Kind.CORD}:
        step = Length.inches(36) if material.branch.unit == LengthUnit.INCH else Length.mm(1000)
        widest: Mapping[str, Any] = max(sizes, key=lambda row: read_length(row.get("width") or "0"), default={})
        width = read_length(widest["width"]) if widest.get("width") else None
        return StockLine(material, 1, need.short.up(step), width, _price(widest))
    long = [row for row in sizes if row.get("length")]
    usual: Mapping[str, Any] = next((row for row in long if read_length(row["length"]) == need.size), {})
    return StockLine(material, short.missing, need.size, None, _price(usual))


def _price(row: Mapping[str, Any]) -> Decimal | None:
    return Decimal(row["price"]) if row.get("price") else None


def late_of(purchase: Purchase) -> list[str]:
    """What on it is expected after the day somebody needs it, in words, the earliest needed first."""
    if purchase.expected_on is None:
        return []
    rows: list[tuple[dt.date, str]] = []
    waiting = purchase.lines.exclude(state__in=[PurchaseLine.State.INSPECTED, PurchaseLine.State.REFUSED])
    for line in waiting.select_related("make__unit", "material"):
        if line.make is not None:
            due, what = line.make.unit.due_on, line.make.unit.code
        else:
            parts = Part.objects.filter(material=line.material, state__in=OPEN_PARTS, make__unit__due_on__isnull=False)
            first = parts.select_related("make__unit").order_by("make__unit__due_on").first()
            due = first.make.unit.due_on if first else None
            what = f"{line.material.name} for {first.make.unit.code}" if first and line.material else ""
        if due is not None and due < purchase.expected_on:
            rows.append((due, f"{what} is due on {short_day(due)}"))
    return [text for _, text in sorted(rows)]


def _open_purchase(branch: Branch, supplier: Supplier, by: User) -> Purchase:
    now = timezone.now()
    here = now.astimezone(branch.tz)
    is_late = supplier.order_by is not None and here.time() > supplier.order_by
    return Purchase.objects.create(
        branch=branch,
        supplier=supplier,
        number=_next_number(branch),
        state=Purchase.State.ORDERED,
        ordered_at=now,
        expected_on=_comes(supplier, here.date(), supplier.lead_days + is_late),
        created_by=by,
    )


def _comes(supplier: Supplier, day: dt.date, count: int) -> dt.date:
    """So many of the branch's and the supplier's working days after a day."""
    off = holidays_between(supplier.branch, day, day + dt.timedelta(days=LONGEST))
    return arrival(day, count, lambda one: one.weekday() < 5 and one not in off, supplier.shutdowns)


@transaction.atomic
def acknowledge_shipping(*, purchase: Purchase, ships_on: dt.date | None, by: User) -> Purchase:
    """The day the supplier ships, as acknowledged, and with it the day the goods are here."""
    row = Purchase.objects.select_for_update(of=("self",)).select_related("supplier__branch").get(pk=purchase.pk)
    if row.state != Purchase.State.ORDERED or row.ordered_at is None:
        raise Refused(f"{row} is {row.get_state_display()}", field="ships_on")
    ordered = row.ordered_at.astimezone(row.supplier.branch.tz).date()
    if ships_on is not None and not ordered <= ships_on <= ordered + dt.timedelta(days=LONGEST):
        raise Refused("this is no day after the order", field="ships_on", bound=f"from {short_day(ordered)} on")
    row.ships_on = ships_on
    if ships_on is not None:
        row.expected_on = _comes(row.supplier, ships_on, row.supplier.transit_days)
    changes = changed(row, ["ships_on", "expected_on"])
    row.save(update_fields=["ships_on", "expected_on"])
    record(by=by, action="noted the acknowledged ship date", subject=row, changes=changes)
    return row


# -- what comes back -------------------------------------------------------------------


@transaction.atomic
def acknowledge(
    *, line: PurchaseLine, width: Length, height: Length, options: Mapping[str, str], by: User
) -> PurchaseLine:
    """The supplier's acknowledgement beside what was ordered; differences are named and stop the line."""
    line = _locked(line)
    if line.make is None:
        raise Refused("only a unit is acknowledged by size and options", field="line")
    differences = _differences(line.make, width, height, options)
    line.acknowledged = {"width": width.ticks, "height": height.ticks, "options": dict(options)}
    line.differences = differences
    line.state = PurchaseLine.State.DIFFERS if differences else PurchaseLine.State.ACKNOWLEDGED
    line.save(update_fields=["acknowledged", "differences", "state"])
    action = "found the acknowledgement to differ" if differences else "checked the acknowledgement"
    unit = line.make.unit
    record(by=by, action=action, subject=unit, job=unit.opening.job_id, note="; ".join(differences))
    return line


def _differences(make: UnitMake, width: Length, height: Length, options: Mapping[str, object]) -> list[str]:
    found = []
    for name, ordered, acknowledged in (
        ("width", make.finished_width, width),
        ("height", make.finished_height, height),
    ):
        if ordered != acknowledged:
            found.append(f"{name}: ordered {ordered}, acknowledged {acknowledged}")
    for key, ordered in make.unit.options.items():
        if key in options and options[key] != ordered:
            found.append(f"{key}: ordered {ordered}, acknowledged {options[key] or 'nothing'}")
    return found


@transaction.atomic
def receive_line(
    *,
    line: PurchaseLine,
    packages: int,
    by: User,
    shelf: str = "",
    lot: str = "",
    length: Length | None = None,
    width: Length | None = None,
) -> PurchaseLine:
    """
    Counts packages in; a unit waits for its inspection, stock goes on the rack.

    `length` and `width` are what came, where it is not what was ordered; each roll stands by itself.
    """
    line = _locked(line)
    if line.state in {PurchaseLine.State.RECEIVED, PurchaseLine.State.INSPECTED}:
        return line
    if line.state == PurchaseLine.State.DIFFERS:
        raise Refused(f"{line} was acknowledged otherwise: {'; '.join(line.differences)}")
    if packages < 1:
        raise Refused("say how many packages came", field="packages", bound="1 or more")
    was = line.state
    line.packages_received += packages
    if line.make is None and line.material is not None:
        alone = line.material.kind in STANDS_ALONE
        for quantity in [1] * line.quantity if alone else [line.quantity]:
            receive_stock(
                material=line.material, quantity=quantity, length=length or line.length, width=width or line.width,
                lot=lot, shelf=shelf, price=line.price, note=line.purchase.number, by=by,
            )  # fmt: skip
        line.state = PurchaseLine.State.INSPECTED
    elif line.packages_received >= line.packages_expected:
        line.state = PurchaseLine.State.RECEIVED
    line.received_at = timezone.now() if line.state != was else None
    line.save(update_fields=["packages_received", "state", "received_at"])
    record(
        by=by, action="received", subject=line, note=f"{line.packages_received} of {line.packages_expected} packages"
    )
    _close(line.purchase)
    return line


@transaction.atomic
def inspect_line(*, line: PurchaseLine, is_good: bool, by: User, note: str = "") -> PurchaseLine:
    """A unit that came in is good and counts as made, or goes back."""
    if line.make is not None:
        lock_job(line.make.unit.opening.job_id)
    line = _locked(line)
    if line.state != PurchaseLine.State.RECEIVED or line.make is None:
        raise Refused(f"{line} is {line.get_state_display()}; only a unit that is all here is inspected")
    if not is_good and not note.strip():
        raise Refused("say what is wrong with it", field="note")
    line.state = PurchaseLine.State.INSPECTED if is_good else PurchaseLine.State.REFUSED
    line.note = note[:240]
    line.save(update_fields=["state", "note"])
    make = line.make
    job = make.unit.opening.job_id
    if is_good:
        UnitMake.objects.filter(pk=make.pk).update(state=UnitMake.State.MADE)
        Unit.objects.filter(pk=make.unit_id).update(state=Unit.State.MADE, made_at=timezone.now())
    record(by=by, action="inspected" if is_good else "sent back", subject=make.unit, job=job, note=note)
    recompute_stage(job=job, by=by)
    _close(line.purchase)
    return line


def _locked(line: PurchaseLine) -> PurchaseLine:
    return (
        PurchaseLine.objects.select_for_update(of=("self",))
        .select_related("purchase__branch", "make__unit__opening", "material")
        .get(pk=line.pk)
    )


def _close(purchase: Purchase) -> None:
    done = [PurchaseLine.State.INSPECTED, PurchaseLine.State.REFUSED]
    if not purchase.lines.exclude(state__in=done).exists():
        purchase.state = Purchase.State.CLOSED
        purchase.save(update_fields=["state"])
