"""Cut plans: from the parts of a batch and the stock there is to planned cuts, reserved exactly."""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import asdict
from typing import Any

from django.db import transaction
from django.db.models import F, Max

from fabrication.adapters.problems import better_of, edge_of, flaws_within, solved, steps_in
from fabrication.models import Batch, CutPlan, Material, Part, PlannedCut, StockItem
from fabrication.rules.cutting import (
    Answer,
    BarDocument,
    BarPiece,
    BarStock,
    Cut,
    Document,
    Pattern,
    RollDocument,
    RollPiece,
    RollStock,
    document_json,
    read_answer,
)
from fabrication.services.begun import CutPiece, across, leave_begun
from shared import runs
from shared.audit import record
from shared.errors import Refused
from shared.lengths import ZERO, Length
from shared.models import Run, User

CUTTABLE = (Material.Kind.BAR, Material.Kind.STRIP, Material.Kind.CLOTH)
SOLVER = (sys.executable, "-m", "fabrication.rules.cutting")
SECONDS = 20
"""What the plans of a batch share, unless somebody asks for so much of each: a third of it in search steps."""
EACH_SECONDS = 3
"""What each has at least."""
PATIENCE_SECONDS = 10
"""What a plan that nobody gave a time may take at least: a busy machine takes the same steps, only later."""
STOCK_TRIES = 3
"""How often a plan is made anew when another batch took the stock meanwhile."""


class StockTaken(Exception):
    """Stock the plan stands on went to another batch between solving and writing."""


# -- asking for plans --------------------------------------------------------------


@transaction.atomic
def plan_batch(*, batch: Batch, by: User, seconds: float | None = None, any_lot: bool = False) -> list[Run]:
    """
    Asks for a cut plan of every material of the batch that has something left to cut.

    Parameters
    ----------
    seconds
        What each may take; `SECONDS` shared among them unless told, `EACH_SECONDS` at least. The steps of
        its search hang on these alone, so that a busy machine makes the same plan as far as it gets.
    any_lot
        Where the dye lot of a room is used up, another is taken.
    """
    held = Batch.objects.select_for_update().get(pk=batch.pk)
    if held.state in {Batch.State.CANCELLED, Batch.State.DONE}:
        raise Refused(f"{held} is {held.get_state_display()}")
    materials = Material.objects.filter(
        parts__make__batch=held, parts__state__in=[Part.State.TO_CUT, Part.State.PLANNED], kind__in=CUTTABLE
    ).distinct()
    if not materials:
        raise Refused("nothing of this batch is left to cut")
    share = max(EACH_SECONDS, SECONDS / len(materials))
    return [
        plan_material(batch=held, material=material, by=by, seconds=seconds, any_lot=any_lot, share=share)
        for material in materials
    ]


@transaction.atomic
def plan_material(
    *,
    batch: Batch,
    material: Material,
    by: User,
    seconds: float | None = None,
    any_lot: bool = False,
    before: dict[str, Any] | None = None,
    share: float | None = None,
) -> Run:
    """
    Replaces what is left of a material's plan by a new one, worked out in a run.

    `before`: why, the new stock it needed until now (`new_stock_left`) and what of that is used up
    (`lost`), so that the page can show what planning anew costs.
    """
    for old in batch.plans.filter(material=material).exclude(state=CutPlan.State.REPLACED):
        drop_plan(plan=old)
    last = batch.plans.filter(material=material).aggregate(last=Max("revision"))["last"] or 0
    plan = CutPlan.objects.create(batch=batch, material=material, revision=last + 1, before=before or {})
    run = runs.start(
        "fabrication.plan_cuts",
        by=by,
        subject=plan,
        params={"any_lot": any_lot, **_times(seconds, share or SECONDS)},
        key=f"cut plan {plan.pk}",
        title=f"{material.name}, {batch}",
    )
    plan.run = run
    plan.save(update_fields=["run"])
    record(by=by, action="asked for a cut plan", subject=plan)
    return run


def _times(seconds: float | None, share: float) -> dict[str, float]:
    """The seconds of a plan and its search steps, by what was asked or is its share."""
    return {"seconds": seconds or max(share, PATIENCE_SECONDS), "steps": steps_in(seconds or share)}


