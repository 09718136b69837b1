"""The bench: cut, undo, pull, check. A piece is in the books once; `miscuts` has what goes wrong."""

from __future__ import annotations

from collections import Counter

from django.db import transaction
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from fabrication.models import Batch, CutPlan, KeptEnd, Material, Part, PlannedCut, StockItem, StockMove, UnitMake
from fabrication.services.assembly import steps_left
from fabrication.services.begun import (
    cut_positions,
    offcut_size,
    put_back,
)
from fabrication.services.planning import free_stock
from fabrication.services.stock import move_stock
from jobs.services.stages import lock_job, recompute_stage
from measuring.adapters.changes import refuse_held
from measuring.models import Unit
from shared.audit import entry, record, record_all
from shared.errors import Refused
from shared.lengths import ZERO, Length
from shared.models import User

CHANGED_LENGTH = (StockMove.Reason.MEASURED, StockMove.Reason.SPLIT)
CUT_OR_BEGUN = (PlannedCut.State.CUT, PlannedCut.State.BEGUN)

TAPPED = "tapped by mistake"
"""Why a cut is undone, unless somebody says otherwise."""

# -- cutting -----------------------------------------------------------------------


@transaction.atomic
def mark_cut(*, cut: PlannedCut, by: User) -> PlannedCut:
    """
    Books one planned stock piece (or cross cut) as cut: parts done, stock down, offcut back.

    A second tap on the same cut changes nothing.
    """
    cut = held_cut(cut)
    if cut.state != PlannedCut.State.CUT:
        _set_cut(cut, set(range(len(cut.pieces))), by, "cut")
    return cut


@transaction.atomic
def mark_alike(*, cut: PlannedCut, by: User) -> list[PlannedCut]:
    """Books a cut and all that are to be cut exactly like it, for the same parts off the same stock: one set-up."""
    first = held_cut(cut)
    alike = first.plan.cuts.filter(item=first.item_id, state=PlannedCut.State.TO_CUT).order_by("order")
    same = [row for row in alike if likeness(row) == likeness(first)]
    return [mark_cut(cut=row, by=by) for row in same or [first]]


def likeness(cut: PlannedCut) -> tuple[object, ...]:
    """Two cuts of a plan with the same likeness are one set-up: same stock, same pieces at the same stops."""
    stops = tuple((piece["part"], piece["at"], piece["turned"]) for piece in cut.pieces)
    return cut.item_id, cut.length, cut.skipped, stops


@transaction.atomic
def mark_piece(*, cut: PlannedCut, position: int, by: User) -> PlannedCut:
    """Books one piece of a stock piece; the first takes the stock, the last ends it. A second tap changes nothing."""
    cut = held_cut(cut)
    done = cut_positions(cut)
    _check_position(cut, position)
    if position not in done:
        _set_cut(cut, done | {position}, by, f"cut piece {position + 1}")
    return cut


@transaction.atomic
def undo_cut(*, cut: PlannedCut, by: User, reason: str = "") -> PlannedCut:
    """Takes a cut back that was tapped by mistake, and says why; refused once its offcut was used."""
    cut = held_cut(cut)
    if cut.state in {PlannedCut.State.CUT, PlannedCut.State.BEGUN}:
        _set_cut(cut, set(), by, "undid a cut", reason.strip() or TAPPED)
    return cut


@transaction.atomic
def undo_piece(*, cut: PlannedCut, position: int, by: User, reason: str = "") -> PlannedCut:
    """Takes the tap on one piece back."""
    cut = held_cut(cut)
    done = cut_positions(cut)
    _check_position(cut, position)
    if position in done:
        _set_cut(cut, done - {position}, by, f"undid piece {position + 1}", reason.strip() or TAPPED)
    return cut


def _check_position(cut: PlannedCut, position: int) -> None:
    if not 0 <= position < len(cut.pieces):
        raise Refused(f"this cut has no piece {position + 1}", field="position", bound=f"1 to {len(cut.pieces)}")


