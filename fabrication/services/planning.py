"""Cut plans: from the parts of a batch and the stock there is to planned cuts, reserved exactly."""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from django.db import transaction
from django.db.models import F, Max

from fabrication.models import Batch, CutPlan, Material, Part, PlannedCut, StockItem
from shared import runs
from shared.audit import record
from shared.errors import Refused
from shared.lengths import ZERO, Length
from shared.models import Run, User

CUTTABLE = (Material.Kind.BAR, Material.Kind.STRIP, Material.Kind.CLOTH)
SOLVER = (sys.executable, "-m", "fabrication.rules.cutting")
SECONDS = 20
"""What a material's plan may take, unless somebody asks for more."""
STOCK_TRIES = 3
"""How often a plan is made anew when another batch took the stock meanwhile."""


class StockTaken(Exception):
    """Stock the plan stands on went to another batch between solving and writing."""


# -- asking for plans --------------------------------------------------------------


@transaction.atomic
def plan_batch(*, batch: Batch, by: User, seconds: int | None = None) -> list[Run]:
    """Asks for a cut plan of every material of the batch that has something left to cut."""
    held = Batch.objects.select_for_update().get(pk=batch.pk)
    if held.state in {Batch.State.CANCELLED, Batch.State.DONE}:
        raise Refused(f"{held} is {held.get_state_display()}")
    materials = Material.objects.filter(
        parts__make__batch=held, parts__state__in=[Part.State.TO_CUT, Part.State.PLANNED], kind__in=CUTTABLE
    ).distinct()
    if not materials:
        raise Refused("nothing of this batch is left to cut")
    return [plan_material(batch=held, material=material, by=by, seconds=seconds) for material in materials]


@transaction.atomic
def plan_material(*, batch: Batch, material: Material, by: User, seconds: int | None = None) -> Run:
    """Replaces what is left of a material's plan by a new one, worked out in a run."""
    for old in batch.plans.filter(material=material).exclude(state=CutPlan.State.REPLACED):
        drop_plan(plan=old)
    last = batch.plans.filter(material=material).aggregate(last=Max("revision"))["last"] or 0
    plan = CutPlan.objects.create(batch=batch, material=material, revision=last + 1)
    run = runs.start(
        "fabrication.plan_cuts",
        by=by,
        subject=plan,
        params={"seconds": seconds or SECONDS},
        key=f"cut plan {plan.pk}",
        title=f"{material.name}, {batch}",
    )
    plan.run = run
    plan.save(update_fields=["run"])
    record(by=by, deed="asked for a cut plan", subject=plan)
    return run


@transaction.atomic
def drop_plan(*, plan: CutPlan) -> None:
    """Takes a plan back: what is not cut yet is dropped and its stock is free again."""
    plan = CutPlan.objects.select_for_update().get(pk=plan.pk)
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
        items.update(reserved_length=F("reserved_length") - cut.length.ticks)
    else:
        items.update(reserved=F("reserved") - 1)


# -- the work itself ---------------------------------------------------------------


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
    for attempt in range(1, STOCK_TRIES + 1):
        problem = problem_of(plan, seconds=ctx.params["seconds"])
        answer = runs.run_process(ctx, SOLVER, problem) if problem["pieces"] else empty_answer()
        try:
            with ctx.finishing() as result:
                keep_plan(plan=plan, problem=problem, answer=answer, by=ctx.by)
                result.update({key: answer.get(key) for key in ("cost", "bound", "proven", "gap")})
            return
        except StockTaken:
            if attempt == STOCK_TRIES:
                raise Refused("the stock keeps going to other batches; plan this one again") from None


def empty_answer() -> dict[str, Any]:
    return {"patterns": [], "unplaced": [], "used": {}, "cost": "0", "bound": "0", "proven": True, "gap": 0}


def problem_of(plan: CutPlan, *, seconds: int) -> dict[str, Any]:
    """The contract's problem for what is left of a material: parts by key, stock by key, in ticks."""
    material = plan.material
    parts = Part.objects.filter(
        make__batch=plan.batch, material=material, state__in=[Part.State.TO_CUT, Part.State.PLANNED]
    ).order_by("pk")
    stock = StockItem.objects.filter(material=material).available().order_by("pk")
    is_roll = material.kind == Material.Kind.CLOTH
    problem: dict[str, Any] = {
        "kind": "roll" if is_roll else "bar",
        "unit": "1",
        "kerf": str((material.kerf or ZERO).ticks),
        "keep": str(material.keep.ticks) if material.keep and not is_roll else None,
        "stock": [row for item in stock if (row := _roll_row(item) if is_roll else _bar_row(item))],
        "pieces": [_piece_row(part, is_roll) for part in parts],
        "seconds": seconds,
        "seed": plan.pk % 2**31,
    }
    if not is_roll:
        problem["trim"] = str((material.trim or ZERO).ticks)
    return problem


