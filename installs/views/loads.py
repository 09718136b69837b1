"""The truck's load: checked on a phone, leaving the yard, coming back; the van's own stock."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.dateparse import parse_date
from django.views.decorators.http import require_GET, require_POST

from installs.access import LOADS, crew_for, line_for, load_for, today_of, van_row_for
from installs.adapters.truck import lines_of, to_take_over
from installs.forms import VanForm
from installs.models import Load, LoadLine
from installs.services import hardware
from installs.services import loads as load_services
from installs.services.loads import goes_up, visits_of_day
from jobs.models import INSTALLING, Appointment, Crew
from jobs.schedule.day import in_the_calendar
from jobs.views.field import crews_of
from measuring.adapters.changes import in_question
from shared import roles
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused
from shared.models import User


@dataclass(slots=True)
class Section:
    """One part of the list: the rack, a stop, hardware, spares, tools."""

    name: str
    lines: list[LoadLine] = field(default_factory=list)
    visit: Appointment | None = None
    rooms: list[tuple[int, str]] = field(default_factory=list)

    @property
    def missing(self) -> int:
        return sum(1 for line in self.lines if line.missing)


def day_paths(user: User, visits: Iterable[Appointment], load: Load | None) -> str:
    """Addresses of a crew's day for the phone to keep: one's own day, its load, the stops among its visits."""
    stops = [reverse("installs:stop", args=[row.pk]) for row in visits if row.purpose in INSTALLING]
    own = [reverse("jobs:today")] if user.has_role(*roles.FIELD) else []
    return " ".join([*own, *([load.get_absolute_url()] if load else []), *stops])


@roles_required(roles.INSTALLER)
@require_GET
def my_load(request: SignedInRequest) -> HttpResponse:
    """The installer's own load of today, or of the next day with visits."""
    today = today_of(request.user)
    for ahead in range(8):
        day = today + dt.timedelta(days=ahead)
        for crew in crews_of(request.user, day):
            if any(visit.state != Appointment.State.DONE for visit in visits_of_day(crew, day)):
                load = load_services.refresh_load(crew=crew, day=day, by=request.user)
                return redirect(load)
    return render(request, "installs/no_load.html")


@roles_required(*LOADS)
@require_GET
def loads(request: SignedInRequest) -> HttpResponse:
    """Every crew's load of one day."""
    day = parse_date(request.GET.get("day", "")) or today_of(request.user)
    crews = Crew.objects.visible_to(request.user).filter(is_active=True).select_related("branch")
    visits = (
        Appointment.objects.visible_to(request.user)
        .on(day)
        .filter(purpose__in=INSTALLING, crew__in=crews)
        .select_related("job", "crew")
    )
    by_crew: dict[int | None, list[Appointment]] = {}
    for visit in visits:
        by_crew.setdefault(visit.crew_id, []).append(visit)
    found = Load.objects.visible_to(request.user).filter(day=day).prefetch_related("lines")
    there = {load.crew_id: load for load in found}
    rows = []
    for crew in crews:
        if crew.pk in by_crew:
            load = there.get(crew.pk)
            lines = list(load.lines.all()) if load else []
            missing = sum(1 for line in lines if line.missing)
            visits_there = by_crew[crew.pk]
            rows.append({"crew": crew, "visits": visits_there, "load": load, "lines": len(lines), "missing": missing})
    context = {
        "rows": rows,
        "day": day,
        "before": day - dt.timedelta(days=1),
        "after": day + dt.timedelta(days=1),
        "is_today": day == today_of(request.user),
    }
    return render(request, "installs/loads.html", context)


@roles_required(*LOADS)
@require_POST
def make_load(request: SignedInRequest, pk: int, day: str) -> HttpResponse:
    """Puts the list of a crew-day together."""
    found = parse_date(day)
    if found is None:
        return redirect("installs:loads")
    return redirect(load_services.refresh_load(crew=crew_for(request.user, pk), day=found, by=request.user))


@roles_required(*LOADS)
@require_GET
def load(request: SignedInRequest, pk: int) -> HttpResponse:
    """The load check: what to put on, in the order it goes on."""
    row = load_for(request.user, pk)
    if row.is_in_the_yard():
        row = load_services.refresh_load(crew=row.crew, day=row.day, by=request.user)
    return _page(request, row)


def _page(request: SignedInRequest, row: Load, *, problem: Refused | None = None, status: int = 200) -> HttpResponse:
    lines = lines_of(row)
    sections = _sections(lines)
    last = row.checks.filter(undone_at=None).first() if row.is_in_the_yard() else None
    standing = list(in_the_calendar().filter(crew=row.crew, day=row.day))
    context = {
        "load": row,
        "sections": sections,
        "elsewhere": to_take_over(row),
        "count": len(lines),
        "questioned": in_question(line.unit_id for line in lines if line.unit_id),
        "missing": sum(1 for line in lines if line.missing),
        "gaps": [line for line in lines if line.missing],
        "visits": [visit for visit in standing if goes_up(visit)],
        "last": last,
        "before": json.dumps(last.before if last else {}),
        "day_paths": day_paths(request.user, standing, row),
        "after": reverse("jobs:today") if request.user.has_role(roles.INSTALLER) else "",
        "states": dict(Load.State.choices),
        "problem": problem,
        "typed": request.POST.get("code", "") if problem else "",
        "may_print": request.user.has_role(roles.DISPATCHER, roles.OWNER, roles.INSTALLER),
    }
    return render(request, "installs/load.html", context, status=status)


