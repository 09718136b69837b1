"""What people do at the rack: count, measure, move, scrap, split, join; what was planned on it is made anew."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import transaction
from django.db.models import QuerySet

from fabrication.models import Batch, CutPlan, PlannedCut, StockItem, StockMove
from fabrication.services.bench import shifted
from fabrication.services.planning import drop_plan, new_stock_left, plan_material
from fabrication.services.stock import STANDS_ALONE, fresh_code, move_stock
from shared.audit import record
from shared.errors import Refused
from shared.lengths import ZERO, Length
from shared.models import Run, User

Reason = StockMove.Reason


def plans_on(item: StockItem) -> QuerySet[CutPlan]:
    """Plans that have something to cut from a stock piece, by batch."""
    plans = CutPlan.objects.filter(
        cuts__item=item, cuts__state=PlannedCut.State.TO_CUT, state=CutPlan.State.READY
    ).select_related("batch", "material")
    return plans.distinct().order_by("batch_id")


@contextmanager
def replanned(*, item: StockItem, why: str, by: User, only_if: bool = True) -> Iterator[tuple[StockItem, list[Run]]]:
    """
    Within it, the stock piece is locked and no plan stands on it; behind it, those that did are made anew.

    Call it in a transaction. `only_if`: False leaves the plans as they are. The list it yields has, behind
    it, a run for each plan that is made anew.
    """
    plans = list(plans_on(item)) if only_if else []
    for plan in plans:
        Batch.objects.select_for_update().get(pk=plan.batch_id)
    needed = [new_stock_left(plan) for plan in plans]
    for plan in plans:
        drop_plan(plan=plan)
    runs: list[Run] = []
    yield StockItem.objects.select_for_update(of=("self",)).select_related("material__branch").get(pk=item.pk), runs
    for plan, need in zip(plans, needed, strict=True):
        before = {"why": why[:160], "new_stock": need}
        runs.append(plan_material(batch=plan.batch, material=plan.material, by=by, before=before))


def _said(reason: str) -> str:
    if not reason.strip():
        raise Refused("say why", field="reason")
    return reason.strip()


def _is_reserved(item: StockItem, left: int) -> bool:
    """Whether batches were promised more than would be left of it."""
    return left < item.reserved or (not left and item.reserved_length > ZERO)


@transaction.atomic
def count_stock(*, item: StockItem, counted: int, reason: str, by: User) -> list[Run]:
    """
    Sets how many there are to what was counted; the reason is kept.

    Returns
    -------
    list of runs
        Where fewer are there than batches were promised: one for each plan that is made anew.
    """
    if counted < 0:
        raise Refused("a count is zero or more", field="counted", bound="0 or more")
    if item.material.kind in STANDS_ALONE and counted > 1:
        raise Refused(f"{item.code} is one roll: it is there or not", field="counted", bound="0 or 1")
    why, is_short = _said(reason), _is_reserved(item, counted)
    with replanned(item=item, why=f"counted {counted} of {item.code}: {why}", by=by, only_if=is_short) as (held, runs):
        before = held.quantity
        if counted != before:
            _change(held, counted - before, Reason.COUNTED, by, why)
        record(by=by, action="count stock", subject=held, changes={"quantity": [before, counted]}, note=why)
    return runs


def _change(held: StockItem, change: int, reason: str, by: User, why: str) -> None:
    """`move_stock`, for rolls too: one that a plan took meanwhile stays where it is."""
    if _is_reserved(held, held.quantity + change):
        raise Refused(f"{held.code} was planned meanwhile; look again", field="quantity")
    move_stock(item=held, change=change, reason=reason, by=by, note=why)


@transaction.atomic
def scrap_stock(*, item: StockItem, quantity: int, reason: str, by: User) -> list[Run]:
    """So many of it, or the whole roll, can't be used; plans that were promised them are made anew."""
    if not 1 <= quantity <= item.quantity:
        bound = f"1 to {item.quantity}"
        raise Refused(f"{item.code}: {item.quantity} there", field="quantity", bound=bound)
    why, is_short = _said(reason), _is_reserved(item, item.quantity - quantity)
    with replanned(item=item, why=f"{item.code} scrapped: {why}", by=by, only_if=is_short) as (held, runs):
        _change(held, -quantity, Reason.SCRAPPED, by, why)
        changes = {"quantity": [held.quantity + quantity, held.quantity]}
        record(by=by, action="scrap stock", subject=held, changes=changes, note=why)
    return runs


@transaction.atomic
def measure_stock(*, item: StockItem, length: Length, reason: str, by: User, width: Length | None = None) -> list[Run]:
    """
    Sets the length of each of it (and of cloth the width) to what was measured; plans that stood on it are made anew.

    A roll that is still long enough for what it was promised keeps its plans. Flaws beyond a roll's new
    end are gone.
    """
    old, wide = item.length, width or item.width
    if old is None:
        raise Refused(f"{item.material.name} is kept by the piece", field="length")
    if length <= ZERO:
        raise Refused("measure it", field="length", bound="above 0")
    if width is not None and (item.width is None or width <= ZERO):
        raise Refused("only cloth has a width, above 0", field="width")
    why, is_roll = _said(reason), item.material.kind in STANDS_ALONE
    stands = is_roll and wide == item.width and length >= item.reserved_length and not item.flaws
    note = f"{_size(item, old, item.width)} is {_size(item, length, wide)}: {why}"
    with replanned(item=item, why=f"{item.code} measured again, {note}", by=by, only_if=not stands) as (held, runs):
        if held.length != old or held.reserved_length > length or (not is_roll and held.reserved):
            raise Refused(f"{held.code} was cut or planned meanwhile; look again", field="length")
        held.length, held.width = length, wide
        held.flaws = [[start, min(end, length.ticks)] for start, end in held.flaws if start < length.ticks]
        held.save(update_fields=["length", "width", "flaws"])
        _note(held, Reason.MEASURED, by, note)
        record(by=by, action="measure stock", subject=held, changes={"length": [old, length]}, note=note)
    return runs