@transaction.atomic
def drop_plan(*, plan: CutPlan) -> None:
    """Takes a plan back: what is not cut yet is dropped and its stock is free again."""
    plan = CutPlan.objects.select_for_update().get(pk=plan.pk)
    for cut in plan.cuts.filter(state=PlannedCut.State.BEGUN).select_related("plan__batch", "plan__material", "item"):
        leave_begun(cut)
    for cut in plan.cuts.filter(state=PlannedCut.State.TO_CUT).order_by("item_id"):
        free_stock(cut)
    plan.cuts.filter(state=PlannedCut.State.TO_CUT).update(state=PlannedCut.State.DROPPED)
    Part.objects.filter(make__batch=plan.batch, material=plan.material, state=Part.State.PLANNED).update(
        state=Part.State.TO_CUT
    )
    plan.state = CutPlan.State.REPLACED
    plan.save(update_fields=["state"])


def free_stock(cut: PlannedCut) -> None:
    """Gives back what one planned cut was promised."""
    items = StockItem.objects.filter(pk=cut.item_id)
    if cut.plan.material.kind == Material.Kind.CLOTH:
        items.update(reserved_length=F("reserved_length") - cut.run_off.ticks)
    else:
        items.update(reserved=F("reserved") - 1)


# -- the work itself ---------------------------------------------------------------


@runs.long_work("fabrication.plan_cuts", title="Cut plan", queue="plans")
def plan_cuts(ctx: runs.Context) -> None:
    """The run: state the problem, solve it in a process of its own, write what it leaves."""
    plan: CutPlan | None = ctx.subject
    if plan is None or plan.state == CutPlan.State.REPLACED:
        raise runs.Stopped
    try:
        _solve_and_keep(ctx, plan)
    except Refused:
        CutPlan.objects.filter(pk=plan.pk, state=CutPlan.State.PLANNING).update(state=CutPlan.State.FAILED)
        raise


def _solve_and_keep(ctx: runs.Context, plan: CutPlan) -> None:
    asked = {"seconds": ctx.params["seconds"], "steps": ctx.params.get("steps")}
    any_lot = ctx.params.get("any_lot", False)

    def solve(asked: Document) -> Answer:
        return read_answer(runs.run_process(ctx, SOLVER, document_json(asked)))

    for attempt in range(1, STOCK_TRIES + 1):
        problem, answer = solved(plan, **asked, any_lot=any_lot, solve=solve)
        answer = better_of(plan, problem, answer)
        try:
            with ctx.finishing() as result:
                keep_plan(plan=plan, problem=problem, answer=answer, by=ctx.by)
                result.update({key: plan.answer.get(key) for key in ("cost", "bound", "proven", "gap")})
            return
        except StockTaken:
            if attempt == STOCK_TRIES:
                raise Refused("the stock keeps going to other batches; plan this one again") from None


@transaction.atomic
def keep_plan(*, plan: CutPlan, problem: Document, answer: Answer, by: User | None) -> None:
    """
    Writes a solved plan and reserves its stock.

    Raises
    ------
    StockTaken
        When a stock piece of the plan is no longer free; nothing is written then.
    """
    batch = Batch.objects.select_for_update().get(pk=plan.batch_id)
    plan = CutPlan.objects.select_for_update().get(pk=plan.pk)
    if plan.state != CutPlan.State.PLANNING:
        raise runs.Lost
    plan.problem, plan.answer = document_json(problem), answer.to_json()
    cuts = list(_planned_cuts(plan, problem, answer))
    _reserve(plan, problem, cuts)
    PlannedCut.objects.bulk_create(cuts)
    placed = {piece["part"] for cut in cuts for piece in cut.pieces}
    Part.objects.filter(pk__in=placed, state=Part.State.TO_CUT).update(state=Part.State.PLANNED)
    plan.unplaced, plan.state = [asdict(row) for row in answer.unplaced], CutPlan.State.READY
    if plan.before:
        plan.before = plan.before | {"new_stock_after": new_stock(cuts)}
    plan.save(update_fields=["problem", "answer", "unplaced", "state", "before"])
    if batch.state == Batch.State.OPEN and not batch.plans.filter(state=CutPlan.State.PLANNING).exists():
        batch.state = Batch.State.PLANNED
        batch.save(update_fields=["state"])
    record(by=by, action="kept a cut plan", subject=plan, changes={"cost": [None, plan.answer["cost"]]})


