"""Stock: receive, count, correct, and the one way a figure changes."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from math import ceil
from typing import Any

from django.db import transaction
from django.db.models import Max

from fabrication.models import KeptEnd, LabelSize, Material, StockItem, StockMove
from fabrication.rules.labels import DoesNotFit, plan_label
from fabrication.rules.receiving import odd_length, odd_number, run_text
from shared.audit import record
from shared.codes import new_code
from shared.errors import Refused
from shared.lengths import ZERO, Length
from shared.models import Branch, User
from shared.records import read_length

STANDS_ALONE = (Material.Kind.CLOTH, Material.Kind.CORD)
"""Rolls and reels: each has its own code and grows shorter by itself."""


def fresh_code() -> str:
    """A code no stock item has."""
    while StockItem.objects.filter(code=(code := new_code())).exists():
        pass
    return code


def move_stock(*, item: StockItem, change: int, reason: str, by: User, note: str = "") -> StockItem:
    """
    Changes how many there are, leaving a line that says why. Call it in a transaction.

    Raises
    ------
    Refused
        When fewer would be left than batches have been promised.
    """
    held = StockItem.objects.select_for_update().get(pk=item.pk)
    left = held.quantity + change
    if left < held.reserved:
        raise Refused(
            f"{held.code}: {held.quantity} there, {held.reserved} promised to batches, {-change} asked",
            field="quantity",
            bound=f"at most {held.free}",
        )
    held.quantity = left
    held.save(update_fields=["quantity"])
    StockMove.objects.create(item=held, change=change, reason=reason, note=note, moved_by=by)
    item.quantity = left
    return held


@transaction.atomic
def receive_stock(
    *,
    material: Material,
    quantity: int,
    by: User,
    length: Length | None = None,
    width: Length | None = None,
    lot: str = "",
    shelf: str = "",
    price: Decimal | None = None,
    is_offcut: bool = False,
    note: str = "",
    sure: bool = True,
) -> StockItem:
    """
    Books stock in; equal bars and pieces of one lot on one shelf add up, a roll or reel always stands alone.

    `note`: what it came with. `sure`: False where nobody has said yet that a surprising number is right.

    Raises
    ------
    Refused
        Sizes it can't do without, several rolls at once; or, unless `sure`, at the field ``sure``, what a
        surprising number would mean.
    """
    _check_measures(material, quantity, length, width)
    if not sure:
        _ask_back(material, quantity, length, width)
    item = _same_stock(material, length, lot, shelf, price, is_offcut)
    if item is None:
        item = StockItem.objects.create(
            material=material,
            code=fresh_code(),
            length=length,
            width=width,
            lot=lot,
            shelf=shelf,
            price=price,
            is_offcut=is_offcut,
            quantity=0,
        )
    move_stock(item=item, change=quantity, reason=StockMove.Reason.RECEIVED, by=by, note=note)
    record(
        by=by,
        action="receive stock",
        subject=item,
        changes={"quantity": [item.quantity - quantity, item.quantity]},
    )
    return item


def _check_measures(material: Material, quantity: int, length: Length | None, width: Length | None) -> None:
    if quantity < 1:
        raise Refused("at least one must come in", field="quantity", bound="1 or more")
    needs_length = material.kind not in {Material.Kind.PIECE, Material.Kind.SET}
    if needs_length and (length is None or length <= ZERO):
        raise Refused(f"{material.name} is kept by length: say how long", field="length", bound="above 0")
    if material.kind == Material.Kind.CLOTH and (width is None or width <= ZERO):
        raise Refused("say how wide the roll is", field="width", bound="above 0")
    if material.kind in STANDS_ALONE and quantity != 1:
        raise Refused(
            f"{quantity} would be {quantity} rolls: receive one at a time, its yards or meters as its length",
            field="quantity",
            bound="1",
        )


def _ask_back(material: Material, quantity: int, length: Length | None, width: Length | None) -> None:
    """Refuses what is far off what came in before or can be bought, saying what it would mean."""
    unit, is_roll = material.branch.unit, material.kind == Material.Kind.CLOTH
    before = StockMove.objects.filter(item__material=material, reason=StockMove.Reason.RECEIVED)
    most = before.aggregate(most=Max("change"))["most"] or 0
    sizes = [read_length(row["length"]) for row in material.facts.get("stock") or [] if row.get("length")]
    odd = [odd_number(quantity, most, by_length=length is not None)]
    if length is not None:
        odd.append(odd_length(length, sizes, unit, is_roll=is_roll))
        odd.append("it would be wider than it is long" if width is not None and width > length else "")
    if why := "; ".join(filter(None, odd)):
        each = f", {run_text(length, unit)}" if length is not None else ""
        raise Refused(f"{quantity} × {material.name}{each}? {why[0].upper()}{why[1:]}.", field="sure")


def _same_stock(
    material: Material, length: Length | None, lot: str, shelf: str, price: Decimal | None, is_offcut: bool
) -> StockItem | None:
    if material.kind in STANDS_ALONE or is_offcut:
        return None
    same = StockItem.objects.filter(material=material, length=length, lot=lot, shelf=shelf, price=price)
    return same.filter(is_offcut=False).first()


@transaction.atomic
def mark_flaws(*, item: StockItem, flaws: Sequence[tuple[Length, Length]], by: User) -> StockItem:
    """Marks stretches of a roll that no piece may use, measured from its free end."""
    held = StockItem.objects.select_for_update().get(pk=item.pk)
    for start, end in flaws:
        if not ZERO <= start < end:
            raise Refused(f"a flaw runs from {start} to {end}", field="flaws", bound="forwards, from 0")
        if held.length is not None and end > held.length:
            raise Refused(f"the roll ends at {held.length}", field="flaws", bound=str(held.length))
    before, held.flaws = held.flaws, _merged([(start.ticks, end.ticks) for start, end in flaws])
    held.save(update_fields=["flaws"])
    record(by=by, action="mark flaws", subject=held, changes={"flaws": [before, held.flaws]})
    return held


def _merged(stretches: list[tuple[int, int]]) -> list[list[int]]:
    """In order along the roll, those that touch made one."""
    merged: list[list[int]] = []
    for start, end in sorted(stretches):
        if merged and start <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    return merged


@transaction.atomic
def let_end_go(*, kept: KeptEnd, by: User, reason: str) -> None:
    """The end of a roll is free for other jobs, before the job it was kept for is closed."""
    if not reason.strip():
        raise Refused("say why the end is not kept any more", field="reason")
    record(by=by, action="let a roll end go", subject=kept.item, job=kept.job_id, note=f"{kept.length}: {reason}")
    kept.delete()


@transaction.atomic
def save_label_size(*, branch: Branch, by: User, **fields: Any) -> LabelSize:
    """What a branch's labels are printed on: `LabelSize`'s own fields; refused as `check_label` says."""
    check_label(LabelSize(branch=branch, **fields))
    size, _ = LabelSize.objects.update_or_create(branch=branch, defaults=fields)
    record(by=by, action="set the label size", subject=size, note=f"{size.width} × {size.height}, {size.kind}")
    return size


def check_label(size: LabelSize) -> None:
    """
    Refuses a label that the code, the size and three lines do not fit on.

    Raises
    ------
    Refused
        At its width or height, with the least; at `start` where the sheet has no such label.
    """
    try:
        plan_label(size.width, size.height)
    except DoesNotFit as error:
        least = Length.mm(ceil(error.least_mm)).text(size.branch.unit, symbol=True)
        raise Refused(f"{error.problem}: at least {least}", field=error.side, bound=least) from None
    if size.kind == LabelSize.Kind.SHEET and size.start > size.columns * size.rows:
        raise Refused("the sheet has no such label", field="start", bound=f"1 to {size.columns * size.rows}")
