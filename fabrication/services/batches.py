"""Batches: propose, open, add, take out, split, cancel. Two people can't batch one unit."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from django.db import transaction
from django.db.models import Max

from fabrication.adapters.loads import PlaceLoad
from fabrication.models import Batch, CutPlan, Material, Part, PlannedCut, UnitMake
from fabrication.services.bench import settle_batch
from fabrication.services.buying import Shortage, shortages
from fabrication.services.planning import CUTTABLE, drop_plan, new_stock_left, plan_material
from jobs.services.stages import lock_job, recompute_stage
from measuring.adapters.changes import refuse_held
from measuring.models import Product, Unit
from shared.audit import entry, record, record_all
from shared.errors import Refused
from shared.formats.dates import long_day, short_day
from shared.models import Branch, Run, User

BATCHABLE = (UnitMake.State.WAITING, UnitMake.State.BACK)
JOINABLE = (Batch.State.OPEN, Batch.State.PLANNED, Batch.State.CUTTING, Batch.State.CUT)
"""A batch that units can still be put into."""


def propose_batches(*, branch: Branch) -> list[tuple[dt.date | None, list[UnitMake]]]:
    """What is released and in no batch, one proposal a week it is due in, earliest first."""
    waiting = (
        UnitMake.objects.filter(
            unit__opening__job__branch=branch,
            batch=None,
            state=UnitMake.State.WAITING,
            source=Product.Source.MADE,
        )
        .select_related("unit__product", "unit__opening__job", "unit__opening__room")
        .defer("steps", "figures", "unit__steps", "unit__findings", "unit__product__fit", "unit__opening__findings")
        .order_by("unit__due_on", "pk")
    )
    return [(day, list(group)) for day, group in groupby(waiting, key=lambda make: _week_of(make.unit.due_on))]


@dataclass(frozen=True, slots=True)
class Proposal:
    """Units that could be cut together: why these, when the first is due, what is short or late."""

    title: str
    makes: tuple[UnitMake, ...]
    due_on: dt.date | None
    short: tuple[Shortage, ...]
    late: tuple[str, ...]


def proposals_of(*, branch: Branch, places: Iterable[PlaceLoad], by_material: bool = False) -> list[Proposal]:
    """Proposals by week or by what most of a unit is cut from, with shortages and late `places`."""
    weeks = propose_batches(branch=branch)
    late = [(place.name, place.first_late.day) for place in places if place.first_late]
    groups: list[tuple[str, list[UnitMake]]]
    if by_material:
        groups = _by_material([make for _, makes in weeks for make in makes])
    else:
        groups = [(f"Due in the week of {long_day(day)}" if day else "No date yet", makes) for day, makes in weeks]
    keys = [make.pk for _, makes in groups for make in makes]
    lacking = shortages(branch=branch, makes=keys) if groups else []
    uses: dict[int, set[int]] = {}
    for make, material in Part.objects.filter(make__in=keys).values_list("make", "material").distinct().order_by():
        uses.setdefault(make, set()).add(material)
    return [_proposal(title, makes, uses, lacking, late) for title, makes in groups]


def _proposal(
    title: str,
    makes: list[UnitMake],
    uses: Mapping[int, set[int]],
    lacking: list[Shortage],
    late: list[tuple[str, dt.date]],
) -> Proposal:
    """One group of units with what is short and late for them; `uses` are the materials of each."""
    due = min((make.unit.due_on for make in makes if make.unit.due_on), default=None)
    last = max((make.unit.due_on for make in makes if make.unit.due_on), default=None)
    used = {material for make in makes for material in uses.get(make.pk, ())}
    short = tuple(one for one in lacking if one.material.pk in used)
    behind = tuple(f"{place} is behind by {short_day(day)}" for place, day in late if last and day <= last)
    return Proposal(title, tuple(makes), due, short, behind)


def _by_material(makes: list[UnitMake]) -> list[tuple[str, list[UnitMake]]]:
    """By the material most of a unit is cut from: its cloth, else the bar or strip with most length."""
    parts = (
        Part.objects.filter(make__in=makes, kind__in=[Material.Kind.CLOTH, Material.Kind.BAR, Material.Kind.STRIP])
        .values_list("make", "kind", "material__name", "length", "quantity")
        .order_by("pk")
    )
    best: dict[int, tuple[bool, int, str]] = {}
    for pk, kind, name, length, quantity in parts:
        rank = (kind == Material.Kind.CLOTH, (length.ticks if length else 0) * quantity, name)
        best[pk] = max(best.get(pk, (False, 0, "")), rank)
    groups: dict[str, list[UnitMake]] = {}
    for make in makes:
        groups.setdefault(best.get(make.pk, (False, 0, ""))[2] or "nothing to cut", []).append(make)
    return list(groups.items())


def _week_of(day: dt.date | None) -> dt.date | None:
    return day - dt.timedelta(days=day.weekday()) if day else None


def _next_number(branch: Branch) -> str:
    """The next batch number of the branch; call it under the branch's lock."""
    last = Batch.objects.filter(branch=branch).aggregate(last=Max("pk"))["last"]
    latest = Batch.objects.filter(pk=last).values_list("number", flat=True).first() if last else None
    return f"B-{int(latest.partition('-')[2]) + 1 if latest else 1:04d}"