def held_cut(cut: PlannedCut) -> PlannedCut:
    """The cut under its batch's lock, so that two screens take turns."""
    Batch.objects.select_for_update().get(plans=cut.plan_id)
    return (
        PlannedCut.objects.select_for_update(of=("self",))
        .select_related("plan__batch", "plan__material", "item")
        .get(pk=cut.pk)
    )


def _set_cut(cut: PlannedCut, wanted: set[int], by: User, action: str, why: str = "") -> None:
    """Brings the books to these pieces being cut: stock, parts, offcut, state."""
    if cut.state == PlannedCut.State.DROPPED or cut.plan.state == CutPlan.State.REPLACED:
        raise Refused("this was planned anew since; look at the current plan")
    done = cut_positions(cut)
    if done and not wanted <= done and cut.state == PlannedCut.State.CUT:
        raise Refused("it is all cut already")
    if cut.state == PlannedCut.State.CUT and wanted != done:
        _take_offcut_back(cut, by)
    if not done and wanted:
        use_stock(cut, by)
        cut.cut_by, cut.cut_at = by, timezone.now()
    count_pieces(cut, wanted - done, 1)
    count_pieces(cut, done - wanted, -1)
    if done and not wanted:
        _give_stock_back(cut, by, why)
        cut.cut_by, cut.cut_at = None, None
    cut.pieces = [piece | {"cut": position in wanted} for position, piece in enumerate(cut.pieces)]
    cut.state = _state_for(cut, wanted)
    if cut.state == PlannedCut.State.CUT and cut.keeps_offcut and cut.offcut is None:
        cut.offcut = put_back(cut, by, *offcut_size(cut, cut.left))
    cut.save(update_fields=["state", "cut_by", "cut_at", "offcut", "pieces", "flaws_before"])
    record(by=by, action=action, subject=cut, note=move_note(f"{len(wanted)} of {len(cut.pieces)} pieces", why))
    if done - wanted:
        note_in_units(cut, done - wanted, by, "cut undone", why)
    settle_batch(batch=cut.plan.batch)


def _state_for(cut: PlannedCut, wanted: set[int]) -> str:
    if not wanted:
        return PlannedCut.State.TO_CUT
    return PlannedCut.State.CUT if len(wanted) == len(cut.pieces) else PlannedCut.State.BEGUN


def count_pieces(cut: PlannedCut, positions: set[int], sign: int) -> None:
    for part_id, pieces in sorted(Counter(cut.pieces[position]["part"] for position in positions).items()):
        _count_part(part_id, sign * pieces, cut)


def _count_part(part_id: int, pieces: int, cut: PlannedCut) -> None:
    part = Part.objects.select_for_update(of=("self",)).select_related("make").get(pk=part_id)
    part.done += pieces
    if part.state != Part.State.CANCELLED:
        here = part.make.batch_id == cut.plan.batch_id  # it may have left the batch with what was cut of it
        left = Part.State.PLANNED if here else Part.State.TO_CUT
        part.state = Part.State.CUT if part.done >= part.quantity else left
    part.lot = cut.item.lot if part.done else ""
    part.save(update_fields=["done", "state", "lot"])


# -- stock under a cut -------------------------------------------------------------