def _sections(lines: list[LoadLine]) -> list[Section]:
    found: dict[str, Section] = {}
    for line in lines:
        section = found.setdefault(line.section, Section(line.section))
        section.lines.append(line)
        if line.section.startswith("stop ") and line.appointment is not None:
            section.visit = line.appointment
            if line.unit is not None:
                room = (line.unit.opening.room_id, line.unit.opening.room.name)
                if room not in section.rooms:
                    section.rooms.append(room)
    return list(found.values())


def _act(request: SignedInRequest, row: Load, action: Callable[..., object], **what: object) -> HttpResponse:
    """One tap on the list; what is refused stands on the page that comes back."""
    try:
        action(by=request.user, **what)
    except Refused as refusal:
        return _page(request, row, problem=refusal, status=422)
    return redirect(row)


@roles_required(*LOADS)
@require_POST
def check(request: SignedInRequest, pk: int) -> HttpResponse:
    """One line on the truck, whole or in part; a whole one tapped again comes off."""
    line = line_for(request.user, pk)
    count = request.POST.get("count", "")
    wanted = int(count) if count.isdigit() else (0 if line.checked == line.quantity else line.quantity)
    return _act(request, line.load, load_services.check_lines, load=line.load, lines=[line], count=wanted)


@roles_required(*LOADS)
@require_POST
def check_code(request: SignedInRequest, pk: int) -> HttpResponse:
    """By the code typed or scanned off a label."""
    row = load_for(request.user, pk)
    bundle = bool(request.POST.get("bundle"))
    return _act(
        request, row, load_services.check_code, load=row, typed=request.POST.get("code", "")[:200], bundle=bundle
    )


@roles_required(*LOADS)
@require_POST
def check_room(request: SignedInRequest, pk: int) -> HttpResponse:
    """All of one room, or of one stop."""
    row = load_for(request.user, pk)
    visit = next((one for one in visits_of_day(row.crew, row.day) if str(one.pk) == request.POST.get("visit")), None)
    if visit is None:
        messages.error(request, "That stop is not on this truck any more.")
        return redirect(row)
    room = request.POST.get("room", "")
    return _act(
        request, row, load_services.check_room, load=row, appointment=visit, room=int(room) if room.isdigit() else None
    )


@roles_required(*LOADS)
@require_POST
def check_section(request: SignedInRequest, pk: int) -> HttpResponse:
    """All of one part of the list, such as the tools."""
    row = load_for(request.user, pk)
    lines = row.lines.filter(section=request.POST.get("section", ""))
    return _act(request, row, load_services.check_lines, load=row, lines=lines)


@roles_required(*LOADS)
@require_POST
def undo(request: SignedInRequest, pk: int) -> HttpResponse:
    row = load_for(request.user, pk)
    return _act(request, row, load_services.undo_check, load=row)


@roles_required(*LOADS)
@require_POST
def leave(request: SignedInRequest, pk: int) -> HttpResponse:
    """The truck leaves the yard; with a gap only for a reason."""
    row = load_for(request.user, pk)
    try:
        load_services.leave_yard(load=row, by=request.user, reason=request.POST.get("reason", ""))
    except Refused as refusal:
        return _page(request, row, problem=refusal, status=422)
    return redirect("jobs:today" if request.user.has_role(roles.INSTALLER) else row)


@roles_required(*LOADS)
@require_POST
def back(request: SignedInRequest, pk: int) -> HttpResponse:
    """The truck is back: what did not go up is put back."""
    row = load_for(request.user, pk)
    return _act(request, row, load_services.come_back, load=row)


@roles_required(*LOADS)
@require_POST
def put_back(request: SignedInRequest, pk: int) -> HttpResponse:
    """So many of one line came back."""
    line = line_for(request.user, pk)
    count = request.POST.get("count", "")
    wanted = int(count) if count.isdigit() else line.checked
    return _act(request, line.load, load_services.put_back, load=line.load, line=line, count=wanted)


# -- the van -----------------------------------------------------------------------------


@roles_required(*LOADS)
@require_GET
def van(request: SignedInRequest, pk: int) -> HttpResponse:
    """What a crew's van carries, and what tops it up."""
    crew = crew_for(request.user, pk)
    rows = hardware.van_rows(crew=crew, by=request.user)
    context = {"crew": crew, "rows": rows, "short": [row for row in rows if row.to_take]}
    return render(request, "installs/van.html", context)


@roles_required(*LOADS)
@require_POST
def top_up(request: SignedInRequest, pk: int) -> HttpResponse:
    """Fills the van from the shelf."""
    crew = crew_for(request.user, pk)
    done = hardware.top_up_van(crew=crew, by=request.user)
    lacking = [f"{missing} {row.material.name}" for row, _, missing in done if missing]
    if lacking:
        messages.error(request, "The shelf lacks " + ", ".join(lacking[:6]) + ".")
    if any(taken for _, taken, _ in done):
        messages.success(request, f"{sum(taken for _, taken, _ in done)} pieces from the shelf into the van.")
    return redirect("installs:van", crew.pk)


@roles_required(*LOADS)
@require_POST
def van_row(request: SignedInRequest, pk: int) -> HttpResponse:
    """Counts one item, or changes its least and most."""
    row = van_row_for(request.user, pk)
    form = VanForm(request.POST, user=request.user)
    if form.is_valid():
        try:
            hardware.set_van_row(row=row, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            messages.error(request, f"{row.material.name}: {refusal.problem}")
    else:
        messages.error(request, f"{row.material.name}: whole numbers, 0 to 100000.")
    return redirect("installs:van", row.crew_id)
