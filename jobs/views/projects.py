"""A project: many sites and phases of one customer, what stands where, phase by phase."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from jobs import services
from jobs.access import project_for
from jobs.forms import ProjectForm
from jobs.models import Job, Project
from jobs.views import OFFICE
from jobs.views.jobs import csv_answer, next_visits
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused


@login_required
@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def project(request: SignedInRequest, pk: int) -> HttpResponseBase:
    """Its jobs by phase, each with stage and next visit; name and note can be changed."""
    found = project_for(request.user, pk)
    form = ProjectForm(request.POST or None, user=request.user, instance=found)
    if request.method == "POST" and form.is_valid():
        try:
            services.edit_project(project=found, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.refuse(refusal)
        else:
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


def by_phase(jobs: Iterable[Job]) -> list[dict[str, Any]]:
    """Each phase with its jobs, its openings, and how many jobs stand at each stage; cancelled ones count nowhere."""
    phases: dict[str, list[Job]] = {}
    for job in jobs:
        phases.setdefault(job.phase, []).append(job)
    order = list(Job.Stage.values)
    found = []
    for name, rows in phases.items():
        live = [job for job in rows if not job.is_cancelled()]
        stages = Counter(job.stage for job in live)
        found.append(
            {
                "name": name,
                "jobs": rows,
                "openings": sum(job.openings_expected for job in live),
                "stages": [(Job.Stage(key).label, stages[key]) for key in sorted(stages, key=order.index)],
            }
        )
    return found


def project_of(project: Project) -> list[dict[str, Any]]:
    """The same in plain values, as the API gives it."""
    return [
        {
            "phase": phase["name"],
            "openings_expected": phase["openings"],
            "stages": {str(label): count for label, count in phase["stages"]},
            "jobs": [job.pk for job in phase["jobs"]],
        }
        for phase in by_phase(project.jobs.order_by("phase", "pk"))
    ]