def _bar_row(item: StockItem) -> dict[str, Any] | None:
    if item.length is None or item.free < 1:
        return None
    return {
        "id": str(item.pk),
        "length": str(item.length.ticks),
        "quantity": item.free,
        "offcut": item.is_offcut,
    }


def _roll_row(item: StockItem) -> dict[str, Any] | None:
    if item.width is None or item.free_length <= ZERO:
        return None
    return {
        "id": str(item.pk),
        "width": str(item.width.ticks),
        "length": str(item.free_length.ticks),
        "quantity": 1,
        "offcut": item.is_offcut,
    }


def _piece_row(part: Part, is_roll: bool) -> dict[str, Any]:
    row: dict[str, Any] = {
        "id": str(part.pk),
        "length": str(part.length.ticks),
        "quantity": part.quantity - part.done,
    }
    if is_roll:
        row |= {"width": str(part.width.ticks), "turn": part.may_turn}
    return row


@transaction.atomic
def keep_plan(*, plan: CutPlan, problem: dict[str, Any], answer: dict[str, Any], by: User | None) -> None:
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
    cuts = list(_planned_cuts(plan, problem, answer))
    _reserve(plan, cuts)
    PlannedCut.objects.bulk_create(cuts)
    placed = {piece["part"] for cut in cuts for piece in cut.pieces}
    Part.objects.filter(pk__in=placed, state=Part.State.TO_CUT).update(state=Part.State.PLANNED)
    plan.problem, plan.answer = (
        problem,
        {k: v for k, v in answer.items() if k not in {"patterns", "unplaced"}},
    )
    plan.unplaced, plan.state = answer.get("unplaced", []), CutPlan.State.READY
    plan.save(update_fields=["problem", "answer", "unplaced", "state"])
    if batch.state == Batch.State.OPEN and not batch.plans.filter(state=CutPlan.State.PLANNING).exists():
        batch.state = Batch.State.PLANNED
        batch.save(update_fields=["state"])
    record(by=by, deed="kept a cut plan", subject=plan, changes={"cost": [None, answer.get("cost")]})


def _planned_cuts(plan: CutPlan, problem: dict[str, Any], answer: dict[str, Any]) -> Iterable[PlannedCut]:
    """One row a stock piece or cross cut, in an order that changes the saw's stop seldom."""
    sizes = {row["id"]: row for row in problem["pieces"]}
    stock = {row["id"]: row for row in problem["stock"]}
    left_to_make = {row["id"]: row["quantity"] for row in problem["pieces"]}
    keep = plan.material.keep
    kerf, trim = int(problem["kerf"]), int(problem.get("trim", 0))
    order = 0
    for pattern in sorted(answer["patterns"], key=lambda row: _longest_first(row, sizes)):
        for _ in range(pattern["times"]):
            pieces = []
            for cut in pattern["cuts"]:
                if left_to_make[cut["piece"]] > 0:  # one too many is not cut: it stays part of what is left
                    left_to_make[cut["piece"]] -= 1
                    pieces.append(_piece_of(cut, sizes[cut["piece"]]))
            if not pieces:
                continue
            order += 1
            item = stock[pattern["stock"]]
            length, across = int(pattern.get("length") or item["length"]), int(item.get("width", 0))
            used = sum(_extent(piece) + kerf for piece in pieces)
            left = max(0, (across or length - 2 * trim) - used)
            yield PlannedCut(
                plan=plan,
                order=order,
                item_id=int(pattern["stock"]),
                length=Length(length),
                pieces=pieces,
                left=Length(left),
                keeps_offcut=keep is not None and left >= keep.ticks,
            )


def _longest_first(pattern: dict[str, Any], sizes: dict[str, Any]) -> tuple[str, int]:
    return pattern["stock"], -max(int(sizes[cut["piece"]]["length"]) for cut in pattern["cuts"])


def _extent(piece: dict[str, Any]) -> int:
    """What a piece takes along the bar, or across the roll."""
    if "width" not in piece:
        return int(piece["length"])
    return int(piece["length"] if piece["turned"] else piece["width"])


def _piece_of(cut: dict[str, Any], size: dict[str, Any]) -> dict[str, Any]:
    turned = bool(cut.get("turned", False))
    piece = {"part": int(cut["piece"]), "at": int(cut["at"]), "length": int(size["length"]), "turned": turned}
    if "width" in size:
        piece["width"] = int(size["width"])
    return piece


def _reserve(plan: CutPlan, cuts: Iterable[PlannedCut]) -> None:
    """Locks the stock in key order and promises it, or gives up before anything is written."""
    wanted: dict[int, list[PlannedCut]] = defaultdict(list)
    for cut in cuts:
        wanted[cut.item_id].append(cut)
    for item in StockItem.objects.select_for_update().filter(pk__in=wanted).order_by("pk"):
        rows = wanted.pop(item.pk)
        if plan.material.kind == Material.Kind.CLOTH:
            need = Length(sum(cut.length.ticks for cut in rows))
            if item.free_length < need:
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