def _planned_cuts(plan: CutPlan, problem: Document, answer: Answer) -> Iterator[PlannedCut]:
    """One row a stock piece or cross cut: bars so that the saw's stop changes seldom, rolls as they run off."""
    sizes: dict[str, BarPiece | RollPiece] = {piece.id: piece for piece in problem.pieces}
    stock: dict[str, BarStock | RollStock] = {item.id: item for item in problem.stock}
    keep, reached = plan.material.keep, dict.fromkeys(stock, ZERO)
    trim = problem.trim if isinstance(problem, BarDocument) else ZERO
    edges = _edges(stock) if isinstance(problem, RollDocument) else {}
    in_order = sorted(answer.patterns, key=lambda pattern: _turn(pattern, sizes))
    single = (pattern for pattern in in_order for _ in range(pattern.times))
    for order, pattern in enumerate(single, 1):
        item = stock[pattern.stock]
        pieces = [_piece_of(cut, sizes[cut.piece], edges.get(item.id, ZERO)) for cut in pattern.cuts]
        length = pattern.length or item.length or ZERO
        reach, start = item.width if isinstance(item, RollStock) else length - 2 * trim, reached[item.id]
        left = max(ZERO, reach - Length(sum(across(piece) for piece in pieces)) - len(pieces) * problem.kerf)
        if isinstance(item, RollStock) and item.flaws:
            start = max(start, pattern.start or ZERO)
        skipped = start - reached[item.id]
        reached[item.id] = start + length
        yield PlannedCut(
            plan=plan,
            order=order,
            item=StockItem(pk=int(item.id), is_offcut=item.offcut),
            length=length,
            skipped=skipped,
            pieces=pieces,
            left=left,
            keeps_offcut=keep is not None and left >= keep,
        )


def _turn(pattern: Pattern, sizes: Mapping[str, BarPiece | RollPiece]) -> tuple[str, int, Length]:
    """Along the roll; of bars the longest piece first."""
    if pattern.length is not None:
        return pattern.stock, pattern.roll or 0, pattern.start or ZERO
    return pattern.stock, 0, -max(sizes[cut.piece].length for cut in pattern.cuts)


def _edges(stock: Collection[str]) -> dict[str, Length]:
    """How far in from its edge the use of each roll begins; the engine knows of usable widths only."""
    items = StockItem.objects.filter(pk__in=[int(key) for key in stock]).select_related("material")
    return {str(item.pk): edge_of(item) for item in items}


def _piece_of(cut: Cut, size: BarPiece | RollPiece, edge: Length) -> CutPiece:
    at = (cut.at + edge).ticks
    piece: CutPiece = {"part": int(size.id), "at": at, "length": size.length.ticks, "turned": cut.turned}
    if isinstance(size, RollPiece):
        piece["width"] = size.width.ticks
    return piece


def _reserve(plan: CutPlan, problem: Document, cuts: Iterable[PlannedCut]) -> None:
    """Locks the stock in key order and promises it, or gives up before anything is written."""
    wanted: dict[int, list[PlannedCut]] = defaultdict(list)
    for cut in cuts:
        wanted[cut.item_id].append(cut)
    rolls = {roll.id: roll for roll in problem.stock if isinstance(roll, RollStock)}
    for item in StockItem.objects.select_for_update().filter(pk__in=wanted).order_by("pk"):
        rows = wanted.pop(item.pk)
        if plan.material.kind == Material.Kind.CLOTH:
            need = Length(sum(cut.run_off.ticks for cut in rows))
            if item.free_length < need or _has_moved(item, rolls[str(item.pk)]):
                raise StockTaken
            item.reserved_length += need
            item.save(update_fields=["reserved_length"])
        else:
            if item.free < len(rows):
                raise StockTaken
            item.reserved += len(rows)
            item.save(update_fields=["reserved"])
    if wanted:
        raise StockTaken


def _has_moved(item: StockItem, offered: RollStock) -> bool:
    """Whether a roll's flaws are not where the plan thinks: found, or run off, or another plan came first."""
    flaws = flaws_within(item, offered.length or ZERO)
    return flaws != offered.flaws or bool(flaws and item.reserved_length)


# -- what planning anew costs ------------------------------------------------------------


def new_stock(cuts: Iterable[PlannedCut]) -> dict[str, int]:
    """
    What cuts take of stock that is no offcut, as JSON: whole bars, or what is run off a roll, and how many.

    An offcut was paid for already, and one that goes back is not new stock saved: neither counts.
    """
    fresh = [cut for cut in cuts if not cut.item.is_offcut]
    return {"pieces": len(fresh), "ticks": sum(cut.run_off.ticks for cut in fresh)}


def new_stock_left(plan: CutPlan) -> dict[str, int]:
    """The new stock of what is not cut yet, a piece under way included."""
    open_cuts = plan.cuts.filter(state__in=[PlannedCut.State.TO_CUT, PlannedCut.State.BEGUN])
    return new_stock(open_cuts.select_related("item"))
