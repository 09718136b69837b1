"""
What a measurer's entries are about: which wait for which, when one could not be taken.

An opening's entries keep their order; a copy is about both openings. Everything of a job's visit
waits for its begin and its close-out, and the close-out waits for everything of it.
"""

from __future__ import annotations

import uuid
from collections.abc import Set
from typing import TYPE_CHECKING

from jobs.models import Appointment, Job
from measuring.models import FactConflict, Obstruction, Opening, Reading, Room
from shared.devices import entries
from shared.devices.kinds import Touches

if TYPE_CHECKING:
    from measuring.api.entries import (
        Bay,
        Copy,
        NewOpening,
        NewRoom,
        OfObstruction,
        OfOpening,
        OfReading,
        OfVisit,
        Order,
        RoomDefaults,
        Settle,
    )  # fmt: skip

Where = tuple[int | None, str]
"""The key of a job, and where in it, in words."""


def visit(body: OfVisit, entry_id: uuid.UUID) -> Touches:
    """The begin or the close-out: of the whole visit."""
    job, where = _of_appointment(body.appointment)
    return _touches(job, where, waits={f"job:{job}"}, holds={f"visit:{job}"})


def new_room(body: NewRoom, entry_id: uuid.UUID) -> Touches:
    """A room made."""
    job, where = _of_appointment(body.appointment)
    return _touches(job, f"{where}, {body.name}", both={f"room:{body.room}"})


def room(body: RoomDefaults, entry_id: uuid.UUID) -> Touches:
    """What openings to come of a room begin with."""
    job, where = _of_room(body.room)
    return _touches(job, where, both={f"room:{body.room}"})


def order(body: Order, entry_id: uuid.UUID) -> Touches:
    """Openings of a room in another order: after they are made, and after the order before."""
    job, where = _of_room(body.room)
    made = {f"room:{body.room}", *(f"opening:{uid}" for uid in body.openings)}
    return _touches(job, where, waits=made, both={f"order:{body.room}"})


def bay(body: Bay, entry_id: uuid.UUID) -> Touches:
    """A bay: after its openings are made, and what is read of them after it."""
    job, where = _of_appointment(body.appointment)
    return _touches(job, where, both={f"opening:{uid}" for uid in body.openings})


def new_opening(body: NewOpening, entry_id: uuid.UUID) -> Touches:
    """An opening made in its room."""
    job, where = _of_appointment(body.appointment)
    where = f"{where}, {body.room_name} {body.facts.get('mark') or ''}".strip()
    return _touches(job, where, waits={f"room:{body.room}"}, both={f"opening:{body.opening}"})


def copy(body: Copy, entry_id: uuid.UUID) -> Touches:
    """A copy and what it is copied from: later changes of that one are not to get into it."""
    job, where = _of_opening(body.opening)
    return _touches(job, where, both={f"opening:{body.opening}", f"opening:{body.copy}"})


def opening(body: OfOpening, entry_id: uuid.UUID) -> Touches:
    """Something about one opening; `entry_id` names what it makes there."""
    return _about(body.opening, entry_id)


def reading(body: OfReading, entry_id: uuid.UUID) -> Touches:
    """Something about a reading, so about its opening."""
    return _about_row(Reading, body.reading)


def obstruction(body: OfObstruction, entry_id: uuid.UUID) -> Touches:
    """Something about an obstruction, so about its opening."""
    return _about_row(Obstruction, body.obstruction)


def conflict(body: Settle, entry_id: uuid.UUID) -> Touches:
    """Something about two answers, so about their opening."""
    uid = FactConflict.objects.filter(pk=body.conflict).values_list("opening__uid", flat=True).first()
    return _about(uid)


# -- where it is ----------------------------------------------------------------------------


NONE: frozenset[str] = frozenset()


def _touches(
    job: int | None, where: str, *, waits: Set[str] = NONE, holds: Set[str] = NONE, both: Set[str] = NONE
) -> Touches:
    return Touches(
        waits=frozenset({f"visit:{job}"} | waits | both),
        holds=frozenset({f"job:{job}"} | holds | both),
        job=job,
        where=where,
    )


def _about(uid: uuid.UUID | None, made: uuid.UUID | None = None) -> Touches:
    if uid is None:
        return Touches(frozenset(), frozenset())
    job, where = _of_opening(uid)
    holds = {f"made:{made}"} if made is not None else set()
    return _touches(job, where, holds=holds, both={f"opening:{uid}"})


def _about_row(model: type[Reading | Obstruction], uid: uuid.UUID) -> Touches:
    """About the opening of a row, which may be parked itself: then behind that entry."""
    found = model.objects.filter(uid=uid).values_list("opening__uid", flat=True).first()
    if found is not None:
        return _about(found)
    parked = entries.holder_of(f"made:{uid}")
    if parked is None:
        return Touches(frozenset(), frozenset())
    about = {subject for subject in parked.holds if subject.startswith("opening:")}
    return _touches(parked.job_id, parked.where, both=about)


def _of_appointment(key: int) -> Where:
    row = Appointment.objects.filter(pk=key).select_related("job__customer").first()
    return (row.job_id, f"{_name(row.job)}, {row.get_purpose_display()}") if row is not None else (None, "")


def _of_room(uid: uuid.UUID) -> Where:
    row = Room.objects.filter(uid=uid).select_related("job__customer").first()
    if row is not None:
        return row.job_id, f"{_name(row.job)}, {row.name}"
    return _of_parked(f"room:{uid}")


def _of_opening(uid: uuid.UUID) -> Where:
    row = Opening.objects.filter(uid=uid).select_related("job__customer", "room").first()
    if row is not None:
        return row.job_id, f"{_name(row.job)}, {row.room.name} {row.mark}"
    return _of_parked(f"opening:{uid}")


def _of_parked(subject: str) -> Where:
    parked = entries.holder_of(subject)
    return (parked.job_id, parked.where) if parked is not None else (None, "")


def _name(job: Job) -> str:
    return f"{job.number} {job.customer.name}"
