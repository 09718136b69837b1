"""The bench: cut, undo, miscut, pull, check. A piece is in the books once."""

from __future__ import annotations

from collections import Counter

from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone

from fabrication.models import Batch, Material, Part, PlannedCut, StockItem, StockMove, UnitMake
from fabrication.services.planning import free_stock, plan_material
from fabrication.services.stock import fresh_code, move_stock
from jobs.services import lock_job, recompute_stage
from measuring.models import Unit
from shared.audit import record
from shared.errors import Refused
from shared.lengths import ZERO, Length
from shared.models import Run, User

# -- cutting -----------------------------------------------------------------------


@transaction.atomic
def mark_cut(*, cut: PlannedCut, by: User) -> PlannedCut:
    """
    Books one planned stock piece (or cross cut) as cut: parts done, stock down, offcut back.

    A second tap on the same cut changes nothing.
    """
    cut = _held(cut)
    if cut.state == PlannedCut.State.CUT:
        return cut
    if cut.state == PlannedCut.State.DROPPED:
        raise Refused("this cut was planned anew; look at the current plan")
    _use_stock(cut, by)
    for part_id, pieces in Counter(piece["part"] for piece in cut.pieces).items():
        _count_part(part_id, pieces)
    if cut.keeps_offcut:
        cut.offcut = _put_back_offcut(cut, by)
    cut.state, cut.cut_by, cut.cut_at = PlannedCut.State.CUT, by, timezone.now()
    cut.save(update_fields=["state", "cut_by", "cut_at", "offcut"])
    record(by=by, deed="cut", subject=cut, note=f"{len(cut.pieces)} pieces")
    settle_batch(batch=cut.plan.batch)
    return cut


@transaction.atomic
def undo_cut(*, cut: PlannedCut, by: User) -> PlannedCut:
    """Takes a cut back that was tapped by mistake; refused once its offcut was used."""
    cut = _held(cut)
    if cut.state != PlannedCut.State.CUT:
        return cut
    offcut = cut.offcut and StockItem.objects.select_for_update().get(pk=cut.offcut_id)
    if offcut and (offcut.quantity != 1 or offcut.reserved or offcut.cuts.exclude(state="dropped").exists()):
        raise Refused(f"its offcut {offcut.code} was used since")
    for part_id, pieces in Counter(piece["part"] for piece in cut.pieces).items():
        _count_part(part_id, -pieces)
    if offcut:
        move_stock(item=offcut, change=-1, reason=StockMove.Reason.CORRECTED, by=by, note="cut undone")
    _give_stock_back(cut, by)
    cut.state, cut.cut_by, cut.cut_at, cut.offcut = PlannedCut.State.TO_CUT, None, None, None
    cut.save(update_fields=["state", "cut_by", "cut_at", "offcut"])
    record(by=by, deed="undid a cut", subject=cut)
    settle_batch(batch=cut.plan.batch)
    return cut


@transaction.atomic
def report_miscut(*, cut: PlannedCut, spoiled: list[int], by: User, reason: str) -> Run:
    """
    Books a stock piece as cut with some pieces spoiled, and has what is left planned anew.

    Parameters
    ----------
    spoiled
        Places in ``cut.pieces`` of the pieces that can't be used.
    """
    cut = _held(cut)
    if cut.state != PlannedCut.State.TO_CUT:
        raise Refused("only a piece that is to be cut can be reported as miscut")
    if not spoiled or any(not 0 <= place < len(cut.pieces) for place in spoiled):
        raise Refused("say which pieces are spoiled", field="spoiled", bound=f"0 to {len(cut.pieces) - 1}")
    _use_stock(cut, by)
    good = [piece for place, piece in enumerate(cut.pieces) if place not in set(spoiled)]
    for part_id, pieces in Counter(piece["part"] for piece in good).items():
        _count_part(part_id, pieces)
    lost = {cut.pieces[place]["part"] for place in spoiled}
    Part.objects.filter(pk__in=lost, state=Part.State.PLANNED).update(state=Part.State.TO_CUT)
    cut.state, cut.cut_by, cut.cut_at = PlannedCut.State.CUT, by, timezone.now()
    cut.pieces = [piece | {"spoiled": place in set(spoiled)} for place, piece in enumerate(cut.pieces)]
    cut.keeps_offcut = False
    cut.save(update_fields=["state", "cut_by", "cut_at", "pieces", "keeps_offcut"])
    record(by=by, deed="reported a miscut", subject=cut, note=reason)
    return plan_material(batch=cut.plan.batch, material=cut.plan.material, by=by)


