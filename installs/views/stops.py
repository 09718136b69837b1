"""The stop on a phone: arrived, what went up, what did not and why, the sign-off, next."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from fabrication.models import Material
from installs.access import INSTALLS, LOADS, payment_for, photo_for, stop_for, unit_key, used_for
from installs.adapters.evaluation import rules_of, visit_units
from installs.adapters.packet import (
    caution_values,
    draw_stop,
    facts_of_site,
    hardware_values,
    left_by_measurer,
    names_of,
    read_openings,
    stop_summary,
    stop_values,
)
from installs.adapters.truck import left_behind, list_at, packages_on
from installs.drawings import signature_drawing
from installs.forms import CauseForm, HardwareUsedForm, PhotoForm, SignForm
from installs.models import MOTOR_TICKS, Stop, VisitUnit
from installs.rules.causes import kinds_of, top_causes
from installs.services import stops as services
from installs.views.loads import day_paths
from jobs.access import secret_for
from jobs.forms import PaymentForm
from jobs.models import INSTALLING, Appointment, Payment, Purpose, ServiceCall
from jobs.ports import ports
from jobs.rules.next_action import NextAction, Way, back_until
from jobs.schedule.day import in_the_calendar, read_day
from jobs.schedule.words import clock, promise_text
from jobs.services import money
from jobs.services.money import Balance
from jobs.views.next_action import next_action
from measuring.models import Unit
from shared import roles
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown, refusals_to
from shared.models import User
from shared.pictures import picture_answer

SAID_ABOVE = ("service", "wrong")
"""What the crew's paper says of a service call among the facts, and the page in a section of its own."""
PASSED = (Appointment.State.RESERVED, Appointment.State.DONE)


@roles_required(*LOADS)
@require_GET
def stop(request: SignedInRequest, pk: int) -> HttpResponse:
    """Everything of one stop on one page."""
    return stop_page(request, stop_for(request.user, pk))


@roles_required(*roles.ALL)  # whoever's phone holds one page that works without signal fetches every stand-in
@require_GET
def offline(request: SignedInRequest) -> HttpResponse:
    """The page that stands in for a load, a stop and the day without signal: no data, only the script."""
    measures = request.user.has_role(roles.MEASURER)
    return render(request, "installs/offline.html", {"measures": measures})


