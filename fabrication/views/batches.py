"""Batches: proposals, one batch with its plans."""

from __future__ import annotations

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from fabrication.access import LOOKS, WORKS, batch_for
from fabrication.adapters.loads import loads_of, place_days
from fabrication.drawings import load_drawing
from fabrication.forms import ChosenUnitsForm, MoveBatchForm, ReasonForm
from fabrication.models import Batch, CutPlan, Part, UnitMake
from fabrication.services.batches import (
    JOINABLE,
    add_units,
    cancel_batch,
    open_batch,
    proposals_of,
    propose_batches,
    split_batch,
    take_out,
)
from fabrication.services.planning import plan_batch
from measuring.adapters.changes import in_question
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown


@roles_required(*LOOKS)
@require_GET
def batch_list(request: SignedInRequest) -> HttpResponse:
    """What is under way, and what could be batched next."""
    batches = (
        Batch.objects.visible_to(request.user)
        .exclude(state__in=[Batch.State.DONE, Batch.State.CANCELLED])
        .annotate(units=Count("makes"), made=Count("makes", filter=Q(makes__state=UnitMake.State.MADE)))
        .order_by("due_on", "pk")
    )
    branch, by_material = request.user.branch, request.GET.get("by") == "material"
    places = loads_of(branch=branch) if branch else []
    proposals = proposals_of(branch=branch, places=places, by_material=by_material) if branch else []
    done = Batch.objects.visible_to(request.user).filter(state=Batch.State.DONE)[:10]
    context = {"batches": batches, "proposals": proposals, "done": done, "places": places, "by_material": by_material}
    return render(request, "fabrication/batch_list.html", context)


@roles_required(*LOOKS)
@require_GET
def load(request: SignedInRequest) -> HttpResponse:
    """Each work place day by day, what is late at it, and what working a batch at another time would do."""
    branch = request.user.own_branch
    places = place_days(branch=branch)
    form = MoveBatchForm(request.GET or None, user=request.user)
    moved = []
    if form.is_valid():
        batch = form.cleaned_data["batch"]
        after = place_days(branch=branch, moved=(batch, form.cleaned_data["as_if"]))
        pairs = zip(places, after, strict=True)
        moved = [(was, now, was.ends[batch.pk], now.ends[batch.pk]) for was, now in pairs if batch.pk in was.ends]
    context = {
        "places": [(place, load_drawing(place.name, place.worked)) for place in places],
        "form": form,
        "moved": moved,
    }
    return render(request, "fabrication/load.html", context, status=422 if form.errors else 200)


@roles_required(*WORKS)
@require_POST
def batch_open(request: SignedInRequest) -> HttpResponse:
    """Opens a batch of the units ticked in a proposal."""
    waiting = [make for _, makes in propose_batches(branch=request.user.own_branch) for make in makes]
    form = ChosenUnitsForm(request.POST, user=request.user, choices=waiting)
    if not form.is_valid():
        messages.error(request, "Choose at least one waiting unit; somebody may have batched these already.")
        return redirect("fabrication:batches")
    try:
        batch = open_batch(branch=request.user.own_branch, makes=form.cleaned_data["makes"], by=request.user)
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("fabrication:batches")
    return redirect("fabrication:batch", batch.pk)


@roles_required(*LOOKS)
@require_GET
def batch_detail(request: SignedInRequest, pk: int) -> HttpResponse:
    """One batch: its units, the plan of each material with its proof, what is short."""
    batch = batch_for(request.user, pk)
    plans = batch.plans.exclude(state=CutPlan.State.REPLACED).select_related("material", "run")
    makes = batch.makes.select_related("unit__opening__room", "unit__opening__job", "unit__product", "recipe").order_by(
        "unit__opening__job", "unit__pk"
    )
    waiting = [m for _, several in propose_batches(branch=batch.branch) for m in several]
    context = {
        "batch": batch,
        "plans": plans.counted().order_by("material__kind", "material__name"),
        "makes": makes,
        "questioned": in_question(make.unit_id for make in makes),
        "waiting": waiting if batch.state in JOINABLE else [],
        "to_pull": Part.objects.filter(make__batch=batch, state=Part.State.TO_PULL).count(),
        "can_work": request.user.has_role(*WORKS),
        "can_plan": batch.state in {Batch.State.OPEN, Batch.State.PLANNED, Batch.State.CUTTING},
        "is_open": batch.state in {Batch.State.OPEN, Batch.State.PLANNED},
        "is_planning": any(plan.run and plan.run.is_active() for plan in plans),
    }
    return render(request, "fabrication/batch_detail.html", context)


@roles_required(*WORKS)
@require_POST
def batch_units(request: SignedInRequest, pk: int) -> HttpResponse:
    """Adds, takes out or splits off the units that were ticked."""
    batch = batch_for(request.user, pk)
    makes = [int(key) for key in request.POST.getlist("makes") if key.isdigit()]
    actions = {"add": add_units, "take_out": take_out, "split": split_batch}
    action = actions.get(request.POST.get("do", ""))
    if action is None:
        messages.error(request, "Choose what to do with the units.")
        return redirect("fabrication:batch", pk)
    try:
        result = action(batch=batch, makes=makes, by=request.user)
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("fabrication:batch", pk)
    if action is add_units and result.state != Batch.State.OPEN:
        messages.success(request, "Added. What they are cut from is planned anew; pull their parts as well.")
    return redirect("fabrication:batch", result.pk)


@roles_required(*WORKS)
@require_POST
def batch_plan(request: SignedInRequest, pk: int) -> HttpResponse:
    """Asks for cut plans of every material."""
    batch = batch_for(request.user, pk)
    with refusals_shown(request):
        plan_batch(batch=batch, by=request.user)
    return redirect("fabrication:batch", pk)


@roles_required(*WORKS)
@require_POST
def batch_cancel(request: SignedInRequest, pk: int) -> HttpResponse:
    """Gives the units back and closes the batch."""
    batch = batch_for(request.user, pk)
    form = ReasonForm(request.POST, user=request.user)
    if not form.is_valid():
        messages.error(request, "Say why the batch is cancelled.")
        return redirect("fabrication:batch", pk)
    try:
        cancel_batch(batch=batch, by=request.user, reason=form.cleaned_data["reason"])
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("fabrication:batch", pk)
    return redirect("fabrication:batches")
