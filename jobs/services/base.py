"""What the actions of this room share: locks in one order, saving with an audit entry."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django.db import models

from jobs.models import Appointment, Crew, Customer, Job, Site
from jobs.services.search import keep_customer
from jobs.services.stages import lock_open_job
from shared import audit
from shared.errors import Refused
from shared.models import User

HIDDEN = "access_secret"
"""Never written to the trail; that it changed is."""


def save(
    row: models.Model,
    fields: Sequence[str],
    *,
    by: User | None,
    action: str,
    job: Job | int | None = None,
    note: str = "",
) -> bool:
    """Save these fields and leave an entry with what they were; False when nothing differs. Keeps what is searched."""
    changes = audit.changed(row, fields)
    if not changes and not row._state.adding:
        return False
    if HIDDEN in changes:
        changes[HIDDEN] = ["", "changed"]
    if row._state.adding:
        row.save()
    else:
        row.save(update_fields=fields)
    if isinstance(row, Customer | Site):
        keep_customer(row if isinstance(row, Customer) else row.customer)
    page = row if job is None and isinstance(row, Job) else job
    audit.record(by=by, action=action, subject=row, changes=changes, job=page, note=note)
    return True


def check_owner(owner: User | None, branch: int) -> None:
    """Refused for whoever does not work there: what is theirs to do would be seen by nobody."""
    if owner is not None and (owner.branch_id not in {branch, None} or not owner.is_active):
        raise Refused("this person does not work in the branch", field="owner")


def lock_crews(crews: Iterable[Crew | int | None]) -> None:
    """These crews' rows, lowest key first: whoever writes in a crew's calendar holds its row."""
    pks = sorted({crew.pk if isinstance(crew, Crew) else crew for crew in crews if crew is not None})
    list(Crew.objects.select_for_update().filter(pk__in=pks).order_by("pk").values_list("pk", flat=True))


def lock_appointment(appointment: Appointment, *crews: Crew | int | None, version: int | None = None) -> Appointment:
    """
    The appointment as it stands, its job's row and the crews' rows locked, in that order.

    Refused when the page that asks was drawn from an older version, or the visit is over.
    """
    lock_open_job(appointment.job_id)
    lock_crews([appointment.crew_id, *crews])
    row = (
        Appointment.objects.select_for_update(of=("self",))
        .select_related("job__branch", "job__site", "job__customer", "crew")
        .get(pk=appointment.pk)
    )
    if row.crew_id != appointment.crew_id:
        lock_crews([row.crew_id])
    if version is not None and row.version != version:
        raise Refused("somebody moved this appointment meanwhile; look at it again", field="version")
    if row.state == Appointment.State.CANCELLED:
        raise Refused("this appointment is cancelled")
    return row


def sync_from(appointment: Appointment, row: Appointment) -> Appointment:
    """Copies what was written onto the caller's own object, and gives that back."""
    for field in Appointment._meta.concrete_fields:
        setattr(appointment, field.attname, getattr(row, field.attname))
    for name in ("crew", "job"):
        appointment._state.fields_cache.pop(name, None)
    return appointment


def plain_state(row: Appointment) -> dict[str, object]:
    """Where an appointment stands, as kept for undo."""

    def text(value: dt.date | None) -> str | None:
        return value.isoformat() if value is not None else None

    return {
        "state": row.state,
        "crew": row.crew_id,
        "day": text(row.day),
        "starts_at": text(row.starts_at),
        "promised_from": text(row.promised_from),
        "promised_until": text(row.promised_until),
        "is_locked": row.is_locked,
    }


def restore(row: Appointment, own: Mapping[str, Any]) -> None:
    """Puts an appointment where `plain_state` says it stood; a reservation is over by then. The caller saves."""
    row.state, row.crew_id, row.is_locked = own["state"], own["crew"], own["is_locked"]
    row.day = dt.date.fromisoformat(own["day"]) if own["day"] else None
    for name in ("starts_at", "promised_from", "promised_until"):
        setattr(row, name, dt.datetime.fromisoformat(own[name]) if own[name] else None)
    if row.state == Appointment.State.RESERVED:
        row.state = Appointment.State.UNPLACED
        row.crew = row.day = row.starts_at = row.promised_from = row.promised_until = None
