"""The day goes wrong: a crew drops out, or nobody can drive."""

from __future__ import annotations

import datetime as dt

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from jobs.access import OFFICE, crew_for
from jobs.forms import DayMoveForm, OutForm
from jobs.schedule.availability import WorkDay, crew_day, local
from jobs.schedule.out import outage
from jobs.services import outages, planning
from jobs.views.appointments import sentence
from jobs.views.jobs import parse_date_or_none
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_to

MINUTES = 5
"""The time proposed is rounded up to so many."""


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def crew_out(request: SignedInRequest, pk: int) -> HttpResponse:
    """A crew is out from a time on: every visit concerned, what is on the van, who could take it; then a plan."""
    crew = crew_for(request.user, pk)
    tz, now = crew.branch.tz, timezone.now()
    day = parse_date_or_none(request.GET.get("day", "")) or now.astimezone(tz).date()
    data = request.POST if request.method == "POST" else request.GET if "time" in request.GET else None
    form = OutForm(
        data, user=request.user, tz=tz, initial={"day": day, "time": _proposed(crew_day(crew, day), now, tz)}
    )
    since, fetch = None, {}
    if form.is_valid():
        day, since = form.cleaned_data["day"], form.since()
        fetch = {name: form.cleaned_data[name] for name in ("fetch", "minutes")}
    elif not form.is_bound:
        since = local(tz, day, form.initial["time"])
    out = outage(crew, day, since, now, **fetch) if since is not None else None
    if request.method == "POST" and since is not None and out is not None:
        with refusals_to(form.refuse):
            run = outages.drop_out(
                crew=crew, day=day, since=since, by=request.user, reason=form.cleaned_data["reason"],
                handover=out.handover, fetched=out.fetched,
            )  # fmt: skip
            return redirect("jobs:plan_run", run.pk)
    context = {"crew": crew, "day": day, "form": form, "since": since, "outage": out}
    return render(request, "jobs/crew_out.html", context, status=422 if form.errors else 200)


@roles_required(*OFFICE)
@require_POST
def move_day(request: SignedInRequest) -> HttpResponse:
    """A storm: everything of a day goes to the days after it, as one plan."""
    form = DayMoveForm(request.POST, user=request.user)
    if form.is_valid():
        try:
            run = planning.move_day(branch=request.user.own_branch, by=request.user, **form.cleaned_data)
            return redirect("jobs:plan_run", run.pk)
        except Refused as refusal:
            messages.error(request, sentence(refusal.problem))
    else:
        messages.error(request, "Say to which days it moves, and why.")
    day = form.cleaned_data.get("day")
    return redirect(f"{reverse('jobs:calendar')}{f'?day={day}' if day else ''}")


def _proposed(work: WorkDay, now: dt.datetime, tz: dt.tzinfo) -> dt.time:
    """From now on a day that runs, else when the crew begins."""
    begins = work.shifts[0][0] if work.shifts else local(tz, work.day, dt.time(8))
    if now.astimezone(tz).date() != work.day or now < begins:
        return begins.astimezone(tz).time()
    late = now.astimezone(tz) + dt.timedelta(minutes=MINUTES, seconds=-1)
    at = late.replace(minute=late.minute // MINUTES * MINUTES, second=0, microsecond=0)
    return at.time() if at.date() == work.day else dt.time(23, 55)
