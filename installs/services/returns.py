"""Returns: what is owed at a site, made again or not, and the visit that settles it."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from installs.models import ReturnOwed, VisitUnit
from installs.rules.causes import NO, YES, Cause, cause
from installs.services.hardware import pull_hardware, refresh_hardware
from jobs.models import Appointment, Purpose
from jobs.ports import ports as jobs_ports
from jobs.services import appointments, messages, stages
from measuring.models import Opening, Unit, VisitOpening
from measuring.ports import ports as measuring_ports
from measuring.services.sizes import unused_code
from shared import audit
from shared.errors import Refused
from shared.models import User

OVER = (Appointment.State.DONE, Appointment.State.CANCELLED)
BEGUN = (Appointment.State.ON_THE_WAY, Appointment.State.ARRIVED)


def read_cause(key: str) -> Cause:
    """The cause of this key; refused for a key there is none of."""
    try:
        return cause(key)
    except KeyError:
        raise Refused("choose a cause", field="cause") from None


@transaction.atomic
def open_return(
    *,
    unit: Unit,
    cause_key: str,
    by: User,
    note: str = "",
    happened_at: Appointment | None = None,
    at: dt.datetime | None = None,
) -> ReturnOwed:
    """
    Something is owed at the site for this unit: it shows in dispatch as a return visit to place.

    One return visit of a job takes all that is owed and not booked yet. A second call for the
    same unit gives the return that is open already.
    """
    found = read_cause(cause_key)
    job = stages.lock_open_job(unit.opening.job_id)
    there = ReturnOwed.objects.filter(
        Q(unit=unit) | Q(remake=unit), state__in=[ReturnOwed.State.OWED, ReturnOwed.State.BOOKED]
    ).first()
    if there is not None:
        return there
    owed = ReturnOwed.objects.create(
        job=job,
        unit=unit,
        cause=found.key,
        note=note.strip()[:240],
        remeasure=found.remeasure == YES,
        happened_at=happened_at,
        opened_by=by,
        opened_at=at or timezone.now(),
    )
    audit.record(by=by, action="owes a return", subject=owed, job=job, note=f"{found.label}. {note}".strip())
    _join_visit(owed, by)
    stages.recompute_stage(job=job, by=by)
    return owed


def _join_visit(owed: ReturnOwed, by: User) -> Appointment:
    """The job's return visit that has not begun, or a new one, with this unit in it."""
    visit = (
        Appointment.objects.filter(job=owed.job_id, purpose=Purpose.RETURN)
        .exclude(state__in=[*OVER, *BEGUN])
        .order_by("pk")
        .first()
    )
    if visit is None:
        visit = appointments.new_appointment(
            job=owed.job, purpose=Purpose.RETURN, by=by, note=f"return: {owed.cause_text}"[:240]
        )
        messages.notify(kind="return_trip", job=owed.job, by=by, appointment=visit)
    ReturnOwed.objects.filter(pk=owed.pk).update(appointment=visit)
    owed.appointment = visit
    VisitUnit.objects.get_or_create(appointment=visit, unit=owed.waits_for)
    _settle_visit(visit, by)
    return visit


def _settle_visit(visit: Appointment, by: User) -> None:
    """The visit's earliest day, minutes and hardware from what it is for now."""
    owed = visit.returns.exclude(state=ReturnOwed.State.DROPPED).select_related("remake", "unit")
    days = [day for row in owed if (day := row.ready_on())]
    refresh_hardware(units=[row.waits_for for row in owed], by=by)
    visit.earliest_on = max(days, default=None)
    known = jobs_ports.minutes(visit)
    if known is not None:
        visit.duration_min, visit.duration_safe_min = known.mean, known.safe
    visit.save(update_fields=["earliest_on", "duration_min", "duration_safe_min"])
    pull_hardware(appointment=visit, by=by)


