"""Install visits: which units a crew drives out for, planned, named and changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence

from django.db import transaction

from installs.adapters.evaluation import LIVE_TO_INSTALL, units_to_install
from installs.models import ReturnOwed, VisitUnit
from installs.services.hardware import pull_hardware, refresh_hardware
from jobs.models import INSTALLING, Appointment, Job, Purpose
from jobs.ports import ports
from jobs.services import appointments, stages
from measuring.models import Unit
from shared import audit
from shared.errors import Refused
from shared.models import User

OVER = (Appointment.State.DONE, Appointment.State.CANCELLED)


@transaction.atomic
def plan_install(
    *,
    job: Job,
    by: User,
    units: Iterable[Unit] | None = None,
    purpose: str = Purpose.INSTALL,
    earliest_on: dt.date | None = None,
    note: str = "",
    people: int | None = None,
    possible: Sequence[tuple[dt.datetime, dt.datetime]] = (),
) -> Appointment:
    """
    A visit to put units up, unplaced; its minutes, people and hardware follow from them.

    Without `units` it is for every unit of the job that is released and in no other visit. The
    calendar itself keeps it from standing before the units are made (`jobs.schedule`).

    Raises
    ------
    Refused
        No unit to put up, or one that is not released or in another visit already.
    """
    wanted = list(units) if units is not None else list(units_to_install(job))
    if not wanted:
        raise Refused("nothing of this job is released and still to be installed", field="units")
    free = set(units_to_install(job).values_list("pk", flat=True))
    for unit in wanted:
        if unit.pk not in free:
            raise Refused(f"{unit.code} is not to be installed, or is in another visit", field="units")
    visit = appointments.new_appointment(
        job=job, purpose=purpose, by=by, earliest_on=earliest_on, note=note, possible=possible
    )
    _set_units(visit, wanted)
    _fit(visit, people, by)
    audit.record(
        by=by, action="planned the install", subject=visit, job=job, note=", ".join(unit.code for unit in wanted)
    )
    return visit


@transaction.atomic
def name_units(*, appointment: Appointment, by: User | None = None) -> list[VisitUnit]:
    """
    The units of a visit that names none yet: what the job still has to install, or the returns owed.

    Called when a visit is made, whoever made it, so that no crew drives out for nothing in particular.
    """
    if appointment.purpose not in {Purpose.INSTALL, Purpose.RETURN} or appointment.visit_units.exists():
        return []
    if appointment.purpose == Purpose.RETURN:
        owed = ReturnOwed.objects.filter(job=appointment.job_id, state=ReturnOwed.State.OWED, appointment=None)
        units = [row.waits_for for row in owed.select_related("unit", "remake")]
        owed.update(appointment=appointment)
    else:
        units = list(units_to_install(appointment.job_id))
    return _set_units(appointment, units)


def _set_units(appointment: Appointment, units: Iterable[Unit]) -> list[VisitUnit]:
    wanted = {unit.pk for unit in units}
    appointment.visit_units.filter(outcome=VisitUnit.Outcome.TO_DO).exclude(unit__in=wanted).delete()
    there = set(appointment.visit_units.values_list("unit", flat=True))
    return VisitUnit.objects.bulk_create(
        VisitUnit(appointment=appointment, unit_id=pk) for pk in sorted(wanted - there)
    )


@transaction.atomic
def set_visit_units(*, appointment: Appointment, units: Iterable[Unit], by: User) -> list[VisitUnit]:
    """
    Which units this visit is for; what another visit to come had is taken over from it.

    Units whose outcome is recorded stay. Minutes and hardware are worked out anew.
    """
    stages.lock_open_job(appointment.job_id)
    row = Appointment.objects.select_for_update(of=("self",)).select_related("job__branch").get(pk=appointment.pk)
    if row.purpose not in INSTALLING:
        raise Refused("only installs and returns are for units", field="appointment")
    if row.state in OVER:
        raise Refused(f"the visit is {row.get_state_display()}", field="appointment")
    wanted = list(Unit.objects.filter(pk__in=[unit.pk for unit in units], opening__job=row.job_id))
    marked = set(row.visit_units.exclude(outcome=VisitUnit.Outcome.TO_DO).values_list("unit", flat=True))
    for unit in wanted:
        if unit.state not in LIVE_TO_INSTALL and unit.pk not in marked:
            raise Refused(f"{unit.code} is {unit.get_state_display()}", field="units")
    before = sorted(row.visit_units.values_list("unit__code", flat=True))
    VisitUnit.objects.filter(
        unit__in=[unit.pk for unit in wanted],
        outcome=VisitUnit.Outcome.TO_DO,
        appointment__job=row.job_id,
    ).exclude(appointment=row).exclude(appointment__state__in=OVER).delete()
    _set_units(row, wanted)
    after = sorted(row.visit_units.values_list("unit__code", flat=True))
    if before != after:
        _fit(row, None, by)
        audit.record(
            by=by,
            action="changed what the visit is for",
            subject=row,
            job=row.job_id,
            changes={"units": [before, after]},
        )
    return list(row.visit_units.select_related("unit"))


def _fit(visit: Appointment, people: int | None, by: User) -> None:
    """Minutes and people from the units; their hardware worked out and reserved."""
    units = [row.unit for row in visit.visit_units.select_related("unit")]
    refresh_hardware(units=units, by=by)
    known = ports.minutes(visit)
    if known is not None:
        visit.duration_min, visit.duration_safe_min = known.mean, known.safe
    visit.people = people or visit.people
    visit.save(update_fields=["duration_min", "duration_safe_min", "people"])
    pull_hardware(appointment=visit, by=by)


def take_in_released(units: Sequence[Unit], by: User) -> None:
    """
    The release hook: hardware of what was just released, and a place in the visit that waits for it.

    A job whose install was booked ahead has one visit to come; its units join it.
    """
    refresh_hardware(units=units, by=by)
    for job_id in {unit.opening.job_id for unit in units}:
        visits = Appointment.objects.filter(job=job_id, purpose=Purpose.INSTALL).exclude(state__in=OVER)
        waiting = list(visits[:2])
        fresh = [unit for unit in units if unit.opening.job_id == job_id and unit.replaces_id is None]
        if len(waiting) == 1 and fresh:
            VisitUnit.objects.bulk_create(
                [VisitUnit(appointment=waiting[0], unit=unit) for unit in fresh], ignore_conflicts=True
            )
            _fit(waiting[0], None, by)


def size_changed(unit: Unit, change: object, by: User) -> None:
    """The hook after an accepted change of size: the unit's hardware anew, and what is reserved for it."""
    refresh_hardware(units=[unit], by=by)
    pull_again(unit, by)


def pull_again(unit: Unit, by: User) -> None:
    """What is reserved for the visits that a unit is on, as it stands now; the hook after one was cancelled."""
    for row in unit.visit_units.exclude(appointment__state__in=OVER).select_related("appointment__job__branch"):
        pull_hardware(appointment=row.appointment, by=by)