def _held(cut: PlannedCut) -> PlannedCut:
    """The cut under its batch's lock, so that two screens take turns."""
    Batch.objects.select_for_update().get(plans=cut.plan_id)
    return (
        PlannedCut.objects.select_for_update(of=("self",))
        .select_related("plan__batch", "plan__material", "item")
        .get(pk=cut.pk)
    )


def _use_stock(cut: PlannedCut, by: User) -> None:
    free_stock(cut)
    item = StockItem.objects.select_for_update().get(pk=cut.item_id)
    if cut.plan.material.kind == Material.Kind.CLOTH:
        item.length -= cut.length
        item.save(update_fields=["length"])
        if item.length <= ZERO:
            move_stock(item=item, change=-1, reason=StockMove.Reason.CUT, by=by, note="run off")
        else:
            StockMove.objects.create(
                item=item, change=0, reason=StockMove.Reason.CUT, moved_by=by, note=f"{cut.length} run off"
            )
    else:
        move_stock(item=item, change=-1, reason=StockMove.Reason.CUT, by=by, note=str(cut.plan.batch))


def _give_stock_back(cut: PlannedCut, by: User) -> None:
    item = StockItem.objects.select_for_update().get(pk=cut.item_id)
    if cut.plan.material.kind == Material.Kind.CLOTH:
        if item.length <= ZERO:
            move_stock(item=item, change=1, reason=StockMove.Reason.CORRECTED, by=by, note="cut undone")
        StockItem.objects.filter(pk=item.pk).update(
            length=F("length") + cut.length.ticks, reserved_length=F("reserved_length") + cut.length.ticks
        )
    else:
        move_stock(item=item, change=1, reason=StockMove.Reason.CORRECTED, by=by, note="cut undone")
        StockItem.objects.filter(pk=item.pk).update(reserved=F("reserved") + 1)


def _count_part(part_id: int, pieces: int) -> None:
    part = Part.objects.select_for_update().get(pk=part_id)
    part.done += pieces
    if part.state != Part.State.CANCELLED:
        part.state = Part.State.CUT if part.done >= part.quantity else Part.State.PLANNED
    part.save(update_fields=["done", "state"])


def _put_back_offcut(cut: PlannedCut, by: User) -> StockItem:
    """What is left goes back to stock under a code of its own."""
    is_roll = cut.plan.material.kind == Material.Kind.CLOTH
    offcut = StockItem.objects.create(
        material=cut.plan.material,
        code=fresh_code(),
        length=cut.length if is_roll else cut.left,
        width=cut.left if is_roll else None,
        lot=cut.item.lot,
        place=cut.item.place,
        is_offcut=True,
        quantity=0,
    )
    move_stock(item=offcut, change=1, reason=StockMove.Reason.OFFCUT, by=by, note=f"of {cut.item.code}")
    return offcut


# -- pulling -----------------------------------------------------------------------


@transaction.atomic
def pull_part(*, part: Part, by: User) -> Part:
    """Takes the pieces of a part from the store; stock goes down from the fullest place first."""
    batch = Batch.objects.select_for_update().filter(makes__parts=part).first()
    part = (
        Part.objects.select_for_update(of=("self",)).select_related("make__unit__opening", "material").get(pk=part.pk)
    )
    if part.state == Part.State.PULLED:
        return part
    if part.state != Part.State.TO_PULL:
        raise Refused(f"{part.name} is cut, not pulled", field="part")
    if part.material.kind == Material.Kind.CORD:
        _pull_by_length(part, by)
    else:
        _pull_by_count(part, by)
    part.done, part.state = part.quantity, Part.State.PULLED
    part.save(update_fields=["done", "state"])
    record(by=by, deed="pulled", subject=part, job=part.make.unit.opening.job_id)
    if batch:
        settle_batch(batch=batch)
    return part


def _pull_by_count(part: Part, by: User) -> None:
    missing = part.quantity
    for item in part.material.stock.select_for_update().available().order_by("-quantity", "pk"):
        take = min(missing, item.free)
        move_stock(item=item, change=-take, reason=StockMove.Reason.PULLED, by=by, note=part.make.unit.code)
        missing -= take
        if not missing:
            return
    raise Refused(
        f"{part.quantity - missing} of {part.quantity} {part.material.name} in stock",
        field="quantity",
        bound=f"{part.quantity - missing} free",
    )


