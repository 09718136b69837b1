"""The visit: opened at the site, closed out with what is missing said."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db import transaction
from django.utils import timezone

from jobs.models import Appointment
from jobs.services import mark_arrived, mark_done
from measuring.evaluation import Gap, evaluate
from measuring.models import Opening, Tape, Visit, VisitOpening
from measuring.services.base import lock_job, restage
from measuring.services.sizes import size_opening
from shared import audit
from shared.errors import Refused
from shared.models import User

TO_DO = (Opening.State.TO_MEASURE, Opening.State.UNDER_WAY, Opening.State.NOT_REACHED)


@dataclass(frozen=True, slots=True)
class OpenEnd:
    """One line of the close-out: an opening, what is missing or to be checked, and whether it blocks."""

    opening: Opening
    gap: Gap
    severity: str

    @property
    def blocks(self) -> bool:
        return self.gap.blocks


@transaction.atomic
def open_visit(
    *, appointment: Appointment, by: User, tape: Tape | None = None, at: dt.datetime | None = None
) -> Visit:
    """
    Begin measuring at an appointment; the visit there is, when somebody began already.

    The appointment is for the openings it names; where it names none, for those of the job that
    are still to be measured.
    """
    if not appointment.is_measuring():
        raise Refused(f"a {appointment.get_purpose_display()} appointment is not for measuring")
    if appointment.state in (Appointment.State.CANCELLED, Appointment.State.UNPLACED):
        raise Refused(f"the appointment is {appointment.get_state_display()}")
    job = lock_job(appointment.job_id)
    visit = Visit.objects.filter(appointment=appointment).first()
    if visit is None:
        visit = Visit.objects.create(
            appointment=appointment, measurer=by, tape=tape, opened_at=at or timezone.now()
        )
        _cover(appointment)
        if appointment.state != Appointment.State.DONE:
            mark_arrived(appointment=appointment, by=by, at=visit.opened_at)
        audit.record(by=by, deed="began to measure", subject=visit, job=job)
    elif tape is not None and visit.tape_id != tape.pk and not visit.is_closed():
        visit.tape = tape
        visit.save(update_fields=["tape"])
        audit.record(by=by, deed="took another tape", subject=visit, job=job, note=str(tape))
    return visit


def _cover(appointment: Appointment) -> None:
    if appointment.visit_openings.exists():
        return
    openings = Opening.objects.filter(job=appointment.job_id, state__in=TO_DO)
    VisitOpening.objects.bulk_create(
        [VisitOpening(appointment=appointment, opening=opening) for opening in openings],
        ignore_conflicts=True,
    )


def openings_of(visit: Visit) -> list[Opening]:
    """The visit's openings as they are walked, those dropped left out."""
    return list(
        Opening.objects.filter(visit_openings__appointment=visit.appointment_id)
        .exclude(state=Opening.State.DROPPED)
        .select_related("job__branch", "job__site", "room", "product", "group")
        .prefetch_related("readings__tape", "obstructions")
        .order_by("room__order", "room_id", "order", "pk")
    )


def open_ends(visit: Visit) -> list[OpenEnd]:
    """What is missing (it blocks the close-out) and what is to be checked, in walking order."""
    found: list[OpenEnd] = []
    for opening in openings_of(visit):
        if opening.state in (Opening.State.CANNOT, Opening.State.NOT_REACHED):
            continue
        seen = evaluate(opening, opening.readings.all())
        found += [OpenEnd(opening, gap, "stop") for gap in seen.gaps]
        asked = {gap.field for gap in seen.gaps}
        found += [
            OpenEnd(opening, Gap(one["field"], one["text"], False), one["severity"])
            for one in seen.findings
            if one["severity"] != "note" and not (one["code"] == "misread" and one["field"] in asked)
        ]
    return found


@transaction.atomic
def close_visit(
    *,
    visit: Visit,
    by: User,
    in_part: bool = False,
    note_text: str = "",
    at: dt.datetime | None = None,
) -> Visit:
    """
    The close-out: sizes are final as far as they go, and the office sees them at once.

    Parameters
    ----------
    in_part
        Some openings stay for another visit; those that could not be reached say why. Without
        it every opening is measured, can't be covered, or blocks.

    Raises
    ------
    Refused
        The first thing that is missing; its field is ``opening.<pk>.<place>``.
    """
    job = lock_job(visit.appointment.job_id)
    visit = Visit.objects.select_for_update(of=("self",)).select_related("appointment").get(pk=visit.pk)
    if visit.is_closed():
        raise Refused("this visit is closed already")
    openings = openings_of(visit)
    left = [one for one in openings if one.state == Opening.State.NOT_REACHED]
    blocking = [end for end in open_ends(visit) if end.blocks]
    untouched = {one.pk for one in openings if in_part and one.state == Opening.State.TO_MEASURE}
    for end in blocking:
        if end.opening.pk not in untouched:
            raise Refused(
                f"{end.opening}: {end.gap.text}", field=f"opening.{end.opening.pk}.{end.gap.field}"
            )
    if left and not in_part:
        raise Refused(f"{left[0]} couldn't be reached; close the visit in part", field="in_part")
    if not openings:
        raise Refused("no openings yet: add them, or leave the appointment open", field="openings")
    visit.closed_at = max(at or timezone.now(), visit.opened_at)
    visit.note = note_text.strip()[:4000]
    measured = [one for one in openings if one.state in (Opening.State.UNDER_WAY, Opening.State.MEASURED)]
    lagging = bool(left or untouched)
    visit.outcome = _outcome(bool(measured), lagging)
    visit.save(update_fields=["closed_at", "note", "outcome"])
    for opening in measured:
        size_opening(opening=opening, by=by)
    _end_appointment(visit, by)
    audit.record(
        by=by, deed=f"closed out the visit: {visit.get_outcome_display()}", subject=visit, job=job, note=visit.note
    )
    restage(job, by)
    return visit


def _outcome(any_measured: bool, lagging: bool) -> str:
    if not any_measured and lagging:
        return Visit.Outcome.NONE
    return Visit.Outcome.PART if lagging else Visit.Outcome.WHOLE


def _end_appointment(visit: Visit, by: User) -> None:
    """The appointment is done; who drives next sees it."""
    if visit.appointment.state != Appointment.State.DONE:
        mark_done(appointment=visit.appointment, by=by, at=visit.closed_at)


@transaction.atomic
def reopen_visit(*, visit: Visit, by: User) -> Visit:
    """Something was forgotten, and somebody is still there."""
    job = lock_job(visit.appointment.job_id)
    visit = Visit.objects.select_for_update(of=("self",)).get(pk=visit.pk)
    if visit.is_closed():
        visit.closed_at, visit.outcome = None, ""
        visit.save(update_fields=["closed_at", "outcome"])
        audit.record(by=by, deed="opened the visit again", subject=visit, job=job)
        restage(job, by)
    return visit