@transaction.atomic
def decide_return(
    *,
    owed: ReturnOwed,
    by: User,
    remake: bool,
    remeasure: bool = False,
    parts_ready_on: dt.date | None = None,
    note: str = "",
) -> ReturnOwed:
    """
    What becomes of it: made again (a new unit tied to the old one), measured again first, or as it is.

    A remake of the same size is released to the workroom at once; one to be measured again waits
    for its check measure, which appears in dispatch beside the return.

    Raises
    ------
    Refused
        When it is settled already, or the cause leaves no such choice.
    """
    stages.lock_open_job(owed.job_id)
    row = (
        ReturnOwed.objects.select_for_update(of=("self",))
        .select_related("unit__opening__job__branch", "unit__product", "job", "appointment")
        .get(pk=owed.pk)
    )
    if not row.is_live():
        raise Refused(f"it is {row.get_state_display()} already", field="return")
    if row.remake is not None:
        raise Refused(f"{row.remake.code} is being made for it already", field="remake")
    found = cause(row.cause)
    if remake and found.remake == NO:
        raise Refused(f"{row.cause_text}: nothing is made again for that", field="remake")
    if remeasure and not remake:
        raise Refused("measuring again is for what is made again", field="remeasure")
    if remake:
        row.remake = _remake(row, by, remeasure)
        row.remeasure = remeasure
    row.parts_ready_on = parts_ready_on
    row.decided_by, row.decided_at = by, timezone.now()
    row.note = (note or row.note).strip()[:240]
    changes = audit.changed(row, ["remake", "remeasure", "parts_ready_on"])
    row.save(update_fields=["remake", "remeasure", "parts_ready_on", "decided_by", "decided_at", "note"])
    audit.record(by=by, action="decided on the return", subject=row, job=row.job_id, changes=changes, note=note)
    if row.appointment is not None:
        if row.remake is not None:
            row.appointment.visit_units.filter(unit=row.unit, outcome=VisitUnit.Outcome.TO_DO).delete()
            VisitUnit.objects.get_or_create(appointment=row.appointment, unit=row.remake)
        _settle_visit(row.appointment, by)
    stages.recompute_stage(job=row.job_id, by=by)
    return row


def _remake(owed: ReturnOwed, by: User, remeasure: bool) -> Unit:
    """A new unit in the old one's place; the old one is replaced."""
    old = owed.unit
    copied = (
        {}
        if remeasure
        else {
            name: getattr(old, name)
            for name in ("order_width", "order_height", "longest_height", "basis", "steps", "findings", "grade")
        }
    )
    fresh = Unit.objects.create(
        opening=old.opening,
        number=old.number,
        code=unused_code(),
        product=old.product,
        mount=old.mount,
        options=dict(old.options),
        replaces=old,
        state=Unit.State.DRAFT if remeasure else Unit.State.RELEASED,
        size_revision=0 if remeasure else old.size_revision,
        due_on=None if remeasure else _due(old),
        released_at=None if remeasure else timezone.now(),
        **copied,
    )
    was, old.state = old.get_state_display(), Unit.State.REPLACED
    old.save(update_fields=["state"])
    audit.record(
        by=by,
        action=f"is made again as {fresh.code}",
        subject=old,
        job=owed.job_id,
        changes={"state": [was, old.get_state_display()]},
    )
    if remeasure:
        _measure_again(owed, by)
    else:
        measuring_ports.released([fresh], by)
    return fresh


