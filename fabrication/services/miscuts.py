"""What goes wrong at the saw: a miscut, a flaw found. What is left of the stock is planned anew."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from django.db import transaction

from fabrication.models import Batch, CutPlan, Material, Part, PlannedCut, StockItem, StockMove, UnitMake
from fabrication.services.batches import JOINABLE
from fabrication.services.begun import (
    Rest,
    along,
    close_with_rest,
    cut_positions,
    cut_spans,
    free_stretches,
    rests_of,
)
from fabrication.services.bench import count_pieces, held_cut, move_note, note_in_units, settle_batch, use_stock
from fabrication.services.planning import new_stock, new_stock_left, plan_material
from fabrication.services.rack import replanned
from fabrication.services.stock import mark_flaws
from shared.audit import record
from shared.errors import Refused
from shared.lengths import ZERO, Length, total
from shared.models import Run, User


def _planned_before(cut: PlannedCut, why: str) -> dict[str, object]:
    """Why the plan of a cut is made anew, the new stock it had left, and what of that is used up with this cut."""
    return {"why": why, "new_stock": new_stock_left(cut.plan), "new_stock_lost": new_stock([cut])}


@transaction.atomic
def report_miscut(
    *,
    cut: PlannedCut,
    spoiled: Iterable[int],
    by: User,
    reason: str,
    good: Iterable[int] | None = None,
    left: Sequence[Rest] | None = None,
    run_off: Length | None = None,
) -> Run:
    """
    Books what was really cut of a stock piece with something spoiled, and has the rest planned anew.

    Pieces that are neither good nor spoiled were not cut: they are to be cut from something else.
    What is neither a good piece nor left is lost.

    Parameters
    ----------
    spoiled, good
        Positions in ``cut.pieces``: what can't be used, and what is cut and good; those tapped as cut
        where nobody says.
    left
        What lies on the table, as it was measured; what is big enough goes back as offcuts. Where
        nobody measured: what the plan leaves beside good and spoiled pieces.
    run_off
        Of a cross cut that was not under way: what was really run off the roll.

    Raises
    ------
    Refused
        No piece spoiled, a piece both good and spoiled, or more left than there was.
    """
    cut = held_cut(cut)
    if cut.state not in PlannedCut.OPEN:
        raise Refused("only a piece that is to be cut can be reported as miscut")
    lost, done = set(spoiled), cut_positions(cut)
    kept = done - lost if good is None else set(good)
    if not lost or not lost | kept <= set(range(len(cut.pieces))):
        raise Refused("say which pieces are scrapped", field="spoiled", bound=f"1 to {len(cut.pieces)}")
    if lost & kept:
        raise Refused("a piece is good or scrapped, not both", field="spoiled")
    before = _planned_before(cut, f"miscut: {reason}")
    _take_what_was_cut(cut, by, f"miscut: {reason}", run_off)
    rests = rests_of(cut, free_stretches(cut, kept | lost)) if left is None else list(left)
    _check_rests(cut, kept, rests)
    count_pieces(cut, kept - done, 1)
    count_pieces(cut, done - kept, -1)
    marks: dict[int, dict[str, object]] = {key: {"cut": True, "spoiled": False} for key in kept}
    marks |= {key: {"cut": False, "spoiled": True, "why": reason} for key in lost}
    note_in_units(cut, lost, by, "scrapped in cutting", reason)
    close_with_rest(cut, by, rests, [cut.pieces[position] | marks[position] for position in sorted(marks)])
    record(by=by, action="reported a miscut", subject=cut, note=_what_was_cut(cut, reason, kept, lost, rests))
    settle_batch(batch=cut.plan.batch)
    return plan_material(batch=cut.plan.batch, material=cut.plan.material, by=by, before=before)


@transaction.atomic
def scrap_part(*, part: Part, by: User, reason: str) -> Run:
    """
    A piece that was cut well and can't be used any more is cut again: the rest of its material is planned anew with it.

    What it was cut from stays used, and of several equal pieces the one cut last is scrapped.

    Raises
    ------
    Refused
        None of it is cut in a batch under way, or what it is cut from is still at the saw.
    """
    batch = Batch.objects.select_for_update(of=("self",)).filter(makes__parts=part).first()
    make = UnitMake.objects.select_for_update(of=("self",)).get(parts=part)
    if batch is None or batch.state not in JOINABLE or make.state in (UnitMake.State.MADE, UnitMake.State.CANCELLED):
        raise Refused(f"{make.unit.code} is in no batch under way; have it remade instead")
    found = _last_cut_of(part, batch)
    if found is None:
        raise Refused(f"no piece of {part.name} is cut yet, or its stock piece is at the saw: book a miscut there")
    cut, position = found
    live = batch.plans.filter(material=part.material_id).exclude(state=CutPlan.State.REPLACED).first()
    why = f"{make.unit.code} {part.name} scrapped: {reason}"[:240]
    before = {"why": why, "new_stock": new_stock_left(live)} if live else None
    count_pieces(cut, {position}, -1)
    cut.pieces[position] |= {"cut": False, "spoiled": True, "why": reason}
    cut.save(update_fields=["pieces"])
    Part.objects.filter(pk=part.pk).update(state=Part.State.TO_CUT)
    note_in_units(cut, {position}, by, "scrapped after cutting", reason)
    record(by=by, action="scrapped a part", subject=cut, note=f"{make.unit.code} {part.name}: {reason}")
    UnitMake.objects.filter(pk=make.pk).update(state=UnitMake.State.CUTTING)
    settle_batch(batch=batch)
    return plan_material(batch=batch, material=part.material, by=by, before=before)


def _last_cut_of(part: Part, batch: Batch) -> tuple[PlannedCut, int] | None:
    """The stock piece that a good piece of a part was cut from last, and where it stands among its pieces."""
    cuts = PlannedCut.objects.select_for_update(of=("self",)).select_related("plan__batch", "plan__material", "item")
    done = cuts.filter(plan__batch=batch, plan__material=part.material_id, state=PlannedCut.State.CUT)
    for cut in done.order_by("-cut_at", "-order"):
        for position in sorted(cut_positions(cut), reverse=True):
            if cut.pieces[position]["part"] == part.pk:
                return cut, position
    return None


def _take_what_was_cut(cut: PlannedCut, by: User, why: str, run_off: Length | None) -> None:
    """The stock of a miscut is used: as planned, or as much of a roll as was really run off."""
    if cut.state == PlannedCut.State.TO_CUT:
        use_stock(cut, by, why, run_off)
        return
    if run_off not in (None, cut.length):
        raise Refused(f"{cut.length} of it is run off already", field="run_off", bound=str(cut.length))
    note = move_note(cut.plan.batch, why)
    StockMove.objects.create(item=cut.item, change=0, reason=StockMove.Reason.CUT, moved_by=by, note=note)


def _check_rests(cut: PlannedCut, good: set[int], rests: Sequence[Rest]) -> None:
    """Good pieces, their saw cuts and what is left are no more than there was."""
    pieces = [cut.pieces[position] for position in good]
    if cut.plan.material.kind == Material.Kind.CLOTH:
        wide = cut.item.width or ZERO
        if any(along(piece) > cut.length.ticks for piece in pieces):
            raise Refused("a good piece is longer than what was run off", field="run_off", bound=str(cut.length))
        for length, width in rests:
            if width is None or not (ZERO < length <= cut.length and ZERO < width <= wide):
                bound = f"{wide} × {cut.length}"
                raise Refused("what is left is wider or longer than what was run off", field="left", bound=bound)
        used = sum(piece["length"] * piece.get("width", 0) for piece in pieces)
        used += sum(length.ticks * (width or ZERO).ticks for length, width in rests)
        if used > cut.length.ticks * wide.ticks:
            raise Refused("good pieces and what is left are more than was run off", field="left")
        return
    kerf = cut.plan.material.kerf or ZERO
    most = cut.length - total(Length(piece["length"]) for piece in pieces) - len(pieces) * kerf
    if total(length for length, _ in rests) > max(most, ZERO) or any(length <= ZERO for length, _ in rests):
        raise Refused(
            f"at most {max(most, ZERO)} can be left beside the good pieces", field="left", bound=str(max(most, ZERO))
        )


def _what_was_cut(cut: PlannedCut, reason: str, good: set[int], lost: set[int], rests: Sequence[Rest]) -> str:
    def listed(positions: set[int]) -> str:
        return ", ".join(str(position + 1) for position in sorted(positions)) or "none"

    left = ", ".join(f"{width} × {length}" if width else str(length) for length, width in rests) or "nothing"
    return f"{reason}; of {cut.item.code} good: {listed(good)}; scrapped: {listed(lost)}; left: {left}"


@transaction.atomic
def report_flaw(*, cut: PlannedCut, start: Length, end: Length, by: User, note: str = "") -> list[Run]:
    """
    A flaw found at the table, marked at its place; what is left is planned anew.

    Parameters
    ----------
    start, end
        Of a bar: from its left end. Of a roll: from its free end as it lies.

    Returns
    -------
    list of runs
        One for each plan that stood on that stock.
    """
    if cut.plan.material.kind == Material.Kind.CLOTH:
        if cut.state == PlannedCut.State.BEGUN:
            raise Refused("this cross cut is run off already: book its scrapped pieces as miscut", field="start")
        return flaw_in_roll(item=cut.item, start=start, end=end, by=by, note=note)
    cut = held_cut(cut)
    if cut.state not in {PlannedCut.State.TO_CUT, PlannedCut.State.BEGUN}:
        raise Refused("only stock that is still to be cut can be marked")
    if not ZERO <= start < end <= cut.length:
        raise Refused(
            f"a flaw lies between 0 and {cut.length}, and ends after it starts", field="end", bound=str(cut.length)
        )
    for cut_from, cut_to in cut_spans(cut):
        if start.ticks < cut_to and cut_from < end.ticks:
            where = f"{Length(max(0, cut_from))} to {Length(cut_to)}"
            raise Refused(f"{where} of the bar is cut already; book scrapped pieces as miscut", field="start")
    stretches = free_stretches(cut)
    before = _planned_before(cut, f"flaw: {note or cut.item.code}")
    if cut.state == PlannedCut.State.TO_CUT:
        use_stock(cut, by)
    around = [(max(a, end.ticks), b) for a, b in stretches] + [(a, min(b, start.ticks)) for a, b in stretches]
    close_with_rest(cut, by, rests_of(cut, around))
    record(by=by, action="marked a flaw", subject=cut, note=f"{start} to {end} of {cut.item.code} {note}".strip())
    return [plan_material(batch=cut.plan.batch, material=cut.plan.material, by=by, before=before)]


@transaction.atomic
def flaw_in_roll(*, item: StockItem, start: Length, end: Length, by: User, note: str = "") -> list[Run]:
    """Marks a stretch of a roll from its free end, and plans anew whatever was to be cut from the roll."""
    why = f"flaw: {start} to {end} of {item.code} {note}".strip()
    with replanned(item=item, why=why, by=by) as (held, runs):
        mark_flaws(item=held, flaws=[(Length(a), Length(b)) for a, b in held.flaws] + [(start, end)], by=by)
    return runs
