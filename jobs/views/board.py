"""The calendar: the board of a day or a week, its map, what is unplaced."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlencode

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import OFFICE
from jobs.drawings import map_by_width
from jobs.forms import DayMoveForm, SwapForm
from jobs.models import INSTALLING, MEASURING, Appointment, Crew, DaySheet
from jobs.ports import ports
from jobs.schedule.board import draw_board, end_of, kind_of, problem_of
from jobs.schedule.chances import hundredths, outlooks
from jobs.schedule.dates import earliest_installs
from jobs.schedule.day import DaySchedule, Schedule, read_schedule, taking_time
from jobs.schedule.fill import Fill, fills
from jobs.services import appointments
from jobs.services import crews as crew_services
from jobs.views.appointments import sentence
from jobs.views.attention import Decision, crewless, decisions, grouped
from jobs.views.jobs import csv_answer, local_text, parse_date_or_none
from shared.access import SignedInRequest, roles_required
from shared.documents import request_document
from shared.errors import Refused
from shared.formats.dates import short_day

MOST_IN_TRAY: Final = 40
SHOW = {"measuring": MEASURING, "installing": INSTALLING}


@dataclass(frozen=True, slots=True)
class ToSchedule:
    """A visit in the tray beside the board: it stands nowhere yet."""

    row: Appointment
    kind: str
    age: str
    why: str


@dataclass(frozen=True, slots=True)
class Lane:
    """One crew's day as a list, for phones and for reading aloud."""

    schedule: DaySchedule
    rows: list[tuple[Appointment, int, str, str]]
    drive_min: int
    risky: list[tuple[Appointment, str]]


def _crews(request: SignedInRequest, show: str) -> list[Crew]:
    crews = list(
        Crew.objects.visible_to(request.user).filter(is_active=True).select_related("branch").prefetch_related("skills")
    )
    wanted = SHOW.get(show)
    if wanted is None:
        return crews
    return [crew for crew in crews if not crew.purposes or set(crew.purposes) & set(map(str, wanted))]


def week_of(day: dt.date, first_weekday: int) -> list[dt.date]:
    """
    The seven days around a day, from the weekday on which the branch's week begins (Monday is 0).

    >>> [str(day) for day in week_of(dt.date(2027, 4, 4), 6)[:2]], str(week_of(dt.date(2027, 4, 4), 0)[0])
    (['2027-04-04', '2027-04-05'], '2027-03-29')
    """
    first = day - dt.timedelta(days=(day.weekday() - first_weekday) % 7)
    return [first + dt.timedelta(days=position) for position in range(7)]


def month_of(day: dt.date, first_weekday: int) -> list[list[dt.date]]:
    """
    The whole weeks that have a day of the month.

    >>> weeks = month_of(dt.date(2027, 4, 15), 6)
    >>> str(weeks[0][0]), str(weeks[-1][-1])
    ('2027-03-28', '2027-05-01')
    """
    first, last = day.replace(day=1), (day.replace(day=28) + dt.timedelta(days=4)).replace(day=1) - dt.timedelta(days=1)
    begin = week_of(first, first_weekday)[0]
    weeks = (week_of(last, first_weekday)[0] - begin).days // 7 + 1
    return [week_of(begin + dt.timedelta(days=7 * position), first_weekday) for position in range(weeks)]


@roles_required(*OFFICE)
@require_GET
def calendar(request: SignedInRequest) -> HttpResponseBase:
    """A day or a week × crews; the map; what is unplaced and why."""
    today = timezone.localdate()
    day = parse_date_or_none(request.GET.get("day", "")) or today
    view = request.GET.get("view", "")
    if view == "month":
        return _month(request, day, today)
    view = "week" if view == "week" else "day"
    now = timezone.now()
    show, words = request.GET.get("show", ""), request.GET.get("q", "").strip()
    branch = request.user.branch
    crews = _crews(request, show)
    days = week_of(day, branch.first_weekday if branch is not None else 0) if view == "week" else [day]
    schedule = read_schedule(branch, crews, days) if branch is not None and crews else None
    if request.GET.get("format") == "csv":
        return _csv(schedule, days)
    outcomes = ports.outcomes(_standing(schedule))
    keep = {"view": view, "show": show, "q": words}
    context: dict[str, object] = {
        "day": day,
        "days": days,
        "today": today,
        "view": view,
        "show": show,
        "q": words,
        "crews": crews,
        "schedule": schedule,
        "board": draw_board(schedule, crews, days, outcomes, now=now, words=words) if schedule else "",
        "earlier": _link(keep, days[0] - dt.timedelta(days=1 if view == "day" else 7)),
        "later": _link(keep, days[-1] + dt.timedelta(days=1)),
        "to_today": _link(keep, today),
        "as_day": _link(keep | {"view": "day"}, day),
        "as_week": _link(keep | {"view": "week"}, day),
        "as_month": _link({"view": "month", "show": show}, day),
        "csv": _link(keep, day, format="csv"),
        "here": _link(keep, day),
        "tray": _tray(request, today),
    }
    if request.htmx and request.headers.get("hx-target") == "board":
        parts = (render_to_string(f"jobs/calendar.html#{part}", context, request) for part in ("board", "tray"))
        return HttpResponse("".join(parts))
    one_day = schedule if view == "day" else None
    found = decisions(request.user) if day == today else _crewless(one_day)
    context |= {
        **_lanes(one_day, now),
        "outcomes": outcomes,
        "week": _week(keep, schedule, days) if schedule and view == "week" else [],
        "decisions": grouped(found),
        "may_undo_swap": view == "day" and bool(appointments.last_swap(crews, day)),
        "swap_form": SwapForm(user=request.user, initial={"day": day}),
        "day_form": DayMoveForm(user=request.user, initial={"day": day, "until_on": day + dt.timedelta(days=4)}),
    }
    return render(request, "jobs/calendar.html", context)