def stop_page(
    request: SignedInRequest, visit: Appointment, *, forms: dict[str, object] | None = None, status: int = 200
) -> HttpResponse:
    """The page with its forms as they stand."""
    rows = visit_units(visit)
    summary = stop_summary(visit, rows, rules_of(visit.job.branch))
    load, lines = list_at(visit)
    values = stop_values(summary, packages_on(load, lines, summary.worked, [visit]))
    read_openings([summary])
    draw_stop(summary, values)
    by_code = {unit["code"]: unit for unit in values["units"]}
    drawn = {one["units"][0]["code"]: one["drawing"] for one in values["openings"]}
    left = left_by_measurer(summary)
    found: Stop | None = getattr(visit, "stop", None)
    units = Unit.objects.filter(pk__in=[row.unit_id for row in rows]).select_related("product")
    keys = [line["item"] for line in values["hardware"]]
    materials = Material.objects.filter(branch=visit.job.branch, key__in=keys).order_by("name")
    user = request.user
    standing, expected = _crew_day(visit)
    following = _next(visit, standing)
    to_do = sum(1 for row in rows if row.outcome == VisitUnit.Outcome.TO_DO)
    onward = _onward(following, expected)
    may_write, is_service = user.has_role(*INSTALLS), visit.purpose == Purpose.SERVICE
    context = {
        "visit": visit,
        "job": visit.job,
        "stop": found,
        "outcomes": VisitUnit.Outcome.values,
        "checks": (found or Stop()).checks,
        "of_units": Stop.OF_UNITS,
        "visit_outcomes": ports.outcomes([visit]),
        "rows": [
            (
                row,
                by_code.get(code := row.unit.code),
                drawn.get(code),
                left[row.unit.opening_id] if code in drawn else None,
            )
            for row in rows
        ],
        "plans": values["plans"],
        "motors": {one.unit.pk: one.read for one in summary.worked if one.read is not None and one.read.motor},
        "motor_ticks": MOTOR_TICKS.items(),
        "to_do": to_do,
        "left_behind": left_behind(line for line in lines if line.appointment_id in (visit.pk, None)),
        "gap_reason": load.gap_reason if load else "",
        "action": _action(visit, to_do, onward) if may_write and visit.is_placed() else None,
        "installed": sum(1 for row in rows if row.outcome == VisitUnit.Outcome.INSTALLED),
        "window": promise_text(visit),
        "facts": [fact for fact in facts_of_site(visit) if fact[0] not in SAID_ABOVE],
        "secret": secret_for(user, visit),
        "hardware": hardware_values(summary.summed),
        "tools": values["tools"],
        "cautions": caution_values(summary.summed, len(summary.worked)),
        "remotes": values["remotes"],
        "people": values["people"],
        "names": names_of(visit.crew, visit.day) if visit.crew and visit.day else [],
        "photos": visit.install_photos.filter(removed_at=None).select_related("unit"),
        "used": visit.hardware_used.filter(undone_at=None).select_related("material", "unit"),
        "may_write": may_write,
        "sees_phones": user.has_role(*INSTALLS),
        "is_closed": found is not None and found.is_closed(),
        **_reopening(user, found),
        "cause_form": CauseForm(user=user),
        "causes": [(top, kinds_of(top.key)) for top in top_causes()],
        "photo_form": PhotoForm(user=user, units=units),
        "used_form": HardwareUsedForm(user=user, materials=materials, units=units),
        "sign_form": SignForm(user=user),
        "balance": _balance(visit) if user.has_role(*INSTALLS) else None,
        "paid_here": [
            (row, until, _may_take_back(user, until))
            for row in Payment.objects.standing().filter(appointment=visit)
            for until in [back_until(row.at)]
        ],
        "pay_form": PaymentForm(user=user),
        "call": ServiceCall.objects.filter(appointment=visit).first() if is_service else None,
        "is_service": is_service,
        "results": ServiceCall.Result.choices,
        "signature": signature_drawing(found.signature, found.signed_name) if found and found.signature else None,
        "following": onward if following else None,
        "day_paths": day_paths(user, standing, load if standing else None),
        **(forms or {}),
    }
    return render(request, "installs/stop.html", context, status=status)


def _reopening(user: User, stop: Stop | None) -> dict[str, object]:
    """Until when a finished stop can be opened again by who drives; the office can whenever it must."""
    if stop is None or stop.closed_at is None:
        return {}
    until = back_until(stop.closed_at)
    return {"reopen_until": until, "may_reopen": _may_take_back(user, until)}


def _may_take_back(user: User, until: dt.datetime) -> bool:
    return timezone.now() <= until or user.has_role(*roles.OFFICE)


def _onward(following: Appointment | None, expected: Mapping[int, dt.datetime]) -> Way:
    """On to the next visit of the day; to the day itself where there is none."""
    if following is None:
        return Way("next", "Today", reverse("jobs:today"))
    about = expected.get(following.pk) or following.starts_at
    job = following.job
    word = f"Next: {job.customer.name}, {clock(about, job.branch.tz)}" if about else f"Next: {job.customer.name}"
    return Way(
        "next",
        word,
        ports.visit_url(following) or reverse("jobs:today"),
        directions=job.site.directions,
        map_link=job.map_link,
    )


def _action(visit: Appointment, to_do: int, onward: Way) -> NextAction:
    """What comes next at the stop."""
    all_up = reverse("installs:all_installed", args=[visit.pk])
    work = Way("work", f"All {to_do} installed", all_up, "installs.all_installed", is_own=True)
    return next_action(visit, ways=[work, Way("close", "Sign off", "#sign-off"), onward], here=True, left=to_do > 0)