@transaction.atomic
def open_batch(*, branch: Branch, makes: Collection[int], by: User, note: str = "") -> Batch:
    """Opens a batch with these units (keys of `UnitMake`)."""
    _lock_jobs(makes)
    Branch.objects.select_for_update().get(pk=branch.pk)
    batch = Batch.objects.create(branch=branch, number=_next_number(branch), created_by=by, note=note)
    record(by=by, action="opened the batch", subject=batch)
    add_units(batch=batch, makes=makes, by=by)
    return batch


@transaction.atomic
def add_units(*, batch: Batch, makes: Collection[int], by: User) -> Batch:
    """
    Puts units into a batch, also one that is under way: then the materials they are cut from are planned anew.

    Raises
    ------
    Refused
        When the batch is done, or a unit is in a batch already, or is past batching; the unit is named.
    """
    _lock_jobs(makes)
    held = Batch.objects.select_for_update().get(pk=batch.pk)
    if held.state not in JOINABLE:
        raise Refused(f"{held} is {held.get_state_display()}; open another one for these")
    rows = list(
        UnitMake.objects.select_for_update().filter(pk__in=makes, unit__opening__job__branch=held.branch).order_by("pk")
    )
    if len(rows) != len(set(makes)) or not rows:
        raise Refused("choose at least one unit of this branch", field="makes")
    for make in rows:
        if make.batch_id not in {None, held.pk} or make.state not in BATCHABLE:
            raise Refused(
                f"{make.unit.code} is {make.get_state_display()}"
                + (f" in {make.batch}" if make.batch_id else "")
                + "; only waiting units can be batched",
                field="makes",
            )
        if make.unit.opening.job.hold:
            raise Refused(f"{make.unit.opening.job.number} is held: {make.unit.opening.job.get_hold_display()}")
    refuse_held((make.unit_id for make in rows), held.branch.unit, field="makes")
    UnitMake.objects.filter(pk__in=[make.pk for make in rows]).update(batch=held, state=UnitMake.State.BATCHED)
    Unit.objects.filter(make__in=rows).update(state=Unit.State.IN_WORKROOM)
    if held.plans.exclude(state=CutPlan.State.REPLACED).exists():
        _join(held, rows, by)
    else:
        _after_change(held, rows, by, "put into the batch")
    return held


def _join(batch: Batch, rows: Sequence[UnitMake], by: User) -> None:
    """Of a batch that is planned or being cut only what the new units are cut from is planned anew."""
    codes = ", ".join(make.unit.code for make in rows)
    wanted = Material.objects.filter(parts__make__in=rows, parts__state=Part.State.TO_CUT, kind__in=CUTTABLE)
    for material in wanted.distinct():
        old = batch.plans.filter(material=material).exclude(state=CutPlan.State.REPLACED).first()
        before = {"why": f"{codes} joined the batch"[:240], "new_stock": new_stock_left(old)} if old else None
        plan_material(batch=batch, material=material, by=by, before=before)
    if batch.state == Batch.State.CUT:
        batch.state = Batch.State.CUTTING
    _as_units_are(batch, rows, by, "put into the batch")


@transaction.atomic
def take_out(*, batch: Batch, makes: Collection[int], by: User) -> Batch:
    """Takes units out of a batch that is not being cut yet; its cut plans are dropped."""
    _lock_jobs(makes)
    held = Batch.objects.select_for_update().get(pk=batch.pk)
    _check_open(held)
    rows = list(held.makes.select_for_update().filter(pk__in=makes).select_related("unit"))
    if not rows:
        raise Refused("none of these units is in the batch", field="makes")
    UnitMake.objects.filter(pk__in=[make.pk for make in rows]).update(batch=None, state=UnitMake.State.WAITING)
    Unit.objects.filter(make__in=rows).update(state=Unit.State.RELEASED)
    _after_change(held, rows, by, "taken out of the batch")
    return held


@transaction.atomic
def split_batch(*, batch: Batch, makes: Collection[int], by: User) -> Batch:
    """Moves units of a batch into a new one."""
    _lock_jobs(makes)
    take_out(batch=batch, makes=makes, by=by)
    return open_batch(branch=batch.branch, makes=makes, by=by, note=f"split off {batch.number}")