def _month(request: SignedInRequest, day: dt.date, today: dt.date) -> HttpResponse:
    """How full each day of a month is, the way to any of them."""
    show, branch = request.GET.get("show", ""), request.user.branch
    weeks = month_of(day, branch.first_weekday if branch is not None else 0)
    crews = _crews(request, show)
    days = [one for week in weeks for one in week]
    found = fills(branch, crews, days) if branch is not None and crews else {}
    keep = {"view": "month", "show": show}
    context = {
        "day": day,
        "today": today,
        "show": show,
        "weeks": [[(one, *found.get(one, (Fill(), 0)), _link({"show": show}, one)) for one in week] for week in weeks],
        "names": weeks[0],
        "crews": crews,
        "earlier": _link(keep, day.replace(day=1) - dt.timedelta(days=1)),
        "later": _link(keep, (day.replace(day=28) + dt.timedelta(days=4)).replace(day=1)),
        "to_today": _link(keep, today),
        "as_day": _link({"show": show}, day),
        "as_week": _link({"view": "week", "show": show}, day),
    }
    return render(request, "jobs/month.html", context)


def _crewless(schedule: Schedule | None) -> list[Decision]:
    if schedule is None:
        return []
    return crewless(list(schedule.rows.values()), {key: one.work for key, one in schedule.days.items()})


def _lanes(schedule: Schedule | None, now: dt.datetime) -> dict[str, object]:
    """What a day's page shows beside its board: crews as lists, the map, promises under the branch's floor."""
    if schedule is None:
        return {"lanes": [], "map": None, "risky": []}
    lanes = [_lane(one, now, schedule.rules.chance_floor) for one in schedule.days.values()]
    return {
        "lanes": lanes,
        "map": map_by_width(*schedule.days.values()),
        "risky": [entry for lane in lanes for entry in lane.risky],
    }


def _week(keep: dict[str, str], schedule: Schedule, days: list[dt.date]) -> list[dict[str, object]]:
    """The days of a week with how much stands on each, for screens too narrow for its board."""
    found = []
    for day in days:
        ones = [one for (_, on), one in schedule.days.items() if on == day]
        found.append(
            {
                "day": day,
                "link": _link(keep | {"view": "day"}, day),
                "visits": sum(len(one.standing) for one in ones),
                "crews": sum(one.work.works for one in ones),
            }
        )
    return found


def _standing(schedule: Schedule | None) -> list[Appointment]:
    return [row for one in (schedule.days.values() if schedule else []) for row in one.appointments]


def _link(keep: dict[str, str], day: dt.date, **more: str) -> str:
    query = {key: value for key, value in {**keep, "day": day.isoformat(), **more}.items() if value}
    return f"{reverse('jobs:calendar')}?{urlencode(query)}"


def _lane(one: DaySchedule, now: dt.datetime, floor: int) -> Lane:
    ahead = outlooks(one, now)
    rows, risky = [], []
    for row in one.appointments:
        outlook = ahead.get(row.pk)
        text = outlook.text if outlook is not None else ""
        rows.append((row, round(one.stops[row.pk].driving / 60), problem_of(outlook), text))
        if outlook is not None and outlook.chance is not None and hundredths(outlook.chance.on_time) < floor:
            risky.append((row, text))
    return Lane(one, rows, round(one.timeline.drive / 60), risky)


def unplaced_of(request: SignedInRequest) -> QuerySet[Appointment]:
    """Visits that stand nowhere, of jobs that go on."""
    return (
        Appointment.objects.visible_to(request.user)
        .unplaced()
        .filter(job__cancelled_at=None)
        .select_related("job__customer", "job__site", "job__branch")
        .order_by("-priority", "created_at")
    )


