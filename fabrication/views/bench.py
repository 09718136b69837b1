"""The bench: cutting, pulling, checking."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.safestring import SafeString
from django.views.decorators.http import require_GET, require_POST

from fabrication.access import LOOKS, WORKS, batch_for, cut_for, make_for, material_for, part_for, plan_for
from fabrication.adapters.problems import rolls_spoken_for
from fabrication.adapters.pulling import pull_lines
from fabrication.documents import CUT_AT
from fabrication.drawings import bar_by_width, roll_by_width
from fabrication.forms import CheckForm, FlawAtTheTableForm, MiscutForm, ReasonForm
from fabrication.models import CutPlan, Material, Part, PlannedCut, StockItem, UnitMake
from fabrication.services import bench, miscuts
from fabrication.services.planning import plan_material
from fabrication.views.units import unit_page
from measuring.adapters.changes import in_question, said
from measuring.models import SizeChange
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown, refusals_to
from shared.models import Run

DONE_SHOWN = 12


@dataclass(frozen=True, slots=True)
class Shown:
    """A stock piece as the bench sees it: drawn, with the part each of its pieces is for."""

    cut: PlannedCut
    listed: list[tuple[dict[str, Any], Part | None]]
    drawing: SafeString


@dataclass(frozen=True, slots=True)
class Alike:
    """Stock pieces that follow one another and are cut the same, drawn once."""

    first: Shown
    last: PlannedCut
    times: int


@roles_required(*LOOKS)
@require_GET
def cutting(request: SignedInRequest) -> HttpResponse:
    """Every plan that has something left to cut, by where it is cut; what is due first on top."""
    plans = (
        CutPlan.objects.visible_to(request.user)
        .filter(state=CutPlan.State.READY)
        .select_related("batch", "material")
        .with_cuts_left()
        .counted()
        .order_by("batch__due_on", "batch", "material__kind", "material__name")
    )
    by_place: dict[str, list[CutPlan]] = {}
    for plan in plans:
        by_place.setdefault(CUT_AT[Material.Kind(plan.material.kind)], []).append(plan)
    return render(request, "fabrication/cutting.html", {"places": by_place.items()})


@roles_required(*LOOKS)
@require_GET
def cutting_plan(request: SignedInRequest, pk: int) -> HttpResponse:
    """One plan at the saw: the next stock piece big, the rest below."""
    return render(request, "fabrication/cutting_plan.html", _plan_context(request, plan_for(request.user, pk)))


def _plan_context(
    request: SignedInRequest,
    plan: CutPlan,
    flaw_form: FlawAtTheTableForm | None = None,
    miscut_form: MiscutForm | None = None,
) -> dict[str, object]:
    cuts = list(plan.cuts.exclude(state="dropped").select_related("item", "plan__material", "offcut"))
    parts = _parts_of(cuts)
    unit = request.user.unit
    is_roll = plan.material.kind == Material.Kind.CLOTH
    longest = max((cut.length for cut in cuts), default=None)

    def shown(cut: PlannedCut) -> Shown:
        draw = (
            roll_by_width([cut], parts, unit=unit) if is_roll else bar_by_width(cut, parts, unit=unit, longest=longest)
        )
        return Shown(cut, [(piece, parts.get(piece["part"])) for piece in cut.pieces], draw)

    questioned = _questioned(cuts, parts)
    held = {key for key, part in parts.items() if part.make.unit_id in questioned}
    to_cut = sorted((cut for cut in cuts if cut.state in PlannedCut.OPEN), key=lambda cut: _turn(cut, held))
    next_cut = to_cut[0] if to_cut else None
    done, last_offcut = _done(cuts)
    can_work = request.user.has_role(*WORKS)
    return {
        **_news(request, plan, questioned),
        "plan": plan,
        "batch": plan.batch,
        "on_hold": bool(next_cut and held & _uncut(next_cut)),
        "is_roll": is_roll,
        "next": next_cut,
        "next_shown": shown(next_cut) if next_cut else None,
        "later": [Alike(shown(same[0]), same[-1], len(same)) for same in _alike(to_cut[1:])],
        "alike": _how_many_alike(to_cut),
        "done": [shown(cut) for cut in done],
        "last_offcut": last_offcut,
        "flaw_form": flaw_form or FlawAtTheTableForm(user=request.user, is_roll=is_roll),
        "miscut_form": miscut_form or (_miscut_form(request, next_cut, parts) if next_cut else None),
        "more_new_stock": plan.more_new_stock,
        "lot_used_up": any(row.get("lot") for row in plan.unplaced),
        "unplaced": [(row, parts.get(int(row["piece"])) or _part(row)) for row in plan.unplaced],
        "spoken_for": rolls_spoken_for(plan) if plan.unplaced else [],
        "undo_reasons": (bench.TAPPED, "it is to be cut again", "the wrong stock was taken"),
        "can_work": can_work,
        "can_tap": can_work and next_cut is not None and len(next_cut.pieces) > 1,
    }


def _uncut(cut: PlannedCut) -> set[int]:
    """The parts of its pieces that are not cut yet."""
    return {piece["part"] for piece in cut.pieces if not piece.get("cut")}


def _turn(cut: PlannedCut, held: set[int]) -> tuple[bool, bool]:
    """What is under way first; last what is cut for nothing but units on hold."""
    return _uncut(cut) <= held, cut.state != PlannedCut.State.BEGUN


def _done(cuts: list[PlannedCut]) -> tuple[list[PlannedCut], StockItem | None]:
    """What is cut, the latest only of very many; and the offcut of the last."""
    done = [cut for cut in cuts if cut.state == PlannedCut.State.CUT]
    latest = sorted(done, key=when_cut, reverse=True)
    offcut = latest[0].offcut if latest and latest[0].cut_at else None
    return (latest[:DONE_SHOWN] if len(done) > DONE_SHOWN else done), offcut


@roles_required(*LOOKS)
@require_GET
def plan_news(request: SignedInRequest, pk: int) -> HttpResponse:
    """What happened to a plan since its page was opened; the page asks by itself."""
    plan = plan_for(request.user, pk)
    cuts = list(plan.cuts.filter(state__in=PlannedCut.OPEN))
    context = {"plan": plan, **_news(request, plan, _questioned(cuts, _parts_of(cuts)))}
    return render(request, "fabrication/_plan_news.html", context)


def _questioned(cuts: list[PlannedCut], parts: Mapping[int, Part]) -> dict[int, SizeChange]:
    """The open changes of the units these stock pieces are still to be cut for, by unit."""
    open_parts = [
        parts[piece["part"]]
        for cut in cuts
        if cut.state in PlannedCut.OPEN
        for piece in cut.pieces
        if piece["part"] in parts
    ]
    return in_question(part.make.unit_id for part in open_parts)


def _news(request: SignedInRequest, plan: CutPlan, questioned: dict[int, SizeChange]) -> dict[str, object]:
    """The plan that took its place, and the units in it that are on hold."""
    instead = None
    if plan.state == CutPlan.State.REPLACED:
        live = CutPlan.objects.filter(batch=plan.batch_id, material=plan.material_id)
        instead = live.exclude(state=CutPlan.State.REPLACED).first()
    return {
        "instead": instead,
        "questioned": questioned,
        "questions": _said_of(request, questioned.values()),
    }


def _said_of(request: SignedInRequest, changes: Iterable[SizeChange]) -> list[tuple[str, str]]:
    """Code and what is in question of units on hold."""
    return [(change.unit.code, said(change, request.user.unit)) for change in changes]


def _parts_of(cuts: list[PlannedCut]) -> dict[int, Part]:
    keys = {piece["part"] for cut in cuts for piece in cut.pieces}
    return Part.objects.select_related(
        "make__unit__opening__room", "make__unit__opening__job", "make__unit__product"
    ).in_bulk(keys)


def _how_many_alike(to_cut: list[PlannedCut]) -> int:
    """How many of these, not begun, are cut just like the first; 0 once that one is begun."""
    waiting = [cut for cut in to_cut if cut.state == PlannedCut.State.TO_CUT]
    if not waiting or waiting[0] is not to_cut[0]:
        return 0
    return sum(bench.likeness(cut) == bench.likeness(waiting[0]) for cut in waiting)


def when_cut(cut: PlannedCut) -> dt.datetime:
    """When it was cut; what was cut before that was noted comes first."""
    return cut.cut_at or dt.datetime.min.replace(tzinfo=dt.UTC)


def _alike(cuts: list[PlannedCut]) -> list[list[PlannedCut]]:
    """Cuts that follow one another and are the same."""
    return [list(same) for _, same in groupby(cuts, key=bench.likeness)]


def _part(row: dict[str, Any]) -> Part | None:
    return Part.objects.select_related("make__unit").filter(pk=row["piece"]).first()


@roles_required(*WORKS)
@require_POST
def cut(request: SignedInRequest, pk: int) -> HttpResponse:
    """One tap: the whole stock piece is cut."""
    planned = cut_for(request.user, pk)
    return _act(request, planned.plan_id, bench.mark_cut, cut=planned)


@roles_required(*WORKS)
@require_POST
def cut_alike(request: SignedInRequest, pk: int) -> HttpResponse:
    """One tap for a whole set-up: this stock piece and all cut just like it."""
    planned = cut_for(request.user, pk)
    return _act(request, planned.plan_id, bench.mark_alike, cut=planned)


@roles_required(*WORKS)
@require_POST
def uncut(request: SignedInRequest, pk: int) -> HttpResponse:
    """Takes a tap back."""
    planned = cut_for(request.user, pk)
    return _act(request, planned.plan_id, bench.undo_cut, cut=planned, reason=request.POST.get("reason", "")[:120])


@roles_required(*WORKS)
@require_POST
def cut_piece(request: SignedInRequest, pk: int, position: int) -> HttpResponse:
    """One piece of a stock piece is cut."""
    planned = cut_for(request.user, pk)
    return _act(request, planned.plan_id, bench.mark_piece, cut=planned, position=position)


@roles_required(*WORKS)
@require_POST
def uncut_piece(request: SignedInRequest, pk: int, position: int) -> HttpResponse:
    """Takes the tap on one piece back."""
    planned = cut_for(request.user, pk)
    return _act(request, planned.plan_id, bench.undo_piece, cut=planned, position=position)


@roles_required(*WORKS)
@require_POST
def flaw(request: SignedInRequest, pk: int) -> HttpResponse:
    """A flaw found at the table, at its place; what is left is planned anew."""
    planned = cut_for(request.user, pk)
    is_roll = planned.plan.material.kind == Material.Kind.CLOTH
    form = FlawAtTheTableForm(request.POST, user=request.user, is_roll=is_roll)
    if form.is_valid():
        with refusals_to(form.refuse):
            runs = miscuts.report_flaw(cut=planned, by=request.user, **form.cleaned_data)
            plans = [plan_of(run) for run in runs]
            here = next((plan for plan in plans if plan.batch_id == planned.plan.batch_id), planned.plan)
            return redirect("fabrication:cut_plan", here.pk)
    plan = plan_for(request.user, planned.plan_id)
    return render(request, "fabrication/cutting_plan.html", _plan_context(request, plan, form), status=422)


@roles_required(*WORKS)
@require_POST
def other_lot(request: SignedInRequest, pk: int) -> HttpResponse:
    """Plans a cloth anew with another dye lot than the room's."""
    plan = plan_for(request.user, pk)
    run = plan_material(batch=plan.batch, material=plan.material, by=request.user, any_lot=True)
    return redirect("fabrication:cut_plan", plan_of(run).pk)


