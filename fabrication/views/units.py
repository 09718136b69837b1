"""One unit as it is made; what a label's code opens; the job page's panel."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_POST

from fabrication.access import LOOKS, WORKS, make_for, photo_for, step_for
from fabrication.adapters.costs import cost_of
from fabrication.drawings import unit_by_width
from fabrication.forms import CheckForm, PhotoForm
from fabrication.models import Part, StockItem, UnitMake
from fabrication.rules import recipes as rules
from fabrication.services import assembly
from fabrication.services.assembly import steps_of
from fabrication.services.planning import CUTTABLE
from jobs.models import Job
from measuring.access import ASKS
from measuring.adapters.changes import in_question, said
from measuring.adapters.options import options_shown
from measuring.models import Unit
from measuring.services.changes import CHANGEABLE
from shared.access import SignedInRequest, roles_required
from shared.codes import read_package_code
from shared.errors import refusals_shown
from shared.formats.money import money_text
from shared.pictures import picture_answer, refuse_large


@roles_required(*LOOKS)
@require_GET
def unit_detail(request: SignedInRequest, pk: int) -> HttpResponse:
    """Sizes with their derivation, parts with theirs, the check."""
    return unit_page(request, make_for(request.user, pk), CheckForm(user=request.user))


def unit_page(request: SignedInRequest, make: UnitMake, form: CheckForm, *, status: int = 200) -> HttpResponse:
    """The unit's page with its check form as it stands."""
    made = make.figures.get("made")
    parts = [part for part in make.parts.select_related("material") if part.state != Part.State.CANCELLED]
    questioned, cost = in_question([make.unit_id]), cost_of(make)
    currency = make.unit.opening.job.branch.currency
    context = {
        "make": make,
        "questioned": questioned,
        "hold": questioned.get(make.unit_id),
        "question": said(questioned[make.unit_id], request.user.unit) if questioned else "",
        "can_ask": request.user.has_role(*ASKS) and make.unit.state in CHANGEABLE,
        "parts": parts,
        "drawing": unit_by_width(rules.UnitMake.from_json(made), unit=request.user.unit) if made else "",
        "check_form": form,
        "options": options_shown([make.unit])[make.unit_id],
        "photo_form": PhotoForm(user=request.user),
        "steps": steps_of(make),
        "photos": make.photos.all(),
        "cost": cost,
        "cost_in_all": money_text(cost.total, currency),
        "cost_cut": money_text(cost.cut, currency) if cost.cut else "",
        "can_work": request.user.has_role(*WORKS),
        "cuttable": CUTTABLE,
        "can_check": make.state in {UnitMake.State.ASSEMBLY, UnitMake.State.BACK},
    }
    return render(request, "fabrication/unit_detail.html", context, status=status)


@login_required
@require_GET
def by_code(request: SignedInRequest, code: str) -> HttpResponse:
    """Where a label's QR leads: the unit's page for whoever may see it."""
    read = read_package_code(code)
    tidy = read[0] if read else None
    unit = Unit.objects.visible_to(request.user).filter(code=tidy).first() if tidy else None
    if unit is None:
        return _stock_by_code(request, tidy)
    if request.user.has_role(*LOOKS) and hasattr(unit, "make"):
        return redirect("fabrication:unit", unit.make.pk)
    return redirect(unit.opening.job)


def _stock_by_code(request: SignedInRequest, code: str | None) -> HttpResponse:
    """An offcut's or a roll's own label."""
    rows = StockItem.objects.visible_to(request.user) if request.user.has_role(*LOOKS) else StockItem.objects.none()
    item = rows.filter(code=code).first() if code else None
    if item is None:
        raise Http404
    return redirect("fabrication:stock_item", item.pk)


@roles_required(*WORKS)
@require_POST
def step(request: SignedInRequest, pk: int, step_pk: int) -> HttpResponse:
    """Ticks a step of assembly, or takes the tick back."""
    make, what = make_for(request.user, pk), step_for(request.user, step_pk)
    action = assembly.untick_step if request.POST.get("undo") else assembly.tick_step
    with refusals_shown(request):
        action(make=make, step=what, by=request.user)
    return redirect("fabrication:unit", pk)


@roles_required(*WORKS)
@require_POST
def all_steps(request: SignedInRequest, pk: int) -> HttpResponse:
    """Ticks every step that is left."""
    with refusals_shown(request):
        assembly.tick_all(make=make_for(request.user, pk), by=request.user)
    return redirect("fabrication:unit", pk)


@roles_required(*WORKS)
@require_POST
def photo_add(request: SignedInRequest, pk: int) -> HttpResponse:
    """A photo of the finished unit."""
    make = make_for(request.user, pk)
    form = PhotoForm(request.POST, request.FILES, user=request.user)
    if not form.is_valid():
        messages.error(request, "Choose a photo.")
        return redirect("fabrication:unit", pk)
    with refusals_shown(request):
        refuse_large(form.cleaned_data["photo"].size)
        assembly.add_photo(make=make, data=form.cleaned_data["photo"].read(), by=request.user)
    return redirect("fabrication:unit", pk)


@roles_required(*LOOKS)
@require_GET
def photo(request: SignedInRequest, pk: int) -> HttpResponse:
    """The photo itself, for those who may see the unit."""
    return picture_answer(photo_for(request.user, pk).file)


@login_required
@require_GET
def units_of_job(request: SignedInRequest, pk: int) -> HttpResponse:
    """The workroom's panel on the job page."""
    job = get_object_or_404(Job.objects.visible_to(request.user), pk=pk)
    makes = (
        UnitMake.objects.filter(unit__opening__job=job)
        .select_related("unit__opening__room", "unit__product", "batch", "recipe")
        .order_by("unit__opening__room__order", "unit__opening__order", "unit__number")
    )
    context = {"job": job, "makes": makes, "questioned": in_question(make.unit_id for make in makes)}
    return render(request, "fabrication/_units_of_job.html", context)