def _tray(request: SignedInRequest, today: dt.date) -> dict[str, object]:
    rows = unplaced_of(request)
    first = list(rows[:MOST_IN_TRAY])
    shown = [
        ToSchedule(row, kind_of(row.purpose), _age(row, today), why_unplaced(row, earliest))
        for row, (earliest, _) in zip(first, earliest_installs(first), strict=True)
    ]
    return {"rows": shown, "more": rows.count() - len(shown) if len(shown) == MOST_IN_TRAY else 0}


def _age(row: Appointment, today: dt.date) -> str:
    """How long somebody has been waiting for it."""
    days = (today - timezone.localdate(row.created_at)).days
    return "new today" if days < 1 else f"{days} day{'' if days == 1 else 's'}"


def why_unplaced(row: Appointment, earliest: dt.date | None) -> str:
    """What stands in the way, as far as the books say; empty where nothing does. `earliest` as the offers have it."""
    if row.job.is_held():
        return f"held for {row.job.get_hold_display()}"
    if not row.job.site.has_coordinates():
        return "the site has no coordinates"
    if earliest is not None and earliest > timezone.localdate():
        return f"not before {short_day(earliest)}"
    return ""


def _csv(schedule: Schedule | None, days: list[dt.date]) -> HttpResponseBase:
    head = [
        "day", "crew", "job", "customer", "address", "visit", "starts", "ends", "promised from", "until", "state",
        "outcome", "problem", "locked",
    ]  # fmt: skip
    outcomes, now = ports.outcomes(_standing(schedule)), timezone.now()
    rows = [
        [
            row.day, one.crew.name, row.job.number, row.job.customer.name, row.job.site.address,
            row.get_purpose_display(), local_text(row.starts_at), local_text(end_of(one, row, row.begin())),
            local_text(row.promised_from), local_text(row.promised_until), row.get_state_display(),
            outcomes.get(row.pk, ""), problem_of(ahead.get(row.pk)), "locked" if row.is_locked else "",
        ]
        for one in (schedule.days.values() if schedule else [])
        for ahead in [outlooks(one, now)]
        for row in one.appointments
    ]  # fmt: skip
    return csv_answer(f"calendar-{days[0].isoformat()}", head, rows)


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def sheets(request: SignedInRequest) -> HttpResponse:
    """The day sheets of every crew that drives on a day, whatever it drives for."""
    data = request.POST if request.method == "POST" else request.GET
    day = parse_date_or_none(data.get("day", "")) or timezone.localdate()
    busy = set(taking_time().filter(day=day).values_list("crew", flat=True))
    crews = [crew for crew in _crews(request, "") if crew.pk in busy]
    if request.method == "POST":
        for sheet in crew_services.open_day_sheets(crews=crews, day=day):
            request_document(kind="jobs.day_sheet", subject=sheet, by=request.user)
        return redirect(f"{reverse('jobs:sheets')}?day={day.isoformat()}")
    rows = DaySheet.objects.visible_to(request.user).filter(day=day, crew__in=crews).select_related("crew__branch")
    context = {"day": day, "crews": crews, "sheets": rows, "back": _link({}, day)}
    return render(request, "jobs/sheets.html", context)


@roles_required(*OFFICE)
@require_POST
def swap(request: SignedInRequest) -> HttpResponse:
    """Two crews trade their day, or the last trade is taken back."""
    if "undo" in request.POST:
        return _undo_swap(request)
    form = SwapForm(request.POST, user=request.user)
    day = timezone.localdate()
    if form.is_valid():
        data = form.cleaned_data
        day = data["day"]
        try:
            rows = appointments.swap_crews(
                one=data["one"], other=data["other"], day=day, by=request.user, anyway=data["anyway"]
            )
            messages.success(request, _traded_text(len(rows), data["one"], data["other"], day))
        except Refused as refusal:
            messages.error(request, sentence(refusal.problem))
    else:
        messages.error(request, "Choose two crews.")
    return redirect(f"{reverse('jobs:calendar')}?day={day.isoformat()}")


def _undo_swap(request: SignedInRequest) -> HttpResponse:
    day = parse_date_or_none(request.POST.get("day", "")) or timezone.localdate()
    try:
        count = appointments.undo_swap(crews=_crews(request, ""), day=day, by=request.user)
        messages.success(request, f"{count} visit{'' if count == 1 else 's'} went back to the crew before the swap.")
    except Refused as refusal:
        messages.error(request, sentence(refusal.problem))
    return redirect(f"{reverse('jobs:calendar')}?day={day.isoformat()}")


def _traded_text(count: int, one: Crew, other: Crew, day: dt.date) -> str:
    """How many visits changed crews, and which stayed because they are locked."""
    text = f"{count} visit{'' if count == 1 else 's'} changed crews."
    stayed = Appointment.objects.live().filter(crew__in=[one, other], day=day, is_locked=True).select_related("job")
    numbers = ", ".join(row.job.number for row in stayed)
    return f"{text} Locked, so it stays: {numbers}." if numbers else text
