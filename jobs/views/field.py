"""Today: the day's visits in order, for who drives."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from jobs.access import secret_for
from jobs.drawings import map_by_width
from jobs.models import Appointment, Crew, CrewMember
from jobs.ports import Unfinished, ports
from jobs.rules.next_action import NextAction
from jobs.schedule.chances import Outlook, outlooks
from jobs.schedule.day import UNDER_WAY, Stop, read_schedule
from jobs.schedule.words import promise_text
from jobs.views.jobs import parse_date_or_none
from jobs.views.next_action import next_action, open_way
from shared import roles
from shared.access import SignedInRequest, roles_required
from shared.models import User


@dataclass(slots=True)
class Call:
    """One visit as the field page shows it."""

    visit: Appointment
    window: str
    drive_min: int
    outlook: Outlook | None
    bring: list[str]
    secret: str
    url: str
    action: NextAction | None
    left: Unfinished | None


def crews_of(user: User, day: dt.date) -> list[Crew]:
    """The crews the person drives with on that day."""
    members = CrewMember.objects.filter(user=user, from_on__lte=day, crew__branch=user.branch_id)
    pks = [m.crew_id for m in members if m.until_on is None or m.until_on >= day]
    return list(Crew.objects.filter(pk__in=pks).select_related("branch"))


@roles_required(*roles.FIELD)
@require_GET
def today(request: SignedInRequest) -> HttpResponse:
    """The next stop large, then the rest of the day; another day to look ahead."""
    now, today = timezone.now(), timezone.localdate()
    day = parse_date_or_none(request.GET.get("day", "")) or today
    crews = crews_of(request.user, day)
    calls, maps, works = [], [], []
    if crews:
        for one in read_schedule(crews[0].branch, crews, [day]).days.values():
            works.append((one.crew, one.work))
            visible = [row for row in one.appointments if row.state != Appointment.State.RESERVED]
            ahead = outlooks(one, now)
            bring = ports.bring(visible)
            calls += [
                _call(request, row, one.stops[row.pk], ahead.get(row.pk), bring[row.pk], day == today)
                for row in visible
            ]
            if len(visible) > 1:
                maps.append(map_by_width(one))
    calls.sort(key=lambda call: (call.visit.state not in UNDER_WAY, call.visit.starts_at or now))
    open_calls = [call for call in calls if call.visit.state != Appointment.State.DONE]
    context = {
        "day": day,
        "is_today": day == today,
        "yesterday": day - dt.timedelta(days=1),
        "tomorrow": day + dt.timedelta(days=1),
        "crews": crews,
        "works": works,
        "next": open_calls[0] if open_calls else None,
        "rest": open_calls[1:],
        "open_calls": open_calls,
        "done": [call for call in calls if call.visit.state == Appointment.State.DONE],
        "maps": maps,
        "count": len(calls),
        "outcomes": ports.outcomes(call.visit for call in calls),
        "scripts": ports.day_scripts,
    }
    return render(request, "jobs/today.html", context)


def _call(
    request: SignedInRequest, row: Appointment, stop: Stop, outlook: Outlook | None, bring: list[str], is_today: bool
) -> Call:
    left = ports.unfinished(row) if row.state == Appointment.State.ARRIVED else None
    return Call(
        row,
        promise_text(row) if row.is_promised() else "",
        round(stop.driving / 60),
        outlook,
        bring,
        secret_for(request.user, row),
        ports.visit_url(row),
        next_action(row, ways=open_way(row)) if is_today and row.state != Appointment.State.DONE else None,
        left,
    )
