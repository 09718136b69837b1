"""The day, the visit, its close-out: plain pages that work without a script."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import secret_for
from jobs.models import MEASURING, Appointment
from jobs.rules.next_action import NextAction, Way
from jobs.views.next_action import next_action
from measuring.access import MEASURES, appointment_for, room_for, tape_for, visit_for
from measuring.adapters.summaries import live_units, options_to_choose, rooms_of
from measuring.forms import CloseForm, ListForm, ReasonForm, RoomDefaultsForm, RoomForm
from measuring.models import MeasureVisit, Opening
from measuring.rules.families import TABLE
from measuring.services import openings as opening_services
from measuring.services import visits
from measuring.services.openings import read_opening_list
from measuring.services.visits import alike, open_ends
from shared.access import SignedInRequest, roles_required
from shared.errors import refusals_shown, refusals_to
from shared.roles import MEASURER


@roles_required(*MEASURES)
@require_GET
def day(request: SignedInRequest) -> HttpResponse:
    """Today's measuring visits in order."""
    now = timezone.localtime()
    rows = (
        Appointment.objects.visible_to(request.user)
        .live()
        .filter(purpose__in=MEASURING, day=now.date())
        .select_related("job__customer", "job__site", "job__branch", "crew", "measure_visit")
        .order_by("starts_at", "pk")
    )
    context = {"appointments": rows, "today": now.date(), "takes_field": takes_field(request)}
    return render(request, "measuring/day.html", context)


def takes_field(request: SignedInRequest) -> bool:
    """Whether the page that works without signal takes over: for measurers, unless they ask for the plain one."""
    return request.user.has_role(MEASURER) and "plain" not in request.GET


@roles_required(*MEASURES)
@require_GET
def visit(request: SignedInRequest, pk: int) -> HttpResponse:
    """One visit: rooms and openings in walking order."""
    appointment = appointment_for(request.user, pk)
    current = MeasureVisit.objects.filter(appointment=appointment).select_related("tape", "measurer").first()
    openings = visits.openings_of(current) if current else []
    context = {
        "takes_field": takes_field(request),
        "appointment": appointment,
        "visit": current,
        "job": appointment.job,
        "short": visits.short_of(appointment.job) if current else "",
        "secret": secret_for(request.user, appointment),
        "rooms": [
            (room, [(one, live_units(one)) for one in members], RoomDefaultsForm(request.user, room))
            for room, members in rooms_of(openings)
        ],
        "empty_rooms": appointment.job.rooms.exclude(pk__in={one.room_id for one in openings}),
        "tapes": request.user.tapes.filter(is_retired=False),
        "room_form": RoomForm(user=request.user),
        "list_form": ListForm(user=request.user),
        "action": _action(appointment, current, openings),
    }
    return render(request, "measuring/visit.html", context)


def _action(appointment: Appointment, visit: MeasureVisit | None, openings: Sequence[Opening]) -> NextAction:
    """What comes next at the visit."""
    pk = appointment.pk
    open_one = next((one for one in openings if one.state in (Opening.State.TO_MEASURE, Opening.State.UNDER_WAY)), None)
    begin = Way("work", "Begin to measure", reverse("measuring:begin", args=[pk]), "measuring.begin")
    close = Way("close", "Close out", reverse("measuring:close", args=[pk]), also="work" if visit and openings else "")
    onward = Way("next", "Today", reverse("jobs:today"))
    work = Way("work", f"Measure {open_one}", reverse("measuring:opening", args=[open_one.pk])) if open_one else None
    ways = [begin] if visit is None else [work, close] if work else [close]
    left = visit is None or open_one is not None
    return next_action(appointment, ways=[*ways, onward], here=True, left=left)


@roles_required(*MEASURES)
@require_POST
def begin(request: SignedInRequest, pk: int) -> HttpResponse:
    """Begin to measure, or choose another tape."""
    appointment = appointment_for(request.user, pk)
    tape = tape_for(request.user, int(request.POST["tape"])) if request.POST.get("tape", "").isdigit() else None
    return _done(request, lambda: visits.open_visit(appointment=appointment, by=request.user, tape=tape), pk)


@roles_required(*MEASURES)
@require_POST
def add_room(request: SignedInRequest, pk: int) -> HttpResponse:
    """A room with its first opening."""
    now = visit_for(request.user, pk)
    form = RoomForm(request.POST, user=request.user)
    if not form.is_valid():
        messages.error(request, "; ".join(str(error) for errors in form.errors.values() for error in errors))
        return redirect("measuring:visit", pk)

    def action() -> None:
        room = opening_services.add_room(
            job=now.appointment.job, name=form.cleaned_data["name"], floor=form.cleaned_data["floor"], by=request.user
        )
        if not room.openings.exists():
            opening_services.add_opening(room=room, by=request.user, visit=now)

    return _done(request, action, pk)


@roles_required(*MEASURES)
@require_POST
def add_opening(request: SignedInRequest, pk: int, room_pk: int) -> HttpResponse:
    """One more opening of a room."""
    now, room = visit_for(request.user, pk), room_for(request.user, room_pk)
    if room.job_id != now.appointment.job_id:
        return redirect("measuring:visit", pk)
    return _done(request, lambda: opening_services.add_opening(room=room, by=request.user, visit=now), pk)


