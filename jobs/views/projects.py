"""A project: many sites and phases of one customer, what stands where, phase by phase."""

from __future__ import annotations

from collections.abc import Iterable

from django.contrib import messages
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from jobs.access import OFFICE, project_for
from jobs.forms import ProjectForm
from jobs.models import Job, Project
from jobs.services import booking as services
from jobs.services.stages import by_phase
from jobs.views.jobs import csv_answer, next_visits
from shared.access import SignedInRequest, roles_required
from shared.errors import refusals_to
from shared.versions import edits


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def project(request: SignedInRequest, pk: int) -> HttpResponseBase:
    """Its jobs by phase, each with stage and next visit; name and note can be changed."""
    found = project_for(request.user, pk)
    form = ProjectForm(request.POST or None, user=request.user, instance=found)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            services.edit_project(project=found, by=request.user, **form.cleaned_data)
            messages.success(request, "The project is changed.")
            return redirect("jobs:project", found.pk)
    jobs = found.jobs.select_related("site").prefetch_related(next_visits()).order_by("phase", "pk")
    if request.GET.get("format") == "csv":
        return _csv(found, jobs)
    context = {"project": found, "form": form, "phases": by_phase(jobs)}
    return render(request, "jobs/project.html", context, status=422 if form.errors else 200)


def _csv(found: Project, jobs: Iterable[Job]) -> HttpResponseBase:
    head = ["phase", "job", "title", "site", "openings expected", "stage", "hold", "next visit", "day", "crew"]
    rows = []
    for job in jobs:
        visit = next(iter(job.coming), None)
        coming = [visit.get_purpose_display(), visit.day, visit.crew and visit.crew.name] if visit else ["", "", ""]
        rows.append(
            [
                job.phase, job.number, job.title, job.site.address, job.openings_expected, job.get_stage_display(),
                job.get_hold_display(), *coming,
            ]
        )  # fmt: skip
    return csv_answer(f"project-{found.pk}", head, rows)