def _crew_day(visit: Appointment) -> tuple[list[Appointment], dict[int, dt.datetime]]:
    """What stands on the crew's day, and when the visits to come begin as things go; that can differ today only."""
    if visit.crew is None or visit.day is None:
        return [], {}
    now = timezone.now()
    if visit.day != now.astimezone(visit.job.branch.tz).date():
        return list(in_the_calendar().filter(crew=visit.crew, day=visit.day)), {}
    day = read_day(visit.crew, visit.day)
    return day.appointments, day.expected(now)


def _next(visit: Appointment, standing: Iterable[Appointment]) -> Appointment | None:
    """The crew's next visit of the day."""
    return next((row for row in standing if row.pk != visit.pk and row.state not in PASSED), None)


def _act(request: SignedInRequest, pk: int, action: Callable[..., object], **what: object) -> HttpResponse:
    visit = stop_for(request.user, pk)
    with refusals_shown(request):
        action(appointment=visit, by=request.user, **what)
    return redirect("installs:stop", pk)


@roles_required(*INSTALLS)
@require_POST
def all_installed(request: SignedInRequest, pk: int) -> HttpResponse:
    """Everything that has no outcome yet is up, in one tap."""
    return _act(request, pk, services.mark_all_installed)


@roles_required(*INSTALLS)
@require_POST
def installed(request: SignedInRequest, pk: int, unit_pk: int) -> HttpResponse:
    unit = unit_key(stop_for(request.user, pk), unit_pk)
    return _act(request, pk, services.mark_installed, units=[unit])


@roles_required(*INSTALLS)
@require_POST
def not_installed(request: SignedInRequest, pk: int, unit_pk: int) -> HttpResponse:
    """It did not go up, and why."""
    visit = stop_for(request.user, pk)
    unit = unit_key(visit, unit_pk)
    form = CauseForm(request.POST, user=request.user)
    if not form.is_valid():
        return stop_page(request, visit, forms={"cause_form": form, "cause_of": unit.pk}, status=422)
    return _act(request, pk, services.mark_not_installed, unit=unit, **form.cleaned_data)


@roles_required(*INSTALLS)
@require_POST
def undo(request: SignedInRequest, pk: int, unit_pk: int) -> HttpResponse:
    unit = unit_key(stop_for(request.user, pk), unit_pk)
    return _act(request, pk, services.undo_outcome, unit=unit)


@roles_required(*INSTALLS)
@require_POST
def motor(request: SignedInRequest, pk: int, unit_pk: int) -> HttpResponse:
    """How a motor was left."""
    unit, sent = unit_key(stop_for(request.user, pk), unit_pk), request.POST
    ticks = {name: bool(sent.get(name)) for name in MOTOR_TICKS}
    words = {name: sent.get(name, "")[:60] for name in ("channel", "remote", "hub")}
    return _act(request, pk, services.note_motor, unit=unit, **ticks, **words)


@roles_required(*INSTALLS)
@require_POST
def hardware(request: SignedInRequest, pk: int) -> HttpResponse:
    """Hardware used otherwise than listed."""
    visit = stop_for(request.user, pk)
    materials = Material.objects.filter(branch=visit.job.branch)
    units = Unit.objects.filter(visit_units__appointment=visit)
    form = HardwareUsedForm(request.POST, user=request.user, materials=materials, units=units)
    if form.is_valid():
        with refusals_to(form.refuse):
            services.note_hardware(appointment=visit, by=request.user, **form.cleaned_data)
            return redirect("installs:stop", pk)
    return stop_page(request, visit, forms={"used_form": form}, status=422)


@roles_required(*INSTALLS)
@require_POST
def hardware_undo(request: SignedInRequest, pk: int) -> HttpResponse:
    used = used_for(request.user, pk)
    services.undo_hardware(used=used, by=request.user)
    return redirect("installs:stop", used.appointment_id)


@roles_required(*INSTALLS)
@require_POST
def photo_add(request: SignedInRequest, pk: int) -> HttpResponse:
    visit = stop_for(request.user, pk)
    units = Unit.objects.filter(visit_units__appointment=visit)
    form = PhotoForm(request.POST, request.FILES, user=request.user, units=units)
    if form.is_valid():
        clean = form.cleaned_data
        with refusals_to(form.refuse):
            services.add_photo(
                appointment=visit,
                data=clean["photo"].read(),
                unit=clean["unit"],
                caption=clean["caption"],
                by=request.user,
            )
            return redirect("installs:stop", pk)
    return stop_page(request, visit, forms={"photo_form": form}, status=422)