@roles_required(*MEASURES)
@require_POST
def room_defaults(request: SignedInRequest, pk: int, room_pk: int) -> HttpResponse:
    """What new openings of the room begin with; same as the last opening when asked."""
    room = room_for(request.user, room_pk)
    appointment_for(request.user, pk)
    form = RoomDefaultsForm(request.user, room, request.POST)
    if not form.is_valid():
        messages.error(request, "; ".join(str(error) for errors in form.errors.values() for error in errors))
        return redirect("measuring:visit", pk)
    return _done(
        request,
        lambda: opening_services.change_room(room=room, defaults=form.cleaned_data, by=request.user),
        pk,
        "Kept.",
    )


@roles_required(*MEASURES)
@require_POST
def reorder(request: SignedInRequest, pk: int, room_pk: int) -> HttpResponse:
    """An opening one place up or down, or the room itself."""
    room = room_for(request.user, room_pk)
    appointment_for(request.user, pk)
    way = -1 if request.POST.get("way") == "up" else 1
    moved = request.POST.get("opening", "")
    if moved.isdigit():
        order = list(room.openings.order_by("order", "pk").values_list("pk", flat=True))
        _shift(order, int(moved), way)
        return _done(request, lambda: opening_services.reorder_openings(room=room, openings=order, by=request.user), pk)
    order = list(room.job.rooms.order_by("order", "pk").values_list("pk", flat=True))
    _shift(order, room.pk, way)
    return _done(request, lambda: opening_services.reorder_rooms(job=room.job, rooms=order, by=request.user), pk)


def _shift(order: list[int], which: int, way: int) -> None:
    if which in order:
        at = order.index(which)
        to = min(max(at + way, 0), len(order) - 1)
        order.insert(to, order.pop(at))


@roles_required(*MEASURES)
@require_http_methods(["GET", "POST"])
def load_list(request: SignedInRequest, pk: int) -> HttpResponse:
    """Openings from a CSV: first what would happen, then the action."""
    now = visit_for(request.user, pk)
    job = now.appointment.job
    sent = (request.POST, request.FILES) if request.method == "POST" else (None, None)
    form = ListForm(*sent, user=request.user)
    plan = None
    if request.method == "POST" and form.is_valid():
        text = form.cleaned_data["text"]
        plan = read_opening_list(job=job, text=text)
        if request.POST.get("sure") and plan.is_good():
            with refusals_to(form.refuse):
                opening_services.load_openings(job=job, text=text, by=request.user, visit=now)
                messages.success(request, f"{len(plan.new)} openings added.")
                return redirect("measuring:visit", pk)
        form = ListForm(initial={"text": text}, user=request.user)
    context = {"visit": now, "appointment": now.appointment, "job": job, "form": form, "plan": plan}
    return render(request, "measuring/load_list.html", context, status=422 if form.errors else 200)


@roles_required(*MEASURES)
@require_http_methods(["GET", "POST"])
def close(request: SignedInRequest, pk: int) -> HttpResponse:
    """The close-out: what is missing or to be checked, then done."""
    now = visit_for(request.user, pk)
    form = CloseForm(request.POST if request.method == "POST" else None, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            visits.close_visit(
                visit=now,
                by=request.user,
                in_part=form.cleaned_data["in_part"],
                note_text=form.cleaned_data["note"],
            )
            messages.success(request, "Closed out. The office sees the sizes now.")
            return redirect("measuring:visit", pk)
    openings = visits.openings_of(now)
    ends = [] if now.is_closed() else open_ends(openings)
    context = {
        "visit": now,
        "appointment": now.appointment,
        "job": now.appointment.job,
        "form": form,
        "short": visits.short_of(now.appointment.job),
        "to_choose": options_to_choose(openings),
        "blocking": alike([end for end in ends if end.blocks]),
        "checking": alike([end for end in ends if not end.blocks]),
        "openings": [(one, live_units(one)) for one in openings],
    }
    return render(request, "measuring/close.html", context, status=422 if form.errors else 200)


@roles_required(*MEASURES)
@require_http_methods(["GET", "POST"])
def not_measured(request: SignedInRequest, pk: int) -> HttpResponse:
    """Nothing could be measured, and why."""
    appointment = appointment_for(request.user, pk)
    form = ReasonForm(request.POST if request.method == "POST" else None, user=request.user)
    if request.method == "POST" and form.is_valid():
        reason = form.cleaned_data["reason"]
        with refusals_to(form.refuse):
            visits.could_not_measure(appointment=appointment, reason=reason, by=request.user)
            messages.success(request, "Closed. The office sees that another visit is needed.")
            return redirect("measuring:visit", pk)
    context = {"appointment": appointment, "form": form, "reasons": TABLE["not_measured"]}
    return render(request, "measuring/not_measured.html", context, status=422 if form.errors else 200)


@roles_required(*MEASURES)
@require_POST
def reopen(request: SignedInRequest, pk: int) -> HttpResponse:
    """Open a closed visit again."""
    now = visit_for(request.user, pk)
    return _done(request, lambda: visits.reopen_visit(visit=now, by=request.user), pk)


def _done(request: SignedInRequest, action: Callable[[], object], pk: int, words: str = "") -> HttpResponse:
    """Do it and go back to the visit; what was refused stands among the messages."""
    with refusals_shown(request):
        action()
        if words:
            messages.success(request, words)
    return redirect(reverse("measuring:visit", args=[pk]))
