"""The stop itself: what went up, what did not and why, hardware used otherwise, the sign-off."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from django.db import transaction
from django.utils import timezone

from fabrication.models import Material
from fabrication.services.own_cloth import give_back
from installs.models import HardwareUsed, ReturnOwed, Stop, StopPhoto, VisitUnit
from installs.rules.causes import needs_return
from installs.services.loads import customers_own_is_along
from installs.services.returns import open_return, read_cause, settle_installed
from jobs.models import INSTALLING, Appointment, Purpose
from jobs.services import appointments, service_calls, stages
from measuring.models import Unit
from shared import audit
from shared.errors import Refused
from shared.models import User
from shared.pictures import keep_picture

MOST_POINTS = 6000
PAD = 1000


def _stop(appointment: Appointment, *, may_be_closed: bool = False) -> tuple[Appointment, Stop]:
    """The visit, locked after its job, and its stop."""
    stages.lock_open_job(appointment.job_id)
    row = (
        Appointment.objects.select_for_update(of=("self",))
        .select_related("job__branch", "job__site", "crew")
        .get(pk=appointment.pk)
    )
    if row.purpose not in INSTALLING:
        raise Refused(f"this is a visit to {row.get_purpose_display()}, nothing is installed there")
    if row.state == Appointment.State.CANCELLED:
        raise Refused("this visit is canceled")
    if not row.is_placed():
        raise Refused("this visit stands nowhere in the calendar yet")
    stop, _ = Stop.objects.get_or_create(appointment=row)
    if stop.is_closed() and not may_be_closed:
        raise Refused("this stop is closed; open it again first", field="stop")
    return row, stop


def arrive(*, appointment: Appointment, by: User, at: dt.datetime | None = None) -> Stop:
    """The crew is at the door."""
    _, stop = _begun(appointment, by, at)
    return stop


@transaction.atomic
def _begun(appointment: Appointment, by: User, at: dt.datetime | None) -> tuple[Appointment, Stop]:
    row, stop = _stop(appointment)
    if row.state == Appointment.State.DONE:
        row = appointments.undo_done(appointment=row, by=by)
    if row.arrived_at is None:
        row = appointments.mark_arrived(appointment=row, by=by, at=at)
    return row, stop


@transaction.atomic
def mark_installed(
    *, appointment: Appointment, units: Iterable[Unit], by: User, at: dt.datetime | None = None
) -> list[VisitUnit]:
    """These units are up; marked twice they stay as they were marked first."""
    row, _ = _begun(appointment, by, at)
    rows = _rows(row, units)
    at = at or timezone.now()
    changed = [one for one in rows if one.outcome != VisitUnit.Outcome.INSTALLED]
    for one in changed:
        one.outcome, one.cause, one.note, one.marked_by, one.marked_at = VisitUnit.Outcome.INSTALLED, "", "", by, at
    VisitUnit.objects.bulk_update(changed, ["outcome", "cause", "note", "marked_by", "marked_at"])
    keys = [one.unit_id for one in changed]
    Unit.objects.filter(pk__in=keys).update(state=Unit.State.INSTALLED, installed_at=at)
    audit.record_all(audit.entry(by=by, action="installed", subject=one.unit, job=row.job_id) for one in changed)
    if changed:
        stages.recompute_stage(job=row.job_id, by=by)
    return rows


def mark_all_installed(*, appointment: Appointment, by: User, at: dt.datetime | None = None) -> list[VisitUnit]:
    """Everything of the visit that has no outcome yet is up."""
    open_rows = appointment.visit_units.filter(outcome=VisitUnit.Outcome.TO_DO).select_related("unit")
    units = [one.unit for one in open_rows]
    return mark_installed(appointment=appointment, units=units, by=by, at=at) if units else []


@transaction.atomic
def mark_not_installed(
    *,
    appointment: Appointment,
    unit: Unit,
    cause: str,
    by: User,
    note: str = "",
    at: dt.datetime | None = None,
) -> VisitUnit:
    """
    A unit did not go up, and why; what follows from the cause opens when the stop is closed.

    Raises
    ------
    Refused
        Without a cause of the tree (field ``cause``).
    """
    found = read_cause(cause)
    row, _ = _begun(appointment, by, at)
    one = _rows(row, [unit])[0]
    one.outcome, one.cause, one.note = VisitUnit.Outcome.NOT_INSTALLED, found.key, note.strip()[:240]
    one.marked_by, one.marked_at = by, at or timezone.now()
    changes = audit.changed(one, ["outcome", "cause", "note"])
    one.save(update_fields=["outcome", "cause", "note", "marked_by", "marked_at"])
    Unit.objects.filter(pk=unit.pk).update(state=Unit.State.NOT_INSTALLED, installed_at=None)
    if changes:
        audit.record(
            by=by,
            action="did not install",
            subject=one.unit,
            job=row.job_id,
            changes=changes,
            note=f"{found.label}. {note}".strip(),
        )
        stages.recompute_stage(job=row.job_id, by=by)
    return one


@transaction.atomic
def undo_outcome(*, appointment: Appointment, unit: Unit, by: User) -> VisitUnit:
    """Takes a tap back: the unit is to do again."""
    row, _ = _stop(appointment)
    one = _rows(row, [unit])[0]
    if one.outcome == VisitUnit.Outcome.TO_DO:
        return one
    was = one.get_outcome_display()
    one.outcome, one.cause, one.note, one.marked_by, one.marked_at = VisitUnit.Outcome.TO_DO, "", "", None, None
    one.save(update_fields=["outcome", "cause", "note", "marked_by", "marked_at"])
    state = Unit.State.LOADED if _left_with(row) else Unit.State.MADE
    Unit.objects.filter(pk=unit.pk).update(state=state, installed_at=None)
    audit.record(by=by, action="took it back", subject=one.unit, job=row.job_id, changes={"outcome": [was, "to do"]})
    stages.recompute_stage(job=row.job_id, by=by)
    return one


@transaction.atomic
def note_motor(
    *,
    appointment: Appointment,
    unit: Unit,
    by: User,
    limits: bool = False,
    charged: bool = False,
    channel: str = "",
    remote: str = "",
    hub: str = "",
) -> VisitUnit:
    """How a motor was left: what the next person at it, and the customer, have to know."""
    row, _ = _stop(appointment, may_be_closed=True)
    one = _rows(row, [unit])[0]
    named = {"channel": channel.strip()[:20], "remote": remote.strip()[:60], "hub": hub.strip()[:60]}
    one.as_left = {"limits": limits, "charged": charged, **{name: text for name, text in named.items() if text}}
    changes = audit.changed(one, ["as_left"])
    one.save(update_fields=["as_left"])
    if changes:
        audit.record(by=by, action="noted the motor", subject=one.unit, job=row.job_id, note=one.motor_text)
    return one


def _left_with(row: Appointment) -> bool:
    from installs.models import Load

    assert row.day is not None
    return Load.objects.filter(crew=row.crew_id, day=row.day, state=Load.State.LEFT).exists()


def _rows(appointment: Appointment, units: Iterable[Unit]) -> list[VisitUnit]:
    wanted = [unit.pk for unit in units]
    rows = list(appointment.visit_units.select_for_update(of=("self",)).select_related("unit").filter(unit__in=wanted))
    if len(rows) != len(set(wanted)):
        raise Refused("this unit is not of this visit", field="unit")
    return rows


# -- hardware, photos ----------------------------------------------------------------------


@transaction.atomic
def note_hardware(
    *,
    appointment: Appointment,
    by: User,
    change: int,
    material: Material | None = None,
    unit: Unit | None = None,
    note: str = "",
    uid: uuid.UUID | None = None,
    at: dt.datetime | None = None,
) -> HardwareUsed:
    """Hardware used otherwise than listed: so many pieces more or fewer, or something else in words."""
    row, _ = _stop(appointment, may_be_closed=True)
    if uid is not None and (known := HardwareUsed.objects.filter(uid=uid).first()):
        return known
    if not -10_000 <= change <= 10_000:
        raise Refused(f"{change} pieces", field="change", bound="-10000 to 10000")
    if material is None and not note.strip():
        raise Refused("say what was used", field="note")
    if material is not None and not change:
        raise Refused("say how many more or fewer", field="change", bound="not 0")
    made = HardwareUsed.objects.create(
        appointment=row,
        unit=unit,
        material=material,
        change=change,
        note=note.strip()[:240],
        by=by,
        at=at or timezone.now(),
        **({"uid": uid} if uid else {}),
    )
    audit.record(by=by, action="used hardware otherwise", subject=made, job=row.job_id, note=note)
    return made


@transaction.atomic
def undo_hardware(*, used: HardwareUsed, by: User) -> HardwareUsed:
    """It was not so."""
    if used.undone_at is None:
        used.undone_at = timezone.now()
        used.save(update_fields=["undone_at"])
        audit.record(by=by, action="took a note on hardware back", subject=used, job=used.appointment.job_id)
    return used


@transaction.atomic
def add_photo(
    *,
    appointment: Appointment,
    data: bytes,
    by: User,
    unit: Unit | None = None,
    caption: str = "",
    uid: uuid.UUID | None = None,
    at: dt.datetime | None = None,
) -> StopPhoto:
    """A picture of the work, or of what kept it from going up; kept without what the camera wrote into it."""
    row, _ = _stop(appointment, may_be_closed=True)
    if uid is not None and (known := StopPhoto.objects.filter(uid=uid).first()):
        return known
    if unit is not None and not row.visit_units.filter(unit=unit).exists():
        raise Refused("this unit is not of this visit", field="unit")
    made = StopPhoto(
        appointment=row,
        unit=unit,
        caption=caption.strip()[:160],
        taken_by=by,
        taken_at=at or timezone.now(),
        **({"uid": uid} if uid else {}),
    )
    made.file = keep_picture("installs", data)
    made.save()
    audit.record(by=by, action="took a photo", subject=made, job=row.job_id, note=caption)
    return made


@transaction.atomic
def show_photo(*, photo: StopPhoto, is_shown: bool, by: User) -> StopPhoto:
    """Whether the customer sees it on their page."""
    if photo.for_customer != is_shown:
        photo.for_customer = is_shown
        photo.save(update_fields=["for_customer"])
        action = "showed the customer a photo" if is_shown else "hid a photo from the customer"
        audit.record(by=by, action=action, subject=photo, job=photo.appointment.job_id)
    return photo


@transaction.atomic
def remove_photo(*, photo: StopPhoto, by: User) -> StopPhoto:
    """It is not shown any more."""
    if photo.removed_at is None:
        photo.removed_at = timezone.now()
        photo.save(update_fields=["removed_at"])
        audit.record(by=by, action="took a photo away", subject=photo, job=photo.appointment.job_id)
    return photo


# -- the sign-off --------------------------------------------------------------------------


@transaction.atomic
def sign(
    *,
    appointment: Appointment,
    by: User,
    name: str = "",
    strokes: Sequence[Sequence[Sequence[int]]] = (),
    left_with: str = "",
    at: dt.datetime | None = None,
) -> Stop:
    """
    The customer's name drawn on the glass; or nobody home, and with whom it was left.

    A signature is never forced: without one the stop closes all the same, and says so.
    """
    row, stop = _stop(appointment, may_be_closed=True)
    if not name.strip() and not left_with.strip():
        raise Refused("say who signs, or with whom it was left", field="name")
    drawn = _strokes(strokes)
    if name.strip() and not drawn:
        raise Refused("nothing was drawn: sign in the box, or say with whom it was left", field="signature")
    stop.signed_name, stop.signature = name.strip()[:120], drawn if name.strip() else []
    stop.left_with, stop.signed_at = "" if stop.signed_name else left_with.strip()[:120], at or timezone.now()
    changes = audit.changed(stop, ["signed_name", "left_with"])
    stop.save(update_fields=["signed_name", "signature", "left_with", "signed_at"])
    audit.record(by=by, action="signed off", subject=stop, job=row.job_id, changes=changes)
    stages.recompute_stage(job=row.job_id, by=by)
    return stop


def _strokes(strokes: Any) -> list[list[list[int]]]:
    """Points in thousandths of the pad; more than a hand draws is refused."""
    out: list[list[list[int]]] = []
    count = 0
    try:
        for stroke in strokes:
            points = [[int(x), int(y)] for x, y in stroke]
            count += len(points)
            if count > MOST_POINTS:
                raise Refused("the drawing is too long", field="signature", bound=f"{MOST_POINTS} points")
            if any(not 0 <= value <= PAD for point in points for value in point):
                raise Refused("the drawing leaves the pad", field="signature", bound=f"0 to {PAD}")
            if points:
                out.append(points)
    except Refused:
        raise
    except (TypeError, ValueError):
        raise Refused("the drawing can't be read", field="signature") from None
    return out


@transaction.atomic
def close_stop(
    *, appointment: Appointment, by: User, note: str = "", checked: Iterable[str] = (),
    excepted: Mapping[str, Collection[int]] | None = None, result: str = "", at: dt.datetime | None = None,
) -> Stop:  # fmt: skip
    """
    Done here: the visit ends, returns open for what did not go up, the job closes or is owed a visit.

    Parameters
    ----------
    checked
        What was ticked, of `Stop.Check`; others are left out.
    excepted
        By what was ticked: the keys of the visit's units that it does not hold for.
    result
        What came of a service call; its note says what was done.

    Raises
    ------
    Refused
        While a unit has no outcome yet (field ``units``). Done twice it changes nothing.
    """
    row, stop = _stop(appointment, may_be_closed=True)
    if stop.is_closed():
        return stop
    rows = list(row.visit_units.select_related("unit__opening__job"))
    waiting = [one for one in rows if one.outcome == VisitUnit.Outcome.TO_DO]
    if waiting:
        codes = ", ".join(f"{one.unit.opening} {one.unit.code}" for one in waiting[:4])
        raise Refused(f"{len(waiting)} with no outcome yet: {codes}. Installed, or not and why?", field="units")
    if row.purpose == Purpose.SERVICE:
        service_calls.finish(appointment=row, done=note, result=result, by=by)
    at = at or timezone.now()
    if row.arrived_at is None:
        row = appointments.mark_arrived(appointment=row, by=by, at=min(at, timezone.now()))
    stop.closed_at, stop.closed_by, stop.note = at, by, note.strip()
    ticked = set(checked) & set(Stop.Check.values)
    stop.checked, stop.excepted = " ".join(sorted(ticked)), _excepted(excepted or {}, ticked, rows)
    stop.save(update_fields=["closed_at", "closed_by", "note", "checked", "excepted"])
    audit.record(by=by, action="closed the stop", subject=stop, job=row.job_id, note=note)
    appointments.mark_done(appointment=row, by=by, at=max(at, row.arrived_at) if row.arrived_at else at)
    for one in rows:
        if one.outcome == VisitUnit.Outcome.INSTALLED:
            settle_installed(unit=one.unit, by=by)
    if customers_own_is_along(row):
        give_back(job=row.job, by=by)
    ReturnOwed.objects.filter(appointment=row, state=ReturnOwed.State.BOOKED).update(state=ReturnOwed.State.DONE)
    for one in rows:
        if one.outcome == VisitUnit.Outcome.NOT_INSTALLED and needs_return(one.cause):
            open_return(unit=one.unit, cause_key=one.cause, by=by, note=one.note, happened_at=row, at=at)
    stages.recompute_stage(job=row.job_id, by=by)
    return stop


def _excepted(
    excepted: Mapping[str, Collection[int]], ticked: Collection[str], rows: Sequence[VisitUnit]
) -> dict[str, list[str]]:
    """Codes of the units, by check; of what is ticked and can differ from unit to unit."""
    found = {
        check: [one.unit.code for one in rows if one.unit_id in excepted.get(check, ())]
        for check in Stop.OF_UNITS
        if check in ticked
    }
    return {str(check): codes for check, codes in found.items() if codes}


def take_back(*, appointment: Appointment, by: User, at: dt.datetime | None = None) -> None:
    """The last tap at the stop: its finish, else "arrived" or "leaving now"."""
    if Stop.objects.filter(appointment=appointment).exclude(closed_at=None).exists():
        reopen_stop(appointment=appointment, by=by, at=at)
    else:
        appointments.undo_tap(appointment=appointment, by=by, at=at)


@transaction.atomic
def reopen_stop(*, appointment: Appointment, by: User, at: dt.datetime | None = None) -> Stop:
    """
    Opens a closed stop again to correct it; returns that nobody acted on yet are taken back.

    Who drives can for a while, `at` being when they did.
    """
    row, stop = _stop(appointment, may_be_closed=True)
    if not stop.is_closed():
        return stop
    appointments.refuse_late_back(stop.closed_at, by, at, row.job.branch)
    from installs.services.returns import drop_return

    for owed in row.returns_from.filter(state__in=["owed", "booked"]):
        if owed.remake_id or owed.decided_at:
            raise Refused(f"{owed.unit.code}: the return is decided already; correct it there", field="stop")
        unit_state = owed.unit.state
        drop_return(owed=owed, by=by, reason="the stop was opened again")
        Unit.objects.filter(pk=owed.unit_id).update(state=unit_state)
    service_calls.take_up(appointment=row, by=by)
    stop.closed_at = stop.closed_by = None
    stop.save(update_fields=["closed_at", "closed_by"])
    appointments.undo_done(appointment=row, by=by)
    audit.record(by=by, action="opened the stop again", subject=stop, job=row.job_id)
    stages.recompute_stage(job=row.job_id, by=by)
    return stop