def plan_of(run: Run) -> CutPlan:
    """The plan that a run makes."""
    if not isinstance(run.subject, CutPlan):
        raise Http404
    return run.subject


def _act(request: SignedInRequest, plan_id: int, action: Callable[..., object], **what: object) -> HttpResponse:
    with refusals_shown(request):
        action(by=request.user, **what)
    return redirect("fabrication:cut_plan", plan_id)


@roles_required(*WORKS)
@require_POST
def miscut(request: SignedInRequest, pk: int) -> HttpResponse:
    """Books a spoiled cut; what is left is planned anew."""
    planned = cut_for(request.user, pk)
    form = _miscut_form(request, planned)
    if form.is_valid():
        try:
            run = miscuts.report_miscut(cut=planned, by=request.user, **form.values())
            _say_what_is_left(request, planned)
            return redirect("fabrication:cut_plan", plan_of(run).pk)
        except Refused as refusal:
            if not refusal.field:  # it is not to be cut any more
                messages.error(request, refusal.problem)
                return redirect("fabrication:cut_plan", planned.plan_id)
            form.refuse(refusal)
    plan = plan_for(request.user, planned.plan_id)
    context = _plan_context(request, plan, miscut_form=form)
    return render(request, "fabrication/cutting_plan.html", context, status=422)


