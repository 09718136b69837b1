"""What a firm sets for its own workroom: steps of assembly, places of work."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from fabrication.access import WORKS, work_place_for
from fabrication.forms import WorkPlaceForm
from fabrication.models import AssemblyStep, WorkPlace
from fabrication.services import setting_up as services
from measuring.models import Family
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_to
from shared.versions import edits, held


@roles_required(*WORKS)
@require_GET
def set_up(request: SignedInRequest) -> HttpResponse:
    """Everything that is set, each with its form."""
    return _page(request)


def _page(
    request: SignedInRequest,
    bad: WorkPlaceForm | None = None,
    bad_pk: int | None = None,
    bad_steps: tuple[str, str, str] = ("", "", ""),
) -> HttpResponse:
    """`bad_steps`: family, what was typed, why it was refused."""
    steps = AssemblyStep.objects.visible_to(request.user).filter(is_active=True)
    places = list(WorkPlace.objects.visible_to(request.user))
    forms = [(row, bad if bad and row.pk == bad_pk else _form_of(request, row)) for row in places]
    context = {
        "families": [(key, name, [step.text for step in steps if step.family == key]) for key, name in Family.choices],
        "bad_steps": dict(zip(("family", "typed", "problem"), bad_steps, strict=True)),
        "places": forms,
        "new_place": bad if bad and bad_pk is None else WorkPlaceForm(user=request.user, prefix="new"),
    }
    return render(request, "fabrication/set_up.html", context, status=422 if bad or bad_steps[0] else 200)


def _form_of(request: SignedInRequest, place: WorkPlace) -> WorkPlaceForm:
    return WorkPlaceForm(user=request.user, prefix=f"place-{place.pk}", place=place)


@roles_required(*WORKS)
@require_POST
def steps_save(request: SignedInRequest, family: str) -> HttpResponse:
    """The steps of one family, a line each."""
    if family not in Family.values:
        raise Http404
    texts = request.POST.get("steps", "").splitlines()
    try:
        services.save_steps(branch=request.user.own_branch, family=family, texts=texts, by=request.user)
        messages.success(request, f"{Family(family).label}: these steps are asked for from now on.")
    except Refused as refusal:
        problem = f"{refusal.problem} ({refusal.bound})" if refusal.bound else refusal.problem
        return _page(request, bad_steps=(family, request.POST.get("steps", ""), problem))
    return redirect("fabrication:set_up")


@roles_required(*WORKS)
@require_POST
def place_add(request: SignedInRequest) -> HttpResponse:
    """Another place of work."""
    return _keep_place(request, WorkPlaceForm(request.POST, user=request.user, prefix="new"), None)


@roles_required(*WORKS)
@require_POST
@edits
def place_save(request: SignedInRequest, pk: int) -> HttpResponse:
    """One place of work changed, or taken away."""
    place = held(work_place_for(request.user, pk))
    if request.POST.get("do") == "remove":
        services.remove_work_place(place=place, by=request.user)
        messages.success(request, f"{place.name} is taken away.")
        return redirect("fabrication:set_up")
    form = WorkPlaceForm(request.POST, user=request.user, prefix=f"place-{pk}", place=place)
    return _keep_place(request, form, place)


def _keep_place(request: SignedInRequest, form: WorkPlaceForm, place: WorkPlace | None) -> HttpResponse:
    if form.is_valid():
        with refusals_to(form.refuse):
            saved = services.save_work_place(
                branch=place.branch if place else request.user.own_branch, place=place, by=request.user, **form.values()
            )
            messages.success(request, f"{saved.name} is kept.")
            return redirect("fabrication:set_up")
    return _page(request, form, place.pk if place else None)