def use_stock(cut: PlannedCut, by: User, why: str = "", run_off: Length | None = None) -> None:
    """
    The bar leaves the rack, or the roll grows shorter by what is run off; `why` stands with the move.

    `run_off`: what was really run off for the cut, where it is not what was planned.
    """
    free_stock(cut)
    item = StockItem.objects.select_for_update().get(pk=cut.item_id)
    if cut.plan.material.kind != Material.Kind.CLOTH:
        move_stock(item=item, change=-1, reason=StockMove.Reason.CUT, by=by, note=move_note(cut.plan.batch, why))
        return
    if item.flaws:
        _refuse_out_of_turn(cut, item)
    if run_off is not None:
        most = item.free_length - cut.skipped
        if not ZERO < run_off <= most:
            raise Refused(
                f"{most} of {item.code} can be run off", field="run_off", bound=f"more than 0, at most {most}"
            )
        cut.length = run_off
    cut.flaws_before = item.flaws
    assert item.length is not None  # a roll has one
    item.length -= cut.run_off
    item.flaws = shifted(item.flaws, -cut.run_off.ticks)
    item.save(update_fields=["length", "flaws"])
    if item.length <= ZERO:
        move_stock(item=item, change=-1, reason=StockMove.Reason.CUT, by=by, note=move_note("run off", why))
    else:
        note = move_note(f"{cut.run_off} run off", why)
        StockMove.objects.create(item=item, change=0, reason=StockMove.Reason.CUT, moved_by=by, note=note)
    keep_ends(item=item, cut=cut)


def move_note(what: object, why: str) -> str:
    return f"{what}, {why}"[:160] if why else str(what)


def _refuse_out_of_turn(cut: PlannedCut, item: StockItem) -> None:
    """On a roll with flaws every cut has its place: what lies before it comes first."""
    first = (
        PlannedCut.objects.filter(item=item, state=PlannedCut.State.TO_CUT, plan=cut.plan, order__lt=cut.order)
        .order_by("order")
        .first()
    )
    if first is not None:
        raise Refused(f"{item.code} has flaws: cut {first.order} lies before this one on the roll", field="cut")


def shifted(flaws: list[list[int]], by_ticks: int) -> list[list[int]]:
    """Flaws of a roll whose free end has moved; those that were run off are gone."""
    moved = [[max(0, start + by_ticks), end + by_ticks] for start, end in flaws]
    return [flaw for flaw in moved if flaw[1] > 0]


def note_in_units(cut: PlannedCut, positions: set[int], by: User, action: str, why: str) -> None:
    """What became of these pieces, in the history of each unit they are for."""
    pieces = Counter(cut.pieces[position]["part"] for position in positions)
    parts = Part.objects.filter(pk__in=pieces).select_related("make__unit__opening").order_by("pk")
    record_all(
        entry(
            by=by, action=f"{part.name}: {action}", subject=part.make.unit, job=part.make.unit.opening.job_id,
            note=move_note(f"{pieces[part.pk]} of {cut.item.code}", why),
        )
        for part in parts
    )  # fmt: skip


def _give_stock_back(cut: PlannedCut, by: User, why: str) -> None:
    item = StockItem.objects.select_for_update().get(pk=cut.item_id)
    note = move_note(f"cut of {cut.plan.batch} undone", why)
    if cut.plan.material.kind == Material.Kind.CLOTH:
        later = PlannedCut.objects.filter(item=item, state__in=CUT_OR_BEGUN, cut_at__gt=cut.cut_at).exclude(pk=cut.pk)
        if (cut.flaws_before or item.flaws) and later.exists():
            raise Refused(f"{item.code} has flaws and was cut again since; undo the last cut first")
        _refuse_measured_since(cut, item)
        is_run_off = item.length is not None and item.length <= ZERO
        if is_run_off:
            move_stock(item=item, change=1, reason=StockMove.Reason.CORRECTED, by=by, note=note)
        else:
            back = move_note(f"cut of {cut.plan.batch} undone, {cut.run_off} back", why)
            StockMove.objects.create(item=item, change=0, reason=StockMove.Reason.CORRECTED, moved_by=by, note=back)
        flaws = cut.flaws_before if cut.flaws_before else item.flaws
        StockItem.objects.filter(pk=item.pk).update(
            length=F("length") + cut.run_off.ticks,
            reserved_length=F("reserved_length") + cut.run_off.ticks,
            flaws=flaws,
        )
        cut.flaws_before = []
    else:
        _refuse_measured_since(cut, item)
        move_stock(item=item, change=1, reason=StockMove.Reason.CORRECTED, by=by, note=note)
        StockItem.objects.filter(pk=item.pk).update(reserved=F("reserved") + 1)