@roles_required(*LOADS)
@require_GET
def photo(request: SignedInRequest, pk: int) -> HttpResponse:
    """A picture, for whoever may see the stop."""
    return picture_answer(photo_for(request.user, pk).file)


@roles_required(*INSTALLS)
@require_POST
def photo_show(request: SignedInRequest, pk: int) -> HttpResponse:
    """On the customer's page, or not any more."""
    found = photo_for(request.user, pk)
    services.show_photo(photo=found, is_shown="show" in request.POST, by=request.user)
    return redirect("installs:stop", found.appointment_id)


@roles_required(*INSTALLS)
@require_POST
def photo_remove(request: SignedInRequest, pk: int) -> HttpResponse:
    found = photo_for(request.user, pk)
    services.remove_photo(photo=found, by=request.user)
    return redirect("installs:stop", found.appointment_id)


@roles_required(*INSTALLS)
@require_POST
def sign(request: SignedInRequest, pk: int) -> HttpResponse:
    """The signature drawn on the glass, or with whom it was left."""
    visit = stop_for(request.user, pk)
    form = SignForm(request.POST, user=request.user)
    if form.is_valid():
        clean = form.cleaned_data
        with refusals_to(form.refuse):
            services.sign(
                appointment=visit,
                by=request.user,
                name=clean["name"],
                strokes=clean["signature"] or [],
                left_with=clean["left_with"],
            )
            return redirect("installs:stop", pk)
    return stop_page(request, visit, forms={"sign_form": form}, status=422)


def _balance(visit: Appointment) -> Balance | None:
    """What is to be paid at this stop: what is left of the order, where no later visit of the job is to install."""
    found = money.balance_of(visit.job)
    later = (
        visit.job.appointments.live()
        .filter(purpose__in=INSTALLING, pk__gt=visit.pk)
        .exclude(state=Appointment.State.DONE)
    )
    return found if found.due is not None and found.due > 0 and not later.exists() else None


@roles_required(*INSTALLS)
@require_POST
def paid(request: SignedInRequest, pk: int) -> HttpResponse:
    """What the customer paid at the stop, and how."""
    visit = stop_for(request.user, pk)
    form = PaymentForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            money.record_payment(job=visit.job, by=request.user, appointment=visit, **form.cleaned_data)
            messages.success(request, "The payment is recorded.")
            return redirect("installs:stop", pk)
    return stop_page(request, visit, forms={"pay_form": form}, status=422)


@roles_required(*INSTALLS)
@require_POST
def paid_back(request: SignedInRequest, pk: int) -> HttpResponse:
    """It was not paid, or otherwise."""
    row = payment_for(request.user, pk)
    with refusals_shown(request):
        money.take_back_payment(payment=row, by=request.user)
    return redirect("installs:stop", row.appointment_id)


@roles_required(*INSTALLS)
@require_POST
def done(request: SignedInRequest, pk: int) -> HttpResponse:
    """Done here; on to the next."""
    visit = stop_for(request.user, pk)
    try:
        note, checked = request.POST.get("note", "")[:2000], request.POST.getlist("checked")
        result = request.POST.get("result", "")
        excepted = {
            str(check): {int(key) for key in request.POST.getlist(f"not-{check}") if key.isdigit()}
            for check in Stop.OF_UNITS
        }
        services.close_stop(
            appointment=visit, by=request.user, note=note, checked=checked, excepted=excepted, result=result
        )
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("installs:stop", pk)
    following = _next(visit, _crew_day(visit)[0])
    if following is not None and request.user.has_role(roles.INSTALLER):
        messages.success(request, f"{visit.job.number} is done. Next: {following.job.site.address}.")
        return redirect("jobs:today")
    return redirect("installs:stop", pk)


@roles_required(*INSTALLS)
@require_POST
def reopen(request: SignedInRequest, pk: int) -> HttpResponse:
    return _act(request, pk, services.reopen_stop)