def _size(item: StockItem, length: Length, width: Length | None) -> str:
    unit = item.material.branch.unit
    return f"{width.text(unit)} × {length.text(unit, symbol=True)}" if width else length.text(unit, symbol=True)


@transaction.atomic
def shelve_stock(*, item: StockItem, shelf: str, reason: str, by: User) -> list[Run]:
    """All of it lies somewhere else from now on; no plan changes by that."""
    why, shelf = _said(reason), shelf.strip()
    held = StockItem.objects.select_for_update().get(pk=item.pk)
    was, held.shelf = held.shelf, shelf
    held.save(update_fields=["shelf"])
    _note(held, Reason.MOVED, by, f"{was or 'no place'} to {shelf or 'no place'}: {why}")
    record(by=by, action="move stock", subject=held, changes={"place": [was, shelf]}, note=why)
    return []


def _note(held: StockItem, reason: str, by: User, note: str) -> None:
    """A line of its history that changes no count."""
    StockMove.objects.create(item=held, change=0, reason=reason, moved_by=by, note=note[:160])


@transaction.atomic
def split_stock(
    *, item: StockItem, reason: str, by: User, quantity: int | None = None, length: Length | None = None
) -> list[Run]:
    """
    Some of it goes on under a code of its own: so many bars or pieces, or so much of a roll's free end.

    What batches were promised stays with the old code, so no plan changes.
    """
    why, held = _said(reason), _locked(item)
    if held.material.kind in STANDS_ALONE:
        other = _split_roll(held, length, by, why)
    else:
        other = _split_pieces(held, quantity, by, why)
    record(by=by, action="split stock", subject=held, note=f"{other.code}: {why}")
    return []


def _locked(item: StockItem) -> StockItem:
    return StockItem.objects.select_for_update(of=("self",)).select_related("material__branch").get(pk=item.pk)


def _split_pieces(held: StockItem, quantity: int | None, by: User, why: str) -> StockItem:
    most = min(held.free, held.quantity - 1)
    if quantity is None or not 1 <= quantity <= most:
        raise Refused(f"{held.code}: {most} can be split off, the rest stays", field="quantity", bound=f"1 to {most}")
    other = _like(held, held.length)
    move_stock(item=held, change=-quantity, reason=Reason.SPLIT, by=by, note=f"to {other.code}: {why}"[:160])
    return move_stock(item=other, change=quantity, reason=Reason.SPLIT, by=by, note=f"of {held.code}: {why}"[:160])


def _split_roll(held: StockItem, length: Length | None, by: User, why: str) -> StockItem:
    unit = held.material.branch.unit
    most = held.free_length if held.quantity else ZERO
    if length is None or held.length is None or not ZERO < length <= most or length == held.length:
        shown = most.text(unit, symbol=True)
        raise Refused(f"{shown} of {held.code} can be split off, and some of it stays", field="length", bound=shown)
    if held.flaws and held.reserved_length:
        raise Refused(f"{held.code} has flaws and is planned: where its cuts lie would change", field="length")
    other = _like(held, length)
    other.flaws = [[start, min(end, length.ticks)] for start, end in held.flaws if start < length.ticks]
    other.save(update_fields=["flaws"])
    held.length, held.flaws = held.length - length, shifted(held.flaws, -length.ticks)
    held.save(update_fields=["length", "flaws"])
    _note(held, Reason.SPLIT, by, f"{length.text(unit, symbol=True)} to {other.code}: {why}")
    return move_stock(item=other, change=1, reason=Reason.SPLIT, by=by, note=f"of {held.code}: {why}"[:160])


def _like(held: StockItem, length: Length | None) -> StockItem:
    """A stock piece that is as this one in all but its code, its length, and that none of it is there yet."""
    return StockItem.objects.create(
        material=held.material, code=fresh_code(), length=length, width=held.width, lot=held.lot, shelf=held.shelf,
        price=held.price, is_offcut=held.is_offcut, quantity=0,
    )  # fmt: skip


def joinable(item: StockItem) -> QuerySet[StockItem]:
    """Bars or pieces that can be joined with these: of one lot, size and price, and promised to no batch."""
    if item.material.kind in STANDS_ALONE:
        return StockItem.objects.none()
    same = StockItem.objects.filter(
        material=item.material_id, length=item.length, width=item.width, lot=item.lot, price=item.price,
        is_offcut=item.is_offcut,
    )  # fmt: skip
    return same.filter(quantity__gt=0, reserved=0).exclude(pk=item.pk)


@transaction.atomic
def join_stock(*, item: StockItem, other: StockItem, reason: str, by: User) -> list[Run]:
    """All of `other` goes on under this code; its own code has none left. No plan changes."""
    why = _said(reason)
    list(StockItem.objects.select_for_update().filter(pk__in=[item.pk, other.pk]).order_by("pk"))
    held = _locked(item)
    if not joinable(held).filter(pk=other.pk).exists():
        raise Refused(
            f"{other.code} can't join {held.code}: only bars or pieces of one material, lot, size and price that no "
            "batch was promised",
            field="other",
        )
    moved = _locked(other)
    number = moved.quantity
    move_stock(item=moved, change=-number, reason=Reason.JOINED, by=by, note=f"to {held.code}: {why}"[:160])
    move_stock(item=held, change=number, reason=Reason.JOINED, by=by, note=f"of {moved.code}: {why}"[:160])
    record(by=by, action="join stock", subject=held, note=f"{number} of {moved.code}: {why}")
    return []
