"""The install day on the pages below: a job's panel, a visit's panel, hardware, returns."""

from __future__ import annotations

from collections.abc import Sequence

from django.contrib import messages
from django.db.models import F
from django.http import Http404, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from installs.access import LOADS, OFFICE, RETURNS, job_for, return_for, visit_for
from installs.adapters.evaluation import (
    Worked,
    rules_in,
    rules_of,
    rules_row,
    summed_of,
    units_of_job,
    units_to_install,
    visit_units,
    work_out,
)
from installs.adapters.packet import unit_values
from installs.adapters.truck import list_at
from installs.forms import DecideForm, OpenReturnForm, ReasonForm
from installs.models import Load, LoadLine, ReturnOwed
from installs.rules.causes import CHOOSE, NO, cause
from installs.rules.data import HardwareRules as Rules
from installs.services import hardware
from installs.services import returns as return_services
from installs.services import visits as visit_services
from installs.services.hardware import visit_hardware
from jobs.access import project_for
from jobs.models import INSTALLING, Appointment, Job
from jobs.views.jobs import csv_answer
from measuring.adapters.options import options_shown
from measuring.models import Unit
from shared import roles
from shared.access import SignedInRequest, roles_required
from shared.drawings import Svg
from shared.errors import Refused, refusals_shown, refusals_to
from shared.models import User

SEES = (*LOADS, roles.MEASURER)


def to_load(user: User, job: Job) -> list[LoadLine]:
    """
    Packages of the job that still go on a truck in the yard.

    A label's code opens the job's page for the crew; from here a package is one tap from checked.
    """
    loads = Load.objects.visible_to(user).filter(state__in=[Load.State.OPEN, Load.State.CHECKED])
    lines = LoadLine.objects.filter(load__in=loads, unit__opening__job=job, checked__lt=F("quantity"))
    return list(lines.select_related("load__crew", "unit__opening__room").order_by("load__day", "order"))


@roles_required(*OFFICE)
@require_GET
def punch_list(request: SignedInRequest, pk: int) -> HttpResponseBase:
    """What is still to be put right in a project, phase by phase; as a table for its builder too."""
    project = project_for(request.user, pk)
    owed = (
        ReturnOwed.objects.filter(job__project=project, state__in=[ReturnOwed.State.OWED, ReturnOwed.State.BOOKED])
        .select_related("job__site", "unit__opening__room", "unit__product", "appointment")
        .order_by("job__phase", "job__pk", "unit__opening__room__order", "unit__opening__order")
    )
    rows = [(one.unit.opening.phase or one.job.phase, one) for one in owed]
    if request.GET.get("format") == "csv":
        head = ["phase", "job", "site", "opening", "unit", "product", "to put right", "note", "state", "day"]
        lines = [
            [phase, one.job.number, one.job.site.address, str(one.unit.opening), one.unit.code, one.unit.product.name,
             one.cause_text, one.note, one.get_state_display(), one.appointment.day if one.appointment else ""]
            for phase, one in rows
        ]  # fmt: skip
        return csv_answer(f"punch-list-{project.pk}", head, lines)
    phases: dict[str, list[ReturnOwed]] = {}
    for phase, one in rows:
        phases.setdefault(phase, []).append(one)
    context = {"project": project, "phases": sorted(phases.items()), "count": len(rows)}
    return render(request, "installs/_punch_list.html", context)


@roles_required(*SEES)
@require_GET
def job_panel(request: SignedInRequest, pk: int) -> HttpResponse:
    """The job page's panel: units with their hardware, what can't go up, returns."""
    job = job_for(request.user, pk)
    show = job.branch.unit
    rules = rules_of(job.branch)
    worked = work_out(units_of_job(job), rules)
    visits = job.appointments.filter(purpose__in=INSTALLING).exclude(state=Appointment.State.CANCELLED)
    options = options_shown(one.unit for one in worked)
    context = {
        "job": job,
        "units": [(one.unit, unit_values(one, show, options[one.unit.pk], rules)) for one in worked],
        "returns": job.returns_owed.select_related("unit__opening__room", "remake", "appointment"),
        "visits": visits.select_related("crew", "stop"),
        "free": units_to_install(job).count(),
        "is_office": request.user.has_role(*OFFICE),
        "may_print": request.user.has_role(*OFFICE, roles.INSTALLER),
        "any_installed": any(one.unit.state == Unit.State.INSTALLED for one in worked),
        "to_load": to_load(request.user, job),
    }
    return render(request, "installs/_job_panel.html", context)


