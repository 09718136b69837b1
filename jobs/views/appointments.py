"""One appointment: where it stands, its window, moves, the day itself, what is printed of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from django.contrib import messages
from django.http import HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import DRIVES, LOOKS, OFFICE, SEES_PHONES, appointment_for, crew_for, is_of_crew, secret_for
from jobs.adapters import ready_for_visit, sent_to
from jobs.forms import (
    CallForm,
    HereForm,
    MoveForm,
    PromiseForm,
    ReadinessForm,
    ReasonForm,
    SplitForm,
    TimesForm,
    VisitForm,
    WishForm,
)
from jobs.models import ASKED_READY, Appointment, AppointmentMove, Purpose, ServiceCall
from jobs.ports import ports
from jobs.schedule.chances import OVER, outlooks
from jobs.schedule.dates import earliest_install
from jobs.schedule.day import BEGUN, UNDER_WAY, lunch_min, read_schedule
from jobs.schedule.effects import effect_json, effect_of, in_the_way, trouble_text
from jobs.schedule.lateness import arrived_late, grade
from jobs.schedule.offers import rescues
from jobs.schedule.words import copy_text, late_text, readiness_text, stay_text, window_text
from jobs.services import appointments, booking, feeds
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_to
from shared.formats.durations import minutes_text
from shared.versions import edits, held


def _back(request: SignedInRequest, row: Appointment) -> HttpResponse:
    """Where the form came from, if it says so and that is a page of ours; else the appointment."""
    wanted = request.POST.get("next", "")
    if wanted and url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure()):
        return redirect(wanted)
    return redirect("jobs:appointment", row.pk)


def _act(request: SignedInRequest, row: Appointment, words: str, do: Callable[[], object]) -> HttpResponse:
    try:
        do()
    except Refused as refusal:
        messages.error(request, sentence(refusal.problem))
    else:
        messages.success(request, words)
    return _back(request, row)


def sentence(text: str) -> str:
    """A problem as a sentence of its own."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


@roles_required(*LOOKS)
@require_GET
def appointment(request: SignedInRequest, pk: int) -> HttpResponse:
    """One visit: what, where, when; for the office also its window and moves, for the crew its taps."""
    row = appointment_for(request.user, pk)
    return render(request, "jobs/appointment.html", appointment_context(request, row))


