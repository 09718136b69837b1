"""Two steps of the set-up: crews with their working days, and people."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from jobs.forms import CrewPersonForm, NewCrewForm, OwnCrewForm, WeekForm
from jobs.models import CalendarRules, Crew
from jobs.services import crews as services
from shared.access import SignedInRequest, roles_required
from shared.models import User
from shared.roles import OWNER
from shared.services import add_person
from shared.setup.views import next_step, step_page, taken
from shared.views import code_page

ROWS = 3
"""Crews that can be typed at once; the page has as many empty ones again."""
CREWS, PEOPLE = "jobs:setup_crews", "jobs:setup_people"


@roles_required(OWNER)
@require_http_methods(["GET", "POST"])
def crews(request: SignedInRequest) -> HttpResponse:
    """Working days, and the crews that keep them."""
    branch = request.user.own_branch
    data = request.POST or None
    known = list(Crew.objects.filter(branch=branch))
    week = WeekForm(data, initial=_week_of(known) | {"holiday_country": CalendarRules.of(branch).holiday_country})
    rows = [
        NewCrewForm(data, prefix=f"crew{n}", empty_permitted=bool(n or known), use_required_attribute=False)
        for n in range(ROWS)
    ]

    def keep() -> None:
        services.set_rules(branch=branch, by=request.user, holiday_country=week.cleaned_data["holiday_country"])
        hours = {name: week.cleaned_data[name] for name in ("days", "starts", "ends")}
        for row in rows:
            if row.cleaned_data:
                services.set_up_crew(branch=branch, by=request.user, **row.facts(), **hours)

    right = [form.is_valid() for form in (week, *rows)] if data is not None else [False]
    if all(right):
        with transaction.atomic():
            kept = taken(week, keep)
            transaction.set_rollback(not kept)
        if kept:
            return next_step(request, CREWS)
    answer = step_page(request, CREWS, week, "jobs/setup_crews.html", rows=rows, known=known)
    answer.status_code = 200 if data is None else 422
    return answer


def _week_of(crews: list[Crew]) -> dict[str, Any]:
    """The week of the first crew, where one has hours."""
    hours = list(crews[0].hours.all()) if crews else []
    if not hours:
        return {}
    return {"days": [row.weekday for row in hours], "starts": hours[0].starts, "ends": hours[0].ends}


@roles_required(OWNER)
@require_http_methods(["GET", "POST"])
def people(request: SignedInRequest) -> HttpResponse:
    """Somebody gets an account and a code to hand over; somebody who is there drives with a crew."""
    branch = request.user.own_branch
    form = CrewPersonForm(request.POST if "name" in request.POST else None, user=request.user)
    own = OwnCrewForm(request.POST if "into" in request.POST else None, user=request.user)
    made: list[User] = []

    @transaction.atomic
    def add() -> None:
        facts = form.facts()
        crew = facts.pop("crew")
        made.append(add_person(by=request.user, branch=branch, **facts))
        if crew is not None:
            services.add_member(crew=crew, user=made[0], by=request.user, from_on=_today(request))

    def join() -> None:
        data = own.cleaned_data
        services.add_member(crew=data["into"], user=data["user"], by=request.user, from_on=_today(request))

    if taken(form, add):
        return code_page(request, made[0], then=PEOPLE)
    if taken(own, join):
        return redirect(PEOPLE)
    there = branch.people.filter(is_active=True).prefetch_related("groups", "crew_memberships__crew")
    answer = step_page(request, PEOPLE, form, "jobs/setup_people.html", own=own, people=there)
    answer.status_code = 422 if own.is_bound else answer.status_code
    return answer


def _today(request: SignedInRequest) -> dt.date:
    return timezone.now().astimezone(request.user.own_branch.tz).date()