@transaction.atomic
def cancel_batch(*, batch: Batch, by: User, reason: str) -> Batch:
    """Gives every unit back; refused once something is cut."""
    makes = list(batch.makes.values_list("pk", flat=True))
    if makes:
        take_out(batch=batch, makes=makes, by=by)
    held = Batch.objects.select_for_update().get(pk=batch.pk)
    _check_open(held)
    held.state = Batch.State.CANCELLED
    held.save(update_fields=["state"])
    record(by=by, action="cancelled the batch", subject=held, note=reason)
    return held


def _lock_jobs(makes: Collection[int]) -> None:
    """The jobs' rows, in key order: always the first lock, so that no two actions wait for each other."""
    jobs = UnitMake.objects.filter(pk__in=makes).values_list("unit__opening__job", flat=True)
    for job_id in sorted(set(jobs)):
        lock_job(job_id)


def _check_open(batch: Batch) -> None:
    if batch.state not in {Batch.State.OPEN, Batch.State.PLANNED}:
        raise Refused(f"{batch} is {batch.get_state_display()}; its units stay as they are")


def _after_change(batch: Batch, rows: Sequence[UnitMake], by: User, action: str) -> None:
    """Plans no longer fit: drop them, free their stock."""
    for plan in batch.plans.exclude(state=CutPlan.State.REPLACED):
        drop_plan(plan=plan)
    Part.objects.filter(make__in=rows, state=Part.State.PLANNED).update(state=Part.State.TO_CUT)
    batch.state = Batch.State.OPEN
    _as_units_are(batch, rows, by, action)


def _as_units_are(batch: Batch, rows: Sequence[UnitMake], by: User, action: str) -> None:
    """Due date and stages follow the units."""
    due = batch.makes.order_by("unit__due_on").exclude(unit__due_on=None).values_list("unit__due_on", flat=True)
    batch.due_on = due.first()
    batch.save(update_fields=["due_on", "state"])
    units = Unit.objects.filter(make__in=rows).select_related("opening__job", "opening__room", "product")
    record_all(entry(by=by, action=action, subject=unit, job=unit.opening.job_id, note=str(batch)) for unit in units)
    for job in {unit.opening.job for unit in units}:
        recompute_stage(job=job, by=by)


def leave_batch(*, make: UnitMake, by: User, why: str) -> list[Run]:
    """
    Takes one unit out of its batch, also when cutting has begun: its parts are to be made anew.

    Only plans that still have something of it to cut are made anew, for what the batch has left of
    their material; the others stand. What is cut stays in the books as it is.
    """
    assert make.batch_id is not None
    batch = Batch.objects.select_for_update().get(pk=make.batch_id)
    touched = [(plan, new_stock_left(plan)) for plan in plans_with(make)]
    UnitMake.objects.filter(pk=make.pk).update(batch=None, state=UnitMake.State.WAITING)
    make.parts.filter(state=Part.State.PLANNED).update(state=Part.State.TO_CUT)
    record(by=by, action="taken out of the batch", subject=make.unit, job=make.unit.opening.job_id, note=str(batch))
    runs = []
    for plan, needed in touched:
        left = Part.objects.filter(
            make__batch=batch, material=plan.material_id, state__in=[Part.State.TO_CUT, Part.State.PLANNED]
        )
        if left.exists():
            before = {"why": why, "new_stock": needed}
            runs.append(plan_material(batch=batch, material=plan.material, by=by, before=before))
        else:
            drop_plan(plan=plan)
    if batch.makes.exists():
        settle_batch(batch=batch)
    return runs


def plans_with(make: UnitMake) -> list[CutPlan]:
    """The plans of its batch that have a piece of this unit left to cut, or could not place one."""
    if make.batch_id is None:
        return []
    parts = dict(make.parts.exclude(state=Part.State.CANCELLED).values_list("pk", "material"))
    plans = CutPlan.objects.filter(batch=make.batch_id, material__in=set(parts.values()))
    live = plans.exclude(state=CutPlan.State.REPLACED).select_related("material", "batch").prefetch_related("cuts")
    return [plan for plan in live.order_by("pk") if _has_left(plan, parts)]


def _has_left(plan: CutPlan, parts: Collection[int]) -> bool:
    if plan.state != CutPlan.State.READY:
        return True
    pieces = (piece for cut in plan.cuts.all() if cut.state in PlannedCut.OPEN for piece in cut.pieces)
    to_cut = {piece["part"] for piece in pieces if not piece.get("cut")}
    return bool(to_cut & set(parts)) or any(int(row["piece"]) in parts for row in plan.unplaced)