def _refuse_measured_since(cut: PlannedCut, item: StockItem) -> None:
    """What was measured or taken off the rack after a cut was tapped does not stand as it did before the tap."""
    gone = not item.quantity and cut.plan.material.kind == Material.Kind.CLOTH and item.length
    since = item.moves.filter(moved_at__gte=cut.cut_at, reason__in=CHANGED_LENGTH)
    if gone or since.exists():
        raise Refused(
            f"{item.code} was {'taken off the rack' if gone else 'measured again or split'} since; count it instead"
        )


def keep_ends(*, item: StockItem, cut: PlannedCut) -> None:
    """The end of the roll stays for remakes of the jobs it was cut for, as long as their longest cross cut."""
    if item.is_offcut:
        return
    parts = Part.objects.filter(pk__in={piece["part"] for piece in cut.pieces})
    for job_id in set(parts.values_list("make__unit__opening__job", flat=True)):
        kept, _ = KeptEnd.objects.get_or_create(item=item, job_id=job_id, defaults={"length": cut.length})
        if kept.length < cut.length:
            kept.length = cut.length
            kept.save(update_fields=["length"])


def _take_offcut_back(cut: PlannedCut, by: User) -> None:
    if cut.offcut_id is None:
        return
    offcut = StockItem.objects.select_for_update().get(pk=cut.offcut_id)
    used = offcut.cuts.exclude(state=PlannedCut.State.DROPPED).exists()
    used = used or offcut.moves.filter(reason__in=CHANGED_LENGTH).exists()
    if offcut.quantity != 1 or offcut.reserved or offcut.reserved_length or used:
        raise Refused(f"its offcut {offcut.code} was used since")
    move_stock(item=offcut, change=-1, reason=StockMove.Reason.CORRECTED, by=by, note="cut undone")
    cut.offcut = None


# -- pulling -----------------------------------------------------------------------


def pulled_parts(batch: Batch) -> QuerySet[Part]:
    """What a batch takes from the store, pulled already or not, by material."""
    parts = Part.objects.filter(make__batch=batch, state__in=[Part.State.TO_PULL, Part.State.PULLED])
    return parts.select_related("material", "make__unit").order_by("material__name", "make__unit__code", "pk")


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
    record(by=by, action="pulled", subject=part, job=part.make.unit.opening.job_id)
    if batch:
        settle_batch(batch=batch)
    return part


@transaction.atomic
def pull_material(*, batch: Batch, material: Material, by: User) -> list[Part]:
    """All that a batch still takes of a material, for every unit; nothing where the stock is short of any."""
    wanted = pulled_parts(batch).filter(material=material, state=Part.State.TO_PULL)
    return [pull_part(part=part, by=by) for part in wanted]


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
    assert reel.length is not None  # asked for above
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
        UnitMake.objects.select_for_update(of=("self",))
        .select_related("unit__opening__job__branch", "unit__product", "batch")
        .get(pk=make.pk)
    )
    if make.state not in {UnitMake.State.ASSEMBLY, UnitMake.State.BACK}:
        raise Refused(f"{make.unit.code} is {make.get_state_display()}; only an assembled unit is checked")
    refuse_held([make.unit_id], make.unit.opening.job.branch.unit)
    if left := steps_left(make):
        more = f" and {len(left) - 1} more" if len(left) > 1 else ""
        raise Refused(f"{make.unit.code} is not put together yet: “{left[0]}”{more} not ticked", field="steps")
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
        record(by=by, action="sent back to the bench", subject=make.unit, job=job, changes=changes, note=problem)
        return make
    Unit.objects.filter(pk=make.unit_id).update(state=Unit.State.MADE, made_at=timezone.now())
    record(by=by, action="checked as made", subject=make.unit, job=job, changes=changes)
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