def _pull_by_length(part: Part, by: User) -> None:
    """Cord and chain come off a reel."""
    need = (part.length or ZERO) * part.quantity
    items = part.material.stock.select_for_update().filter(length__isnull=False).order_by("length", "pk")
    reel = next((item for item in items if item.free_length >= need and item.quantity), None)
    if reel is None:
        raise Refused(f"no reel of {part.material.name} holds {need}", field="length")
    reel.length -= need
    reel.save(update_fields=["length"])
    StockMove.objects.create(
        item=reel,
        change=0,
        reason=StockMove.Reason.PULLED,
        moved_by=by,
        note=f"{need} for {part.make.unit.code}",
    )


# -- assembly and check --------------------------------------------------------------


def settle_batch(*, batch: Batch) -> None:
    """Units whose parts are all there go to assembly; the batch's state follows."""
    open_parts = Q(parts__state__in=[Part.State.TO_CUT, Part.State.PLANNED, Part.State.TO_PULL])
    makes = batch.makes.exclude(state__in=[UnitMake.State.MADE, UnitMake.State.CANCELLED])
    waiting = makes.filter(open_parts).distinct()
    begun = Q(parts__done__gt=0)
    UnitMake.objects.filter(pk__in=list(waiting.filter(begun).values_list("pk", flat=True))).update(
        state=UnitMake.State.CUTTING
    )
    settled = [UnitMake.State.ASSEMBLY, UnitMake.State.BACK]
    ready = makes.exclude(pk__in=waiting.values("pk")).exclude(state__in=settled)
    UnitMake.objects.filter(pk__in=list(ready.values_list("pk", flat=True))).update(state=UnitMake.State.ASSEMBLY)
    state = _batch_state(batch)
    if state != batch.state:
        Batch.objects.filter(pk=batch.pk).update(state=state)
        batch.state = state


def _batch_state(batch: Batch) -> str:
    if not batch.makes.exclude(state__in=[UnitMake.State.MADE, UnitMake.State.CANCELLED]).exists():
        return Batch.State.DONE
    cuttable = Part.objects.filter(make__batch=batch)
    if not cuttable.filter(state__in=[Part.State.TO_CUT, Part.State.PLANNED]).exists():
        return Batch.State.CUT
    if cuttable.filter(done__gt=0).exists():
        return Batch.State.CUTTING
    return Batch.State.PLANNED if batch.state == Batch.State.PLANNED else batch.state


@transaction.atomic
def check_unit(*, make: UnitMake, width: Length, height: Length, by: User) -> UnitMake:
    """
    Records the measured result; within tolerance the unit is made, else it goes back.

    The tolerance is the recipe's; an inside mount is never over its finished width.
    """
    lock_job(make.unit.opening.job_id)
    make = (
        UnitMake.objects.select_for_update(of=("self",)).select_related("unit__opening__job", "batch").get(pk=make.pk)
    )
    if make.state not in {UnitMake.State.ASSEMBLY, UnitMake.State.BACK}:
        raise Refused(f"{make.unit.code} is {make.get_state_display()}; only an assembled unit is checked")
    problem = outside_tolerance(make, width, height)
    make.checked_width, make.checked_height = width, height
    make.checked_by, make.checked_at = by, timezone.now()
    make.state = UnitMake.State.BACK if problem else UnitMake.State.MADE
    make.save(update_fields=["checked_width", "checked_height", "checked_by", "checked_at", "state"])
    job = make.unit.opening.job
    changes = {
        "finished width": [make.finished_width, width],
        "finished height": [make.finished_height, height],
    }
    if problem:
        record(by=by, deed="sent back to the bench", subject=make.unit, job=job, changes=changes, note=problem)
        return make
    Unit.objects.filter(pk=make.unit_id).update(state=Unit.State.MADE, made_at=timezone.now())
    record(by=by, deed="checked as made", subject=make.unit, job=job, changes=changes)
    if make.batch:
        settle_batch(batch=make.batch)
    recompute_stage(job=job, by=by)
    return make


def outside_tolerance(make: UnitMake, width: Length, height: Length) -> str:
    """Why the measured result can't go out; empty when it can."""
    for name, wanted, got, under, over in (
        ("width", make.finished_width, width, *tolerance_of(make, "width")),
        ("height", make.finished_height, height, *tolerance_of(make, "height")),
    ):
        if not wanted - under <= got <= wanted + over:
            return f"{name} {got} is outside {wanted - under} to {wanted + over}"
    return ""


def tolerance_of(make: UnitMake, side: str) -> tuple[Length, Length]:
    """Under and over, from the figures kept with the unit when it was made up."""
    under, over = make.figures.get("tolerance", {}).get(side, [0, 0])
    return Length(under), Length(over)