def _say_what_is_left(request: SignedInRequest, cut: PlannedCut) -> None:
    """The plan's page is another one now: what went back on the rack has a new code and needs its label."""
    cut.refresh_from_db()
    if cut.offcut is not None:
        messages.success(request, f"Offcut {cut.offcut.code}: label it before it goes on the rack, from Stock.")


@roles_required(*WORKS)
@require_POST
def part_scrap(request: SignedInRequest, pk: int) -> HttpResponse:
    """A part that was cut is cut again."""
    part = part_for(request.user, pk)
    form = ReasonForm(request.POST, user=request.user)
    if not form.is_valid():
        messages.error(request, "Say why it is scrapped.")
        return redirect("fabrication:unit", part.make_id)
    try:
        miscuts.scrap_part(part=part, by=request.user, reason=form.cleaned_data["reason"])
        messages.success(request, f"{part.name} is cut again: {part.material.name} of its batch is planned anew.")
    except Refused as refusal:
        messages.error(request, refusal.problem)
    return redirect("fabrication:unit", part.make_id)


def _miscut_form(request: SignedInRequest, cut: PlannedCut, parts: Mapping[int, Part] | None = None) -> MiscutForm:
    """The form for a stock piece, each piece of it by its unit and part."""
    parts = _parts_of([cut]) if parts is None else parts
    found = [(position, parts.get(piece["part"])) for position, piece in enumerate(cut.pieces, 1)]
    names = [f"{position}: {part.make.unit.code} {part.name}" if part else str(position) for position, part in found]
    return MiscutForm(request.POST or None, user=request.user, cut=cut, names=names)


