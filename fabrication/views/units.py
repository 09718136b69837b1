"""One unit as it is made; what a label's code opens; the job page's panel."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET

from fabrication.access import make_for
from fabrication.exploded import draw_unit
from fabrication.forms import CheckForm
from fabrication.models import Part, UnitMake
from fabrication.rules import recipes as rules
from fabrication.views import LOOKS, WORKS
from jobs.models import Job
from measuring.models import Unit
from shared.access import roles_required
from shared.codes import read_code


@login_required
@roles_required(*LOOKS)
@require_GET
def unit_detail(request: HttpRequest, pk: int) -> HttpResponse:
    """Sizes with their derivation, parts with theirs, the check."""
    return unit_page(request, make_for(request.user, pk), CheckForm(user=request.user))


def unit_page(request: HttpRequest, make: UnitMake, form: CheckForm, *, status: int = 200) -> HttpResponse:
    """The unit's page with its check form as it stands."""
    made = make.figures.get("made")
    parts = [part for part in make.parts.select_related("material") if part.state != Part.State.CANCELLED]
    context = {
        "make": make,
        "parts": parts,
        "drawing": draw_unit(rules.UnitMake.from_json(made), unit=request.user.unit) if made else "",
        "check_form": form,
        "can_work": request.user.has_role(*WORKS),
        "can_check": make.state in {UnitMake.State.ASSEMBLY, UnitMake.State.BACK},
    }
    return render(request, "fabrication/unit_detail.html", context, status=status)


@login_required
@require_GET
def by_code(request: HttpRequest, code: str) -> HttpResponse:
    """Where a label's QR leads: the unit's page for whoever may see it."""
    tidy = read_code(code)
    unit = Unit.objects.visible_to(request.user).filter(code=tidy).first() if tidy else None
    if unit is None:
        raise Http404
    if request.user.has_role(*LOOKS) and hasattr(unit, "make"):
        return redirect("fabrication:unit", unit.make.pk)
    return redirect(unit.opening.job)


@login_required
@require_GET
def units_of_job(request: HttpRequest, pk: int) -> HttpResponse:
    """The workroom's panel on the job page."""
    job = get_object_or_404(Job.objects.visible_to(request.user), pk=pk)
    makes = (
        UnitMake.objects.filter(unit__opening__job=job)
        .select_related("unit__opening__room", "unit__product", "batch", "recipe")
        .order_by("unit__opening__room__order", "unit__opening__order", "unit__number")
    )
    return render(request, "fabrication/_units_of_job.html", {"job": job, "makes": makes})
