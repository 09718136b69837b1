"""Service calls: something that hangs already, ours or another firm's; nothing is measured and no unit is made."""

from __future__ import annotations

from typing import Any, Final

from django.db import transaction

from jobs.models import Appointment, Purpose, ServiceCall
from jobs.services import booking, money
from jobs.services.appointments import cancel_appointment, new_appointment
from jobs.services.base import save
from jobs.services.stages import lock_job, lock_open_job
from shared import audit
from shared.errors import Refused
from shared.models import User
from shared.pictures import keep_picture

FIELDS: Final = ("product", "fault", "made_by", "years", "parts", "trip_charge")
MOST_DONE: Final = 600
State = Appointment.State


@transaction.atomic
def note_call(*, appointment: Appointment, by: User | None, **values: Any) -> ServiceCall:
    """What the customer says of it: what hangs there, what is wrong, whose, how old, parts, the trip charge."""
    job = lock_open_job(appointment.job_id)
    row = _of(appointment)
    fields = booking.fill(row, values, FIELDS)
    was = ServiceCall.objects.filter(pk=row.pk).values_list("trip_charge", flat=True).first()
    save(row, fields, by=by, action="noted the service call", job=job)
    if by is not None and row.trip_charge != was and job.order_value in {None, was} and job.deposit is None:
        money.set_order(job=job, by=by, order_value=row.trip_charge, deposit=None)
    return row


@transaction.atomic
def add_photo(*, appointment: Appointment, data: bytes, by: User | None) -> ServiceCall:
    """A picture of what is wrong, instead of one there was."""
    job = lock_open_job(appointment.job_id)
    row = _of(appointment)
    if row.pk is None:
        raise Refused("say first what the service call is about", field="product")
    row.photo = keep_picture("service", data)
    row.save(update_fields=["photo"])
    audit.record(by=by, action="added a photo of what is wrong", subject=row.appointment, job=job)
    return row


@transaction.atomic
def finish(*, appointment: Appointment, done: str, result: str, by: User) -> ServiceCall:
    """
    What was done, in the crew's words, and what came of it; where parts are to come, another visit is asked for.

    Raises
    ------
    Refused
        Field ``note`` while nobody says what was done; ``result`` for one there is not.
    """
    job = lock_job(appointment.job_id)
    row = _of(appointment)
    if not done.strip():
        raise Refused("say what was done, for the customer's record", field="note")
    if result not in ServiceCall.Result.values:
        bound = ", ".join(ServiceCall.Result.values)
        raise Refused("say what came of it: fixed, parts to come, or can't be repaired", field="result", bound=bound)
    row.product, row.result, row.done = row.product or "window covering", result, done.strip()[:MOST_DONE]
    save(row, ["product", "result", "done"], by=by, action="finished the service call", job=job)
    if result == ServiceCall.Result.PARTS and row.follow_up is None:
        row.follow_up = new_appointment(job=job, purpose=Purpose.SERVICE, by=by)
        row.save(update_fields=["follow_up"])
        note_call(
            appointment=row.follow_up, by=by, product=row.product, fault=row.fault, made_by=row.made_by,
            years=row.years, parts=row.parts,
        )  # fmt: skip
    return row


@transaction.atomic
def take_up(*, appointment: Appointment, by: User) -> None:
    """It goes on: what was said of its end is gone, and so is a visit with parts that has no place yet."""
    row = ServiceCall.objects.filter(appointment=appointment).select_related("follow_up").first()
    if row is None or not row.result:
        return
    if row.follow_up is not None and row.follow_up.state == State.UNPLACED:
        cancel_appointment(appointment=row.follow_up, by=by, reason="the service call goes on")
        row.follow_up = None
    row.result = ""
    save(row, ["result", "follow_up"], by=by, action="went on with the service call", job=appointment.job_id)


def _of(appointment: Appointment) -> ServiceCall:
    """What is known of it, or an empty row (not saved); refused for other visits."""
    if appointment.purpose != Purpose.SERVICE:
        raise Refused(f"this is a visit to {appointment.get_purpose_display()}, no service call")
    found = ServiceCall.objects.select_for_update().filter(appointment=appointment).first()
    return found or ServiceCall(appointment=appointment)
