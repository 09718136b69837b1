"""Buying: what is short and by when, one sheet a supplier, and what comes back of it."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, NamedTuple

from django.db import transaction
from django.db.models import F, Max
from django.utils import timezone

from fabrication.adapters.supplied import supplied_columns, supplied_size
from fabrication.models import Material, Part, Purchase, PurchaseLine, StockItem, Supplier, UnitMake
from fabrication.rules.needs import Need, need_of_length
from fabrication.rules.receiving import MOST_ROLL, odd_number, odd_rolls, run_text
from fabrication.rules.supply import LONGEST, arrival, off_pack
from fabrication.services.stock import STANDS_ALONE
from jobs.schedule.availability import holidays_between
from jobs.services.stages import recompute_stage
from measuring.adapters.changes import refuse_held
from measuring.models import Product, Unit
from shared.audit import changed, record
from shared.errors import Refused
from shared.formats.dates import short_day
from shared.lengths import ZERO, Length, LengthUnit
from shared.models import Branch, User
from shared.records import read_length

OPEN_PARTS = (Part.State.TO_CUT, Part.State.TO_PULL)
DONE = (PurchaseLine.State.INSPECTED, PurchaseLine.State.REFUSED, PurchaseLine.State.CANCELLED)
ON_ITS_WAY = (PurchaseLine.State.ORDERED, PurchaseLine.State.ACKNOWLEDGED, PurchaseLine.State.DIFFERS)


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
    parts = Part.objects.filter(
        make__unit__opening__job__branch=branch, state__in=OPEN_PARTS, make__unit__opening__job__cancelled_at=None
    ).exclude(make__state=UnitMake.State.CANCELLED)
    only = None if makes is None else frozenset(makes)
    wanted: dict[int, list[_Wanted]] = defaultdict(list)
    rows = parts.order_by().values_list("make", "material", "length", F("quantity") - F("done"), "make__unit__due_on")
    for make, key, *row in rows:  # plain columns: whole rows, or the units in the question too, took seconds
        if only is None or make in only:
            wanted[key].append(_Wanted(*row))
    stock: dict[int, list[StockItem]] = defaultdict(list)
    for item in StockItem.objects.filter(material__in=wanted, quantity__gt=0):
        stock[item.material_id].append(item)
    materials = Material.objects.in_bulk(wanted)
    found = [_shortage(materials[key], rows, stock[key]) for key, rows in wanted.items()]
    lacking = [one for one in found if one is not None]
    return sorted(lacking, key=lambda one: (one.by_day or dt.date.max, one.material.name))


class _Wanted(NamedTuple):
    """Open pieces of one part: their length, how many, and the day the unit is due."""

    length: Length | None
    pieces: int
    day: dt.date | None


def _shortage(material: Material, parts: list[_Wanted], items: list[StockItem]) -> Shortage | None:
    by_day = min((part.day for part in parts if part.day), default=None)
    if material.kind in {Material.Kind.PIECE, Material.Kind.SET}:
        missing = sum(part.pieces for part in parts) - sum(item.free for item in items)
        return Shortage(material, None, missing, by_day) if missing > 0 else None
    wanted = [(part.length or ZERO, part.pieces) for part in parts]
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
def order_units(*, supplier: Supplier, makes: Collection[int], by: User, is_sent: bool = True) -> Purchase:
    """
    One purchase of units that are bought in; a unit is on one purchase only.

    `is_sent`: ordered at once; else they stand on the supplier's purchase that is not sent yet.
    """
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
    refuse_held((make.unit_id for make in rows), branch.unit, field="makes")
    sizes = [(make, supplied_size(make.unit)) for make in rows]
    purchase = _draft(supplier, by)
    for make, size in sizes:
        UnitMake.objects.filter(pk=make.pk).update(**supplied_columns(make.unit, size))
        PurchaseLine.objects.create(
            purchase=purchase, make=make, width=size.width, length=size.height, mount=make.unit.mount,
            basis=size.basis, packages_expected=max(1, len(make.packages)),
        )  # fmt: skip
    record(by=by, action="ordered units", subject=purchase, note=", ".join(make.unit.code for make in rows))
    return send_purchase(purchase=purchase, by=by) if is_sent else purchase


class StockLine(NamedTuple):
    """
    So many of a material, each of a length (and a roll's width); `price` as of stock: of one, or of a meter.

    `sure`: somebody said that a surprising number is right.
    """

    material: Material
    quantity: int
    length: Length | None = None
    width: Length | None = None
    price: Decimal | None = None
    sure: bool = False


@transaction.atomic
def order_stock(*, supplier: Supplier, lines: Collection[StockLine], by: User, is_sent: bool = True) -> Purchase:
    """
    One purchase of stock, sent at once or not yet, as `order_units`.

    Raises
    ------
    Refused
        A line without what its material is kept by: a length, of cloth a width too; a part of a pack; a number
        that is asked back, at the field ``sure``.
    """
    if not lines:
        raise Refused("choose at least one material", field="lines")
    for line in lines:
        check_line(line)
    purchase = _draft(supplier, by)
    for line in lines:
        PurchaseLine.objects.create(purchase=purchase, **_columns(line))
    record(by=by, action="ordered stock", subject=purchase)
    return send_purchase(purchase=purchase, by=by) if is_sent else purchase


def _columns(line: StockLine) -> dict[str, object]:
    return {name: value for name, value in line._asdict().items() if name != "sure"}


def line_as_it_stands(line: PurchaseLine) -> StockLine:
    """A line of stock as it would be ordered again; its numbers were asked back before."""
    assert line.material is not None
    return StockLine(line.material, line.quantity, line.length, line.width, line.price, sure=True)


def check_line(line: StockLine) -> None:
    """Refuses what no supplier can make sense of, and asks back what can't be meant."""
    material = line.material
    if line.quantity < 1:
        raise Refused(f"{material.name}: at least one", field="quantity", bound="1 or more")
    for name in _measures(material):
        size = getattr(line, name)
        if size is None or size <= ZERO:
            raise Refused(f"{material.name}: say what {name} is bought", field=name, bound="above 0")
    if why := off_pack(line.quantity, material.pack):
        raise Refused(f"{material.name}: {why}", field="quantity", bound=f"a multiple of {material.pack}")
    if not line.sure and (why := _odd(line)):
        raise Refused(f"{material.name}: {why}. Is that meant?", field="sure")


def _odd(line: StockLine) -> str:
    """Why the numbers of a line are asked back."""
    material, unit = line.material, line.material.branch.unit
    before = PurchaseLine.objects.filter(material=material).aggregate(most=Max("quantity"))["most"] or 0
    if line.length is None:
        return odd_number(line.quantity, before, by_length=False)
    is_alone = material.kind in STANDS_ALONE
    many = (
        odd_rolls(line.quantity, before, line.length, unit)
        if is_alone
        else odd_number(line.quantity, before, by_length=True)
    )
    if many and not is_alone:
        many = f"{line.quantity} of {line.length.text(unit, symbol=True)}; {many}"
    if material.kind == Material.Kind.CLOTH and line.length > MOST_ROLL:
        return many or f"a roll of {run_text(line.length, unit)} is longer than any"
    return many


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
        return StockLine(material, _whole_packs(short.missing, material))
    sizes = [row for row in material.facts.get("stock") or [] if row.get("length") or row.get("width")]
    if material.kind in {Material.Kind.CLOTH, Material.Kind.CORD}:
        step = Length.inches(36) if material.branch.unit == LengthUnit.INCH else Length.mm(1000)
        widest: Mapping[str, Any] = max(sizes, key=lambda row: read_length(row.get("width") or "0"), default={})
        width = read_length(widest["width"]) if widest.get("width") else None
        return StockLine(material, material.pack, need.short.up(step), width, _price(widest))
    long = [row for row in sizes if row.get("length")]
    usual: Mapping[str, Any] = next((row for row in long if read_length(row["length"]) == need.size), {})
    return StockLine(material, _whole_packs(short.missing, material), need.size, None, _price(usual))


def _whole_packs(count: int, material: Material) -> int:
    return -(-count // material.pack) * material.pack


def _price(row: Mapping[str, Any]) -> Decimal | None:
    return Decimal(row["price"]) if row.get("price") else None


class Needed(NamedTuple):
    """The day something is needed, and for what."""

    on: dt.date
    what: str


def needs_of(purchase: Purchase) -> dict[int, Needed]:
    """By line, when what is still to come of it is needed first; a line nobody needs by a day is left out."""
    waiting = purchase.lines.exclude(state__in=DONE).select_related("make__unit", "material")
    lines = list(waiting)
    parts = (
        Part.objects.filter(
            material__in=[line.material_id for line in lines if line.material_id], state__in=OPEN_PARTS,
            make__unit__due_on__isnull=False, make__unit__opening__job__cancelled_at=None,
        )
        .exclude(make__state=UnitMake.State.CANCELLED)
        .order_by("-make__unit__due_on")
        .values_list("material", "make__unit__due_on", "make__unit__code")
    )  # fmt: skip
    first = {material: (due, code) for material, due, code in parts}
    found = {}
    for line in lines:
        if line.make is not None:
            due, what = line.make.unit.due_on, line.make.unit.code
        else:
            due, code = first.get(line.material_id or 0, (None, ""))
            what = f"{line.material} for {code}"
        if due is not None:
            found[line.pk] = Needed(due, what)
    return found


def late_of(purchase: Purchase) -> list[str]:
    """What on it is expected after the day somebody needs it, in words, the earliest needed first."""
    comes = purchase.expected_on or (comes_if_sent(purchase) if purchase.state == Purchase.State.DRAFT else None)
    if comes is None:
        return []
    late = sorted(need for need in needs_of(purchase).values() if need.on < comes)
    return [f"{need.what} is due on {short_day(need.on)}" for need in late]


# -- before it is sent ---------------------------------------------------------------------


def _draft(supplier: Supplier, by: User) -> Purchase:
    """The supplier's purchase that is not sent yet, or a new one."""
    number = _next_number(supplier.branch)
    there = Purchase.objects.filter(supplier=supplier, state=Purchase.State.DRAFT).first()
    return there or Purchase.objects.create(
        branch=supplier.branch, supplier=supplier, number=number, state=Purchase.State.DRAFT, created_by=by
    )


def _held_draft(purchase: Purchase) -> Purchase:
    row = Purchase.objects.select_for_update(of=("self",)).select_related("supplier__branch").get(pk=purchase.pk)
    if row.state != Purchase.State.DRAFT:
        raise Refused(f"{row} is {row.get_state_display()} already", field="purchase")
    return row


@transaction.atomic
def send_purchase(*, purchase: Purchase, by: User) -> Purchase:
    """It goes to the supplier as it stands: ordered from now, expected by their lead time."""
    row = _held_draft(purchase)
    lines = list(row.lines.select_related("make__unit__opening"))
    if not lines:
        raise Refused(f"{row} has no line to order", field="purchase")
    row.expected_on = comes_if_sent(row)
    row.state, row.ordered_at = Purchase.State.ORDERED, timezone.now()
    row.save(update_fields=["state", "ordered_at", "expected_on"])
    makes = [line.make for line in lines if line.make is not None]
    Unit.objects.filter(make__in=makes).update(state=Unit.State.IN_WORKROOM)
    record(by=by, action="sent the purchase", subject=row, note=f"{len(lines)} line{'' if len(lines) == 1 else 's'}")
    for job in sorted({make.unit.opening.job_id for make in makes}):
        recompute_stage(job=job, by=by)
    return row


@transaction.atomic
def edit_draft(
    *,
    purchase: Purchase,
    by: User,
    note: str,
    lines: Mapping[int, StockLine | Decimal | None],
    left_out: Collection[int],
) -> Purchase:
    """
    What a purchase says before it is sent.

    Parameters
    ----------
    lines
        By its key what a line of stock becomes; of a unit its price.
    left_out
        Keys of lines that are not ordered after all; a unit may then be ordered elsewhere.
    """
    row = _held_draft(purchase)
    before, row.note = row.note, note.strip()
    row.save(update_fields=["note"])
    for line in row.lines.select_related("make__unit", "material"):
        sent = lines.get(line.pk)
        if line.pk in left_out:
            record(by=by, action="left out", subject=row, note=str(line))
            line.delete()
            continue
        if isinstance(sent, StockLine):
            check_line(sent)
            line.quantity, line.length, line.width, line.price = sent.quantity, sent.length, sent.width, sent.price
        elif line.make is not None:
            line.price = sent
        if changes := changed(line, ["quantity", "length", "width", "price"]):
            line.save(update_fields=["quantity", "length", "width", "price"])
            record(by=by, action="changed a line", subject=row, changes=changes, note=str(line))
    if before != row.note:
        record(by=by, action="changed the note", subject=row, changes={"note": [before, row.note]})
    return row


@transaction.atomic
def cancel_draft(*, purchase: Purchase, by: User) -> Purchase:
    """It is not sent after all; its units may be ordered elsewhere."""
    row = _held_draft(purchase)
    row.state = Purchase.State.CANCELLED
    row.save(update_fields=["state"])
    what = ", ".join(str(line) for line in row.lines.select_related("make__unit", "material"))
    row.lines.all().delete()
    record(by=by, action="cancelled before it was sent", subject=row, note=what[:240])
    return row


def comes_if_sent(purchase: Purchase) -> dt.date:
    """The day all of it is here, were it sent now."""
    return arrives_if_ordered(purchase.supplier, purchase.lines.values_list("material__lead_days", flat=True))


def arrives_if_ordered(supplier: Supplier, leads: Iterable[int | None]) -> dt.date:
    """The day an order of now is here: the longest lead time on it (None: the supplier's), its last hour counted."""
    here = timezone.now().astimezone(supplier.branch.tz)
    is_late = supplier.order_by is not None and here.time() > supplier.order_by
    days = max((supplier.lead_days if own is None else own for own in leads), default=supplier.lead_days)
    return _comes(supplier, here.date(), days + is_late)


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
