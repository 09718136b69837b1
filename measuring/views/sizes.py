"""Sizes of a job: derivations, findings, the customer's yes, the release."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from jobs.access import job_for
from jobs.models import Job
from measuring.access import ASKS, MEASURES, SEES_SIZES, approval_for, unit_for
from measuring.adapters.evaluation import current
from measuring.adapters.shapes import templates_among
from measuring.adapters.summaries import bays_among, drawing_of, live_units, openings_of_job, rooms_of, unit_rows
from measuring.forms import ApproveForm, ReleaseForm
from measuring.models import RELEASED_OR_LATER, Unit
from measuring.services import releases
from measuring.services import visits as visit_services
from measuring.services.changes import CHANGEABLE
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_to
from shared.roles import OFFICE

NOT_MADE_YET = {Unit.State.DRAFT, Unit.State.SIZED, Unit.State.APPROVED, Unit.State.RELEASED, Unit.State.IN_WORKROOM}


def _page(request: SignedInRequest, job: Job, status: int = 200, **forms: object) -> HttpResponse:
    openings = openings_of_job(job)
    rows = unit_rows(job, openings)
    context = {
        "job": job,
        "unit": job.branch.unit,
        "rows": rows,
        "undecided": [row for row in rows if row.change or row.unit.state in NOT_MADE_YET],
        "approve_form": ApproveForm(user=request.user),
        "release_form": ReleaseForm(user=request.user),
        "approvals": job.approvals.select_related("recorded_by").prefetch_related("units"),
        "may_approve": [row for row in rows if row.may_be_approved],
        "ready": [row for row in rows if row.is_ready],
        "cautions": releases.release_cautions(row.unit for row in rows if row.unit.state not in RELEASED_OR_LATER),
        "may_decide": request.user.has_role(*OFFICE),
        "may_write": request.user.has_role(*MEASURES),
        "may_ask": request.user.has_role(*ASKS),
        "changeable": CHANGEABLE,
        "waiting": [one for one in openings if not live_units(one)],
        "short": visit_services.short_of(job) if openings else "",
    }
    return render(request, "measuring/sizes.html", context | forms, status=status)


@roles_required(*SEES_SIZES)
@require_GET
def sizes(request: SignedInRequest, job_pk: int) -> HttpResponse:
    """Every unit of the job with its size, how it was reached, and what holds it back."""
    return _page(request, job_for(request.user, job_pk))


def _chosen(request: SignedInRequest, job: Job) -> list[Unit]:
    wanted = [int(pk) for pk in request.POST.getlist("units") if pk.isdigit()]
    return list(Unit.objects.filter(opening__job=job, pk__in=wanted))


@roles_required(*OFFICE)
@require_POST
def approve(request: SignedInRequest, job_pk: int) -> HttpResponse:
    """Record the customer's yes."""
    job = job_for(request.user, job_pk)
    form = ApproveForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            made = releases.approve_sizes(
                job=job,
                units=_chosen(request, job),
                approved_by=form.cleaned_data["approved_by"],
                how=form.cleaned_data["how"],
                by=request.user,
            )
            messages.success(request, f"Approval {made.revision} recorded.")
            return redirect("measuring:sizes", job_pk)
    return _page(request, job, 422, approve_form=form)


@roles_required(*OFFICE)
@require_POST
def withdraw(request: SignedInRequest, pk: int) -> HttpResponse:
    """The customer takes an approval back."""
    one = approval_for(request.user, pk)
    releases.withdraw_approval(approval=one, by=request.user, reason=request.POST.get("reason", ""))
    messages.success(request, f"Approval {one.revision} withdrawn.")
    return redirect("measuring:sizes", one.job_id)


@roles_required(*OFFICE)
@require_POST
def release(request: SignedInRequest, job_pk: int) -> HttpResponse:
    """Hand units to the workroom."""
    job = job_for(request.user, job_pk)
    form = ReleaseForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            done = releases.release_to_workroom(
                job=job, units=_chosen(request, job), due_on=form.cleaned_data["due_on"], by=request.user
            )
            messages.success(request, f"{len(done)} unit{'s' if len(done) != 1 else ''} released to the workroom.")
            return redirect("measuring:sizes", job_pk)
    return _page(request, job, 422, release_form=form)


@roles_required(*OFFICE)
@require_POST
def cancel_unit(request: SignedInRequest, pk: int) -> HttpResponse:
    """A unit is not wanted any more."""
    unit = unit_for(request.user, pk)
    try:
        releases.cancel_unit(unit=unit, by=request.user, reason=request.POST.get("reason", ""))
    except Refused as refusal:
        messages.error(request, f"{unit.code}: {refusal.problem}")
    return redirect("measuring:sizes", unit.opening.job_id)


# -- panels of the job's page -----------------------------------------------------------


@roles_required(*SEES_SIZES)
@require_GET
def job_openings(request: SignedInRequest, job_pk: int) -> HttpResponse:
    """The job's openings as scaled drawings."""
    job = job_for(request.user, job_pk)
    rooms = []
    openings = openings_of_job(job)
    for room, members in rooms_of(openings):
        drawn = []
        for one in members:
            one.job = job
            units = live_units(one)
            drawn.append((one, units, drawing_of(one, current(one.readings.all()), units)))
        rooms.append((room, drawn))
    visits = job.appointments.filter(measure_visit__isnull=False).select_related("measure_visit")
    short = visit_services.short_of(job) if rooms else ""
    context = {"job": job, "rooms": rooms, "unit": job.branch.unit, "visits": visits, "short": short}
    more = {"bays": bays_among(openings), "templates": templates_among(openings)}
    return render(request, "measuring/_job_openings.html", context | more)


@roles_required(*SEES_SIZES)
@require_GET
def job_units(request: SignedInRequest, job_pk: int) -> HttpResponse:
    """The job's units with size and state."""
    job = job_for(request.user, job_pk)
    rows = unit_rows(job, openings_of_job(job))
    context = {
        "job": job,
        "rows": rows,
        "unit": job.branch.unit,
        "ready": sum(row.is_ready for row in rows),
        "changes": [row.change for row in rows if row.change],
        "may_ask": request.user.has_role(*ASKS),
        "changeable": CHANGEABLE,
    }
    return render(request, "measuring/_job_units.html", context)