def _due(old: Unit) -> dt.date:
    """As many working days as the first one took from release to due, at least five."""
    from jobs.schedule.availability import add_working_days

    days = 5
    if old.released_at is not None and old.due_on is not None:
        days = max(days, (old.due_on - old.released_at.date()).days * 5 // 7)
    job = old.opening.job
    return add_working_days(job.branch, timezone.now().astimezone(job.branch.tz).date(), min(days, 30))


def _measure_again(owed: ReturnOwed, by: User) -> None:
    opening = owed.unit.opening
    was = opening.get_state_display()
    Opening.objects.filter(pk=opening.pk).update(state=Opening.State.TO_MEASURE)
    audit.record(by=by, action="is to be measured again", subject=opening, job=owed.job_id,
                 changes={"state": [was, Opening.State.TO_MEASURE.label]})  # fmt: skip
    visit = (
        Appointment.objects.filter(job=owed.job_id, purpose=Purpose.CHECK)
        .exclude(state__in=[*OVER, *BEGUN])
        .order_by("pk")
        .first()
    )
    if visit is None:
        visit = appointments.new_appointment(
            job=owed.job, purpose=Purpose.CHECK, by=by, note=f"before making again: {owed.cause_text}"[:240]
        )
    VisitOpening.objects.get_or_create(appointment=visit, opening=opening)


@transaction.atomic
def set_parts_ready(*, owed: ReturnOwed, ready_on: dt.date | None, by: User) -> ReturnOwed:
    """The day its parts are there; the return visit can't stand before it."""
    stages.lock_open_job(owed.job_id)
    row = ReturnOwed.objects.select_for_update(of=("self",)).select_related("appointment__job__branch").get(pk=owed.pk)
    if not row.is_live():
        raise Refused(f"it is {row.get_state_display()} already", field="return")
    row.parts_ready_on = ready_on
    changes = audit.changed(row, ["parts_ready_on"])
    row.save(update_fields=["parts_ready_on"])
    if changes:
        audit.record(by=by, action="set the parts' date", subject=row, job=row.job_id, changes=changes)
    if row.appointment is not None:
        _settle_visit(row.appointment, by)
    return row


@transaction.atomic
def drop_return(*, owed: ReturnOwed, by: User, reason: str) -> ReturnOwed:
    """It is not owed any more: the customer keeps it as it is, or does not want it."""
    if not reason.strip():
        raise Refused("say why, for whoever reads the trail", field="reason")
    stages.lock_job(owed.job_id)
    row = (
        ReturnOwed.objects.select_for_update(of=("self",))
        .select_related("unit", "remake", "appointment")
        .get(pk=owed.pk)
    )
    if not row.is_live():
        return row
    if row.remake is not None and row.remake.state not in {Unit.State.CANCELLED, Unit.State.INSTALLED}:
        raise Refused(f"{row.remake.code} is being made for it; cancel that unit first", field="return")
    was, row.state = row.get_state_display(), ReturnOwed.State.DROPPED
    row.save(update_fields=["state"])
    audit.record(
        by=by,
        action="dropped the return",
        subject=row,
        job=row.job_id,
        changes={"state": [was, row.get_state_display()]},
        note=reason,
    )
    if row.appointment is not None:
        row.appointment.visit_units.filter(unit=row.waits_for, outcome=VisitUnit.Outcome.TO_DO).delete()
        if not row.appointment.visit_units.exists() and row.appointment.state == Appointment.State.UNPLACED:
            appointments.cancel_appointment(appointment=row.appointment, by=by, reason=reason)
        else:
            _settle_visit(row.appointment, by)
    Unit.objects.filter(pk=row.unit_id, state=Unit.State.NOT_INSTALLED).update(state=Unit.State.CANCELLED)
    stages.recompute_stage(job=row.job_id, by=by)
    return row


def settle_installed(*, unit: Unit, by: User) -> None:
    """The return that waited for this unit is done: it is up."""
    owed = ReturnOwed.objects.filter(
        Q(remake=unit) | Q(unit=unit, remake=None), state__in=[ReturnOwed.State.OWED, ReturnOwed.State.BOOKED]
    )
    for row in owed:
        row.state = ReturnOwed.State.DONE
        row.save(update_fields=["state"])
        audit.record(by=by, action="settled the return", subject=row, job=row.job_id)


def follow_visit(visit: Appointment) -> None:
    """A return is booked while its visit stands in the calendar, and open while it does not."""
    placed = visit.is_placed() and visit.state != Appointment.State.RESERVED
    state, other = (
        (ReturnOwed.State.BOOKED, ReturnOwed.State.OWED) if placed else (ReturnOwed.State.OWED, ReturnOwed.State.BOOKED)
    )
    ReturnOwed.objects.filter(appointment=visit, state=other).update(state=state)