@roles_required(*SEES)
@require_GET
def job_hardware_page(request: SignedInRequest, pk: int) -> HttpResponse:
    """Every unit's hardware with its derivation, and the whole job's, summed."""
    job = job_for(request.user, pk)
    row = rules_row(job.branch)
    rules = rules_in(row)
    worked = work_out(units_of_job(job), rules)
    summed = summed_of(worked, rules)
    context = {
        "job": job,
        "worked": _with_drawings(worked, job, rules),
        "summed": summed,
        "rules": rules,
        "rules_row": row,
        "is_office": request.user.has_role(*OFFICE),
        "open_form": OpenReturnForm(user=request.user, units=Unit.objects.filter(pk__in=[o.unit.pk for o in worked])),
    }
    return render(request, "installs/job_hardware.html", context)


def _with_drawings(worked: Sequence[Worked], job: Job, rules: Rules) -> list[dict[str, object]]:
    from installs.drawings import head_drawing
    from shared.drawings import LEAST_PX, NARROW

    rows = []
    options = options_shown(one.unit for one in worked)
    for one in worked:
        drawing: Svg | str = ""
        if one.hardware is not None and one.read is not None:
            spots = [spot.at for spot in one.read.keep_off]
            drawing = head_drawing(
                one.hardware, one.read.width, job.branch.unit, keep_off=spots, wide=NARROW, least=LEAST_PX
            )
        values = unit_values(one, job.branch.unit, options[one.unit.pk], rules)
        rows.append({"one": one, "values": values, "head": drawing})
    return rows


@roles_required(*OFFICE)
@require_POST
def plan_install(request: SignedInRequest, pk: int) -> HttpResponse:
    """A visit for what is to be installed; the dispatcher then chooses its window."""
    job = job_for(request.user, pk)
    keys = [int(key) for key in request.POST.getlist("unit") if key.isdigit()]
    units = list(Unit.objects.filter(pk__in=keys, opening__job=job)) if keys else None
    try:
        visit = visit_services.plan_install(job=job, by=request.user, units=units)
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect(job)
    return redirect("jobs:windows", visit.pk)


# -- a visit -------------------------------------------------------------------------------


@roles_required(*SEES)
@require_GET
def visit_panel(request: SignedInRequest, pk: int) -> HttpResponse:
    """The appointment page's panel: which units, and whether their hardware is there."""
    found = Appointment.objects.visible_to(request.user).filter(pk=pk).select_related("job__branch").first()
    if found is None:
        raise Http404
    if found.purpose not in INSTALLING:
        return HttpResponse("")  # the page of a measure has nothing to load
    return render(request, "installs/_visit_panel.html", _visit_context(request, found))


def _visit_context(request: SignedInRequest, visit: Appointment) -> dict[str, object]:
    rows = visit_units(visit)
    there = {row.unit_id for row in rows}
    waiting = [unit for unit in units_of_job(visit.job) if unit.state != Unit.State.INSTALLED]
    _, lines = list_at(visit)
    pulls = list(visit.pulls.exclude(state="dropped").select_related("material"))
    return {
        "visit": visit,
        "job": visit.job,
        "rows": rows,
        "choices": [(unit, unit.pk in there) for unit in waiting],
        "pulls": pulls,
        "not_on": {line.unit_id for line in lines if line.is_left_behind},
        "short": [pull for pull in pulls if pull.short],
        "is_office": request.user.has_role(*OFFICE),
        "may_pull": request.user.has_role(*RETURNS),
        "is_open": visit.state not in {Appointment.State.DONE, Appointment.State.CANCELLED},
        "may_print": request.user.has_role(*OFFICE, roles.INSTALLER),
    }


@roles_required(*LOADS)
@require_GET
def visit_hardware_page(request: SignedInRequest, pk: int) -> HttpResponse:
    """What one visit needs, what is reserved for it, and what the shelf lacks."""
    visit = visit_for(request.user, pk)
    found = visit_hardware(visit)
    context = _visit_context(request, visit) | {
        "lines": found.lines,
        "shortages": hardware.shortages_of(visit),
        "cannot": [(one.unit, one.cannot) for one in found.worked if one.cannot],
    }
    return render(request, "installs/visit_hardware.html", context)


@roles_required(*RETURNS)
@require_POST
def pull(request: SignedInRequest, pk: int) -> HttpResponse:
    """Reserves in stock what the visit needs."""
    visit = visit_for(request.user, pk)
    with refusals_shown(request):
        pulls = hardware.pull_hardware(appointment=visit, by=request.user)
        lacking = [f"{row.short} {row.material.name}" for row in pulls if row.short]
        if lacking:
            messages.error(request, "The shelf lacks " + ", ".join(lacking[:8]) + ".")
        else:
            messages.success(request, "All of it is reserved.")
    return redirect("installs:visit_hardware", visit.pk)