def appointment_context(request: SignedInRequest, row: Appointment, **more: object) -> dict[str, object]:
    user = request.user
    is_office = user.has_role(*OFFICE)
    first, why = earliest_install(row) if is_office else (None, "")
    is_call = row.purpose == Purpose.SERVICE
    return {
        "visit": row,
        "outcomes": ports.outcomes([row]),
        "job": row.job,
        "site": row.job.site,
        "window": window_text(row),
        "is_office": is_office,
        "may_tap": is_office or is_of_crew(user, row),
        "sees_phones": user.has_role(*SEES_PHONES),
        "secret": secret_for(user, row),
        "on_arrival": "; ".join(filter(None, (row.job.site.parking, row.job.site.dock_note, row.job.site.pets))),
        "bring": ports.bring([row])[row.pk],
        "left": ports.unfinished(row) if row.state == Appointment.State.ARRIVED else None,
        "is_recorded": row.state in UNDER_WAY and ports.is_recorded(row),
        "visit_url": ports.visit_url(row) if not user.has_role("workroom") else "",
        "earliest": first,
        "earliest_why": why,
        "copy_text": copy_text(row) if is_office else "",
        "ready": ready_for_visit(row) if is_office else None,
        "sent": sent_to(row) if is_office else [],
        "told_stay": stay_text(row),
        "lunch_min": lunch_min(row),
        "last_move": AppointmentMove.objects.filter(appointment=row, undone_at=None).first() if is_office else None,
        "readiness": list(row.readiness.all()),
        "asks_readiness": row.purpose in ASKED_READY,
        "call": ServiceCall.objects.filter(appointment=row).select_related("follow_up").first() if is_call else None,
        "may_note_call": is_call and is_office and row.state not in OVER,
        "split_form": SplitForm(user=user, initial={"first_min": row.duration_min // 2}),
        "reason_form": ReasonForm(user=user),
        "promise_form": _promise_form(request, row),
        "in_the_way": in_the_way(row) if is_office else [],
        **(_risk(row) | times_context(request, row) if is_office else {}),
        **more,
    }


def times_context(
    request: SignedInRequest, row: Appointment, form: TimesForm | WishForm | CallForm | None = None
) -> dict[str, object]:
    """When the customer can and can't, and the form for more of it; nothing once the visit is over."""
    if row.state in {Appointment.State.DONE, Appointment.State.CANCELLED} or row.job.is_cancelled():
        return {}
    now = timezone.now()
    tomorrow = now.astimezone(row.job.branch.tz).date() + dt.timedelta(days=1)
    call = {"on": row.call_on or tomorrow, "note": row.call_note, "owner": row.call_owner_id}
    return {
        "possible": row.possible_windows.filter(ends_at__gte=now),
        "impossible": row.job.impossible_times.filter(ends_at__gte=now),
        "wishes": list(row.job.wishes.all()),
        "times_form": form if isinstance(form, TimesForm) else TimesForm(user=request.user, tz=row.job.branch.tz),
        "wish_form": form if isinstance(form, WishForm) else WishForm(user=request.user),
        "call_form": form if isinstance(form, CallForm) else CallForm(user=request.user, initial=call),
    }


def _risk(row: Appointment) -> dict[str, object]:
    """How it looks for a visit still to come, and when its promise will be missed, who else could keep it."""
    if (came := arrived_late(row)) is not None:
        return {"grade": came}
    if not row.is_placed() or row.state in OVER or row.crew is None or row.day is None:
        return {}
    day = read_schedule(row.job.branch, [row.crew], [row.day]).days[row.crew.pk, row.day]
    outlook = outlooks(day, timezone.now()).get(row.pk)
    if outlook is None:
        return {}
    is_late = outlook.is_late and row.is_promised()
    return {
        "chance": outlook.text if row.is_promised() else "",
        "is_late": is_late,
        "nobody_comes": not outlook.is_manned,
        "expected": None if outlook.is_off_today else outlook.expected,
        "is_off_today": outlook.is_off_today,
        "rescues": rescues(row) if is_late and row.state not in BEGUN else [],
        "late_text": late_text(row, outlook.expected, is_off_today=outlook.is_off_today) if is_late else "",
        "grade": grade(row, outlook, timezone.now()) if row.is_promised() else None,
    }


def _promise_form(request: SignedInRequest, row: Appointment) -> PromiseForm | None:
    if row.state not in {Appointment.State.PLANNED, Appointment.State.PROMISED} or row.starts_at is None:
        return None
    start = timezone.localtime(row.starts_at)
    begin = start.replace(minute=0)
    until = begin + dt.timedelta(hours=2)
    return PromiseForm(user=request.user, initial={"window_from": begin.time(), "window_until": until.time()})


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def appointment_edit(request: SignedInRequest, pk: int) -> HttpResponse:
    """Minutes, people, skills, priority, earliest day, note."""
    row = held(appointment_for(request.user, pk))
    initial = {
        "purpose": row.purpose, "duration_min": row.duration_min, "people": row.people, "priority": row.priority,
        "earliest_on": row.earliest_on, "note": row.note, "skills": row.skills.all(),
    }  # fmt: skip
    data = request.POST.copy() if request.method == "POST" else None
    if data is not None:
        data["purpose"] = row.purpose
    form = VisitForm(data, user=request.user, initial=initial, row=row)
    form.fields["purpose"].disabled = True
    if request.method == "POST" and form.is_valid():
        values = {name: value for name, value in form.cleaned_data.items() if name != "purpose"}
        with refusals_to(form.refuse):
            appointments.edit_appointment(appointment=row, by=request.user, **values)
            messages.success(request, "The visit is changed.")
            if trouble := _trouble_with(row):
                messages.warning(request, f"{trouble}. Move one of them, or call.")
            return redirect("jobs:appointment", row.pk)
    context = {"form": form, "job": row.job, "heading": f"Change the {row.get_purpose_display()} visit"}
    return render(request, "jobs/job_form.html", context, status=422 if form.errors else 200)


def _trouble_with(row: Appointment) -> str:
    """What of its crew's day can't be driven any more, now that it lasts as long as it does."""
    if row.crew is None or row.day is None or not row.is_placed():
        return ""
    return trouble_text(read_schedule(row.job.branch, [row.crew], [row.day]).days[row.crew.pk, row.day])


@roles_required(*DRIVES)
@require_POST
def appointment_here(request: SignedInRequest, pk: int) -> HttpResponse:
    """The phone of somebody at the door says where that is."""
    row = appointment_for(request.user, pk)
    form = HereForm(request.POST, user=request.user)
    if not form.is_valid():
        messages.error(request, "The phone did not say where it is.")
        return redirect("jobs:appointment", row.pk)
    words = "Thank you. The site is where you stand."
    return _act(
        request, row, words, lambda: booking.place_at_door(appointment=row, by=request.user, **form.cleaned_data)
    )


# -- moving ----------------------------------------------------------------------------------


@roles_required(*OFFICE)
@require_GET
def appointment_effect(request: SignedInRequest, pk: int) -> HttpResponse:
    """What a move would cost and break: JSON for the board."""
    row = appointment_for(request.user, pk)
    try:
        crew = crew_for(request.user, int(request.GET.get("crew", "")))
        starts_at = parse_datetime(request.GET.get("starts_at", ""))
    except ValueError:
        starts_at = None
    if starts_at is None or timezone.is_naive(starts_at):
        return JsonResponse({"text": "Say which crew and when."}, status=400)
    return JsonResponse(effect_json(effect_of(row, crew=crew, starts_at=starts_at)))


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def appointment_move(request: SignedInRequest, pk: int) -> HttpResponse:
    """
    Place or move by form: the price and what breaks stand beside it before it happens.

    The board posts here too, with ``Accept: application/json``.
    """
    row = appointment_for(request.user, pk)
    wants_json = "application/json" in request.headers.get("accept", "")
    initial: dict[str, object] = {"crew": row.crew_id, "day": row.day, "version": row.version}
    if row.starts_at is not None:
        initial["time"] = timezone.localtime(row.starts_at).time()
    form = MoveForm(request.POST or request.GET or None, user=request.user, initial=initial)
    effect = None
    if form.is_bound and form.is_valid():
        crew, starts_at = form.cleaned_data["crew"], form.starts_at
        if request.method == "POST" and "look" not in request.POST:
            try:
                appointments.place(
                    appointment=row, crew=crew, starts_at=starts_at, by=request.user,
                    anyway=form.cleaned_data["anyway"], version=form.cleaned_data["version"],
                )  # fmt: skip
            except Refused as refusal:
                if wants_json:
                    body = {"text": sentence(refusal.problem), "field": refusal.field}
                    return JsonResponse(body, status=409)
                form.refuse(refusal)
            else:
                if wants_json:
                    return JsonResponse({"text": f"{row.job.number} stands there now.", "version": row.version})
                messages.success(request, f"{row.job.number} stands there now.")
                return _back(request, row)
        effect = effect_of(row, crew=crew, starts_at=starts_at)
    if wants_json:
        return JsonResponse({"text": "Say which crew and when.", "errors": form.errors}, status=400)
    context = {"form": form, "visit": row, "job": row.job, "effect": effect, "next": request.POST.get("next", "")}
    return render(request, "jobs/appointment_move.html", context, status=422 if form.errors else 200)


@roles_required(*OFFICE)
@require_POST
def appointment_undo(request: SignedInRequest, pk: int) -> HttpResponse:
    """Take the last move back."""
    row = appointment_for(request.user, pk)
    return _act(
        request, row, "The move is taken back.", lambda: appointments.undo_move(appointment=row, by=request.user)
    )


@roles_required(*OFFICE)
@require_POST
def appointment_unplace(request: SignedInRequest, pk: int) -> HttpResponse:
    """Out of the calendar, among the unplaced."""
    row = appointment_for(request.user, pk)
    anyway = bool(request.POST.get("anyway"))
    return _act(
        request, row, "It is among those to schedule.",
        lambda: appointments.unplace(appointment=row, by=request.user, anyway=anyway),
    )  # fmt: skip


@roles_required(*OFFICE)
@require_POST
def appointment_lock(request: SignedInRequest, pk: int) -> HttpResponse:
    """Lock or unlock."""
    row = appointment_for(request.user, pk)
    locked = request.POST.get("locked", "1") == "1"
    words = "Locked: nothing moves it." if locked else "Unlocked."
    return _act(request, row, words, lambda: appointments.lock(appointment=row, by=request.user, locked=locked))


@roles_required(*OFFICE)
@require_POST
def appointment_promise(request: SignedInRequest, pk: int) -> HttpResponse:
    """Promise the reserved window, or the one given, to the customer."""
    row = appointment_for(request.user, pk)
    window = None
    if row.state != Appointment.State.RESERVED and row.day is not None:
        form = PromiseForm(request.POST, user=request.user, day=row.day, tz=row.job.branch.tz)
        if not form.is_valid():
            return render(
                request, "jobs/appointment.html", appointment_context(request, row, promise_form=form), status=422
            )
        window = form.window()
    words = "Promised. The confirmation can be printed, sent or copied below."
    if wrong := "; ".join(blocker.text for blocker in in_the_way(row)):
        words += f" Still in the way: {sentence(wrong)}"
    anyway = request.POST.get("anyway") == "1"
    return _act(
        request,
        row,
        words,
        lambda: appointments.promise(appointment=row, by=request.user, window=window, anyway=anyway),
    )


@roles_required(*OFFICE)
@require_POST
def appointment_let_go(request: SignedInRequest, pk: int) -> HttpResponse:
    """Give a reserved window back."""
    row = appointment_for(request.user, pk)
    return _act(request, row, "The time is free again.", lambda: appointments.let_go(appointment=row, by=request.user))


@roles_required(*OFFICE)
@require_POST
def appointment_cancel(request: SignedInRequest, pk: int) -> HttpResponse:
    """Call the visit off."""
    row = appointment_for(request.user, pk)
    form = ReasonForm(request.POST, user=request.user)
    if not form.is_valid():
        return render(request, "jobs/appointment.html", appointment_context(request, row, reason_form=form), status=422)
    reason = form.cleaned_data["reason"]
    return _act(
        request, row, "The visit is canceled.",
        lambda: appointments.cancel_appointment(appointment=row, by=request.user, reason=reason),
    )  # fmt: skip


@roles_required(*OFFICE)
@require_POST
def appointment_split(request: SignedInRequest, pk: int) -> HttpResponse:
    """Two visits instead of one."""
    row = appointment_for(request.user, pk)
    form = SplitForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            second = appointments.split_appointment(
                appointment=row, first_min=form.cleaned_data["first_min"], by=request.user
            )
            messages.success(request, f"The second part has {minutes_text(second.duration_min)}; choose its window.")
            return redirect("jobs:appointment", second.pk)
    return render(request, "jobs/appointment.html", appointment_context(request, row, split_form=form), status=422)


# -- the day itself ----------------------------------------------------------------------------

TAPS = {
    "on-the-way": (appointments.mark_on_the_way, "You are on the way."),
    "arrived": (appointments.mark_arrived, "Arrived."),
    "done": (appointments.mark_done, "The visit is done."),
    "take-back": (appointments.undo_tap, "The tap is taken back."),
}


@roles_required(*DRIVES)
@require_POST
def appointment_tap(request: SignedInRequest, pk: int, tap: str) -> HttpResponse:
    """Leaving now, arrived, done; the last of the first two taken back."""
    row = appointment_for(request.user, pk)
    service, words = TAPS[tap]
    return _act(request, row, words, lambda: service(appointment=row, by=request.user))


@roles_required(*OFFICE)
@require_POST
def appointment_told(request: SignedInRequest, pk: int) -> HttpResponse:
    """The customer was told that the crew is late."""
    row = appointment_for(request.user, pk)
    return _act(request, row, "Noted.", lambda: appointments.told_late(appointment=row, by=request.user))


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def appointment_readiness(request: SignedInRequest, pk: int) -> HttpResponse:
    """What is asked about the site two or three days ahead, with a text to copy."""
    row = appointment_for(request.user, pk)
    answers = {answer.question: answer for answer in row.readiness.all()}
    form = ReadinessForm(request.POST or None, user=request.user, answers=answers)
    if request.method == "POST" and form.is_valid():
        values = dict(form.cleaned_data)
        note = values.pop("note", "")
        feeds.answer_readiness(appointment=row, answers=values, note=note, by=request.user)
        messages.success(request, "Noted.")
        return redirect("jobs:appointment", row.pk)
    context = {"form": form, "visit": row, "job": row.job, "ask_text": readiness_text(row)}
    return render(request, "jobs/readiness.html", context)


@roles_required(*OFFICE)
@require_GET
def appointment_ics(request: SignedInRequest, pk: int) -> HttpResponse:
    """The visit as a calendar file."""
    from jobs.ics import visit_file

    row = appointment_for(request.user, pk)
    if row.promised_from is None and row.starts_at is None:
        messages.error(request, "It stands nowhere in the calendar yet; choose a time first.")
        return redirect("jobs:appointment", row.pk)
    if row.state == Appointment.State.RESERVED:
        messages.error(request, "Its window is only held: promise it first.")
        return redirect("jobs:appointment", row.pk)
    answer = HttpResponse(visit_file(row), content_type="text/calendar; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{row.job.number}.ics"'
    return answer
