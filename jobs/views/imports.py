"""Import of jobs and sites: a file, each line's fate, then yes."""

from __future__ import annotations

from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import OFFICE
from jobs.forms import ImportForm
from jobs.services import imports as services
from jobs.services.imports import COLUMNS, KIND, fates_of, summary
from shared.access import SignedInRequest, roles_required
from shared.errors import refusals_to
from shared.models import Run


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def import_jobs(request: SignedInRequest) -> HttpResponse:
    """Choose a file; the first look writes nothing."""
    form = ImportForm(request.POST or None, request.FILES or None, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            text = services.text_of(form.cleaned_data["file"])
            run = services.ask_for_import(branch=request.user.own_branch, text=text, by=request.user, dry=True)
            return redirect("jobs:import_run", run.pk)
    context = {"form": form, "columns": COLUMNS.items()}
    return render(request, "jobs/import.html", context, status=422 if form.errors else 200)


def _run_for(request: SignedInRequest, pk: UUID) -> Run:
    run = Run.objects.visible_to(request.user).filter(pk=pk, kind=KIND).first()
    if run is None:
        raise Http404
    return run


@roles_required(*OFFICE)
@require_GET
def import_run(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """Each line's fate."""
    run = _run_for(request, pk)
    result = run.result
    if run.state in {Run.State.STOPPED, Run.State.FAILED} and not run.params["dry"]:  # what was booked by then stays
        result = summary(fates_of(run), dry=False)
    return render(request, "jobs/import_run.html", {"run": run, "result": result})


@roles_required(*OFFICE)
@require_POST
def import_confirm(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """Book the lines that can be."""
    run = _run_for(request, pk)
    if not run.result or not run.result.get("dry"):
        raise Http404
    again = services.ask_for_import(
        branch=request.user.own_branch, text=run.params["text"], by=request.user, dry=False, look=run
    )
    return redirect("jobs:import_run", again.pk)