@roles_required(*LOOKS)
@require_GET
def pull_list(request: SignedInRequest, pk: int) -> HttpResponse:
    """What to take from the store for a batch, by place and material."""
    batch = batch_for(request.user, pk)
    held = in_question(batch.makes.values_list("unit", flat=True))
    context = {
        "batch": batch,
        "lines": pull_lines(batch),
        "questions": _said_of(request, held.values()),
        "can_work": request.user.has_role(*WORKS),
    }
    return render(request, "fabrication/pull_list.html", context)


@roles_required(*WORKS)
@require_POST
def pull_material(request: SignedInRequest, pk: int, material_pk: int) -> HttpResponse:
    """Takes what a batch needs of one material from the store."""
    batch = batch_for(request.user, pk)
    material = material_for(request.user, material_pk)
    try:
        bench.pull_material(batch=batch, material=material, by=request.user)
    except Refused as refusal:
        messages.error(request, f"{material.name}: {refusal.problem}. Nothing of it is booked.")
    return redirect("fabrication:pull_list", batch.pk)


@roles_required(*WORKS)
@require_POST
def pull(request: SignedInRequest, pk: int) -> HttpResponse:
    """Takes one part's pieces from the store."""
    part = part_for(request.user, pk)
    try:
        bench.pull_part(part=part, by=request.user)
    except Refused as refusal:
        messages.error(request, f"{part.name} for {part.make.unit.code}: {refusal.problem}")
    return redirect("fabrication:pull_list", part.make.batch_id)


@roles_required(*LOOKS)
@require_GET
def checking(request: SignedInRequest) -> HttpResponse:
    """Units that are assembled, or came back, waiting to be measured."""
    makes = (
        UnitMake.objects.visible_to(request.user)
        .filter(state__in=[UnitMake.State.ASSEMBLY, UnitMake.State.BACK])
        .select_related("unit__product", "unit__opening__room", "unit__opening__job", "batch")
        .order_by("unit__due_on", "pk")
    )
    context = {"makes": makes, "questioned": in_question(make.unit_id for make in makes)}
    return render(request, "fabrication/checking.html", context)


@roles_required(*WORKS)
@require_POST
def check(request: SignedInRequest, pk: int) -> HttpResponse:
    """Records what the finished unit measures."""
    make = make_for(request.user, pk)
    form = CheckForm(request.POST, user=request.user)
    if not form.is_valid():
        return unit_page(request, make, form, status=422)
    try:
        make = bench.check_unit(make=make, by=request.user, **form.cleaned_data)
    except Refused as refusal:
        form.refuse(refusal)
        return unit_page(request, make, form, status=422)
    if make.state == UnitMake.State.MADE:
        messages.success(request, f"{make.unit.code} is made.")
        return redirect("fabrication:checking")
    problem = bench.outside_tolerance(make, form.cleaned_data["width"], form.cleaned_data["height"])
    messages.error(request, f"{make.unit.code} goes back to the bench: {problem}.")
    return redirect("fabrication:unit", make.pk)