@roles_required(*OFFICE)
@require_POST
def visit_units_set(request: SignedInRequest, pk: int) -> HttpResponse:
    """Which units this visit is for."""
    visit = visit_for(request.user, pk)
    keys = [int(key) for key in request.POST.getlist("unit") if key.isdigit()]
    units = Unit.objects.filter(pk__in=keys, opening__job=visit.job)
    with refusals_shown(request):
        visit_services.set_visit_units(appointment=visit, units=units, by=request.user)
    return redirect(visit)


# -- returns -------------------------------------------------------------------------------


@roles_required(*RETURNS)
@require_GET
def returns(request: SignedInRequest) -> HttpResponse:
    """What is owed, oldest first; the settled ones on request."""
    rows = ReturnOwed.objects.visible_to(request.user).select_related(
        "job__customer", "job__site", "unit__opening__room", "remake", "appointment__crew"
    )
    shown = request.GET.get("show", "owed")
    if shown != "all":
        shown = "owed"
        rows = rows.filter(state__in=[ReturnOwed.State.OWED, ReturnOwed.State.BOOKED])
    context = {"rows": rows.order_by("opened_at" if shown == "owed" else "-opened_at")[:200], "shown": shown}
    return render(request, "installs/returns.html", context)


@roles_required(*RETURNS)
@require_http_methods(["GET", "POST"])
def return_detail(request: SignedInRequest, pk: int) -> HttpResponse:
    """One return: what happened, what is decided, its visit."""
    owed = return_for(request.user, pk)
    found = cause(owed.cause)
    may_decide = request.user.has_role(*OFFICE)
    form = DecideForm(
        request.POST or None,
        user=request.user,
        initial={
            "remake": found.remake == "yes",
            "remeasure": found.remeasure == "yes",
            "parts_ready_on": owed.parts_ready_on,
        },
    )
    if request.method == "POST":
        if not may_decide:
            from django.core.exceptions import PermissionDenied

            raise PermissionDenied
        if form.is_valid():
            with refusals_to(form.refuse):
                return_services.decide_return(owed=owed, by=request.user, **form.cleaned_data)
                return redirect(owed)
    context = {
        "owed": owed,
        "cause": found,
        "form": form,
        "drop_form": ReasonForm(user=request.user),
        "may_decide": may_decide and owed.is_live() and owed.remake_id is None,
        "may_remake": found.remake != NO,
        "is_choice": CHOOSE in {found.remake, found.remeasure},
        "photos": owed.unit.install_photos.filter(removed_at=None),
        "is_office": may_decide,
    }
    return render(request, "installs/return.html", context, status=422 if form.errors else 200)


@roles_required(*OFFICE)
@require_POST
def return_open(request: SignedInRequest, pk: int) -> HttpResponse:
    """The office opens a return for a unit of this job."""
    job = job_for(request.user, pk)
    form = OpenReturnForm(request.POST, user=request.user, units=Unit.objects.filter(opening__job=job))
    if not form.is_valid():
        messages.error(request, "Choose the unit and why.")
        return redirect("installs:job_hardware", job.pk)
    clean = form.cleaned_data
    try:
        owed = return_services.open_return(
            unit=clean["unit"], cause_key=clean["cause"], note=clean["note"], by=request.user
        )
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("installs:job_hardware", job.pk)
    return redirect(owed)


@roles_required(*OFFICE)
@require_POST
def return_drop(request: SignedInRequest, pk: int) -> HttpResponse:
    """It is not owed any more."""
    owed = return_for(request.user, pk)
    with refusals_shown(request):
        return_services.drop_return(owed=owed, by=request.user, reason=request.POST.get("reason", ""))
    return redirect(owed)


@roles_required(*RETURNS)
@require_POST
def return_ready(request: SignedInRequest, pk: int) -> HttpResponse:
    """When its parts are there."""
    from django.utils.dateparse import parse_date

    owed = return_for(request.user, pk)
    text = request.POST.get("parts_ready_on", "")
    try:
        found = parse_date(text) if text else None
        if text and found is None:
            raise Refused("a day, such as 2026-03-09", field="parts_ready_on")
        return_services.set_parts_ready(owed=owed, ready_on=found, by=request.user)
    except (Refused, ValueError) as error:
        messages.error(request, getattr(error, "problem", "a day, such as 2026-03-09"))
    return redirect(owed)
