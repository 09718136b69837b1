"""The visit: opened at the site, closed out with what is missing said."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.db import transaction
from django.utils import timezone

from jobs.models import Appointment, Job
from jobs.services.appointments import mark_arrived, mark_done, refuse_late_back, undo_done, undo_tap
from measuring.adapters.evaluation import evaluate
from measuring.models import MeasureVisit, Opening, Tape, VisitOpening
from measuring.rules.families import TABLE
from measuring.rules.visit import CloseOut, End, Standing, close_out, ends, expected_short
from measuring.services.base import lock_job, restage
from measuring.services.openings import mark_not_reached
from measuring.services.sizes import size_opening
from shared import audit
from shared.errors import Refused
from shared.models import User

TO_DO = tuple(TABLE["states"]["to_do"])
BEGUN = tuple(TABLE["states"]["begun"])
LEFT_OUT = tuple(TABLE["states"]["left_out"])
UNFINISHED = tuple(TABLE["states"]["unfinished"])
"""Begun, and the visit at it is not closed."""


@dataclass(frozen=True, slots=True)
class OpenEnd:
    """One line of the close-out: an opening, and what is missing there (it blocks) or to be checked."""

    opening: Opening
    end: End

    @property
    def blocks(self) -> bool:
        return self.end.gap is not None

    @property
    def severity(self) -> str:
        return self.end.severity

    @property
    def field(self) -> str:
        return self.end.gap.field if self.end.gap else str(self.end.finding["field"]) if self.end.finding else ""

    @property
    def text(self) -> str:
        return self.end.gap.text if self.end.gap else str(self.end.finding["text"]) if self.end.finding else ""


@transaction.atomic
def open_visit(
    *, appointment: Appointment, by: User, tape: Tape | None = None, at: dt.datetime | None = None
) -> MeasureVisit:
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
    visit = MeasureVisit.objects.filter(appointment=appointment).first()
    if visit is None:
        visit = MeasureVisit.objects.create(
            appointment=appointment, measurer=by, tape=tape, opened_at=at or timezone.now()
        )
        _cover(appointment)
        if appointment.state == Appointment.State.DONE:
            undo_done(appointment=appointment, by=by)
        else:
            mark_arrived(appointment=appointment, by=by, at=visit.opened_at)
        audit.record(by=by, action="began to measure", subject=visit, job=job)
    elif tape is not None and visit.tape_id != tape.pk and not visit.is_closed():
        visit.tape = tape
        visit.save(update_fields=["tape"])
        audit.record(by=by, action="took another tape", subject=visit, job=job, note=str(tape))
    return visit


def _cover(appointment: Appointment) -> None:
    if appointment.visit_openings.exists():
        return
    openings = Opening.objects.filter(job=appointment.job_id, state__in=TO_DO)
    VisitOpening.objects.bulk_create(
        [VisitOpening(appointment=appointment, opening=opening) for opening in openings],
        ignore_conflicts=True,
    )


def openings_of(visit: MeasureVisit) -> list[Opening]:
    """The visit's openings as they are walked, those dropped left out."""
    return list(
        Opening.objects.filter(visit_openings__appointment=visit.appointment_id)
        .exclude(state=Opening.State.DROPPED)
        .select_related("job__branch", "job__site", "room", "product", "group")
        .prefetch_related("readings__tape", "obstructions", "units")
        .order_by("room__order", "room_id", "order", "pk")
    )


def open_ends(openings: Sequence[Opening]) -> list[OpenEnd]:
    """What is missing (it blocks the close-out) and what is to be checked, of a visit's openings in walking order."""
    return [OpenEnd(openings[end.index], end) for end in ends(_standings(openings))]


def short_of(job: Job) -> str:
    """What the customer told of and no opening is on record for, in words; empty where there is nothing to say."""
    here = Opening.objects.filter(job=job).exclude(state=Opening.State.DROPPED).values_list("room__name", flat=True)
    return expected_short(job.openings_expected, job.rooms_expected, list(here))


def alike(found: Sequence[OpenEnd]) -> list[list[OpenEnd]]:
    """Those of one severity and text together: a line for all the openings it is said of."""
    rows: dict[tuple[str, str], list[OpenEnd]] = {}
    for end in found:
        rows.setdefault((end.severity, end.text), []).append(end)
    return list(rows.values())


def _standings(openings: Sequence[Opening]) -> list[Standing]:
    found = []
    for opening in openings:
        seen = evaluate(opening, opening.readings.all()) if opening.state not in LEFT_OUT else None
        said = Standing(opening.state, seen.gaps, seen.findings, opening.goes_on) if seen else Standing(opening.state)
        found.append(said)
    return found


@transaction.atomic
def close_visit(
    *,
    visit: MeasureVisit,
    by: User,
    in_part: bool = False,
    note_text: str = "",
    at: dt.datetime | None = None,
) -> MeasureVisit:
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
        The first thing that is missing; its field is ``opening.<pk>.<spot>``.
    """
    lock_job(visit.appointment.job_id)
    visit = MeasureVisit.objects.select_for_update(of=("self",)).select_related("appointment").get(pk=visit.pk)
    if visit.is_closed():
        raise Refused("this visit is closed already")
    openings = openings_of(visit)
    short = short_of(visit.appointment.job)
    end = close_out(_standings(openings), in_part=in_part, short=short)
    _refuse_open(openings, end)
    measured = [one for one in openings if one.state in BEGUN]
    _close(visit, end.outcome, note_text, at)
    for opening in measured:
        size_opening(opening=opening, by=by)
    _end(visit, by, short)
    return visit


@transaction.atomic
def could_not_measure(
    *, appointment: Appointment, reason: str, by: User, at: dt.datetime | None = None
) -> MeasureVisit:
    """
    Nobody home, no way in: the visit is over, its openings wait for another, and both say why.

    Raises
    ------
    Refused
        Without a reason (field ``reason``), or when something was read: that visit closes in part.
    """
    reason = reason.strip()
    if not reason:
        raise Refused("say why nothing could be measured", field="reason")
    visit = open_visit(appointment=appointment, by=by, at=at)
    visit = MeasureVisit.objects.select_for_update(of=("self",)).select_related("appointment").get(pk=visit.pk)
    if visit.is_closed():
        raise Refused("this visit is closed already")
    openings = openings_of(visit)
    for opening in openings:
        if opening.state in UNFINISHED:
            raise Refused(f"{opening} is begun; close the visit in part, and say for each opening why", field="reason")
    for opening in openings:
        if opening.state == Opening.State.TO_MEASURE:
            mark_not_reached(opening=opening, reason=reason[:240], by=by)
    _close(visit, MeasureVisit.Outcome.NONE, reason, at)
    _end(visit, by)
    return visit


def _close(visit: MeasureVisit, outcome: str, note: str, at: dt.datetime | None) -> None:
    visit.closed_at = max(at or timezone.now(), visit.opened_at)
    visit.note, visit.outcome = note.strip()[:4000], outcome
    visit.save(update_fields=["closed_at", "note", "outcome"])


def _end(visit: MeasureVisit, by: User, short: str = "") -> None:
    """The appointment is over as well; who drives next sees it, and the job moves on."""
    mark_done(appointment=visit.appointment, by=by, at=visit.closed_at)
    job = visit.appointment.job
    action = f"closed out the visit: {visit.get_outcome_display()}"
    audit.record(by=by, action=action, subject=visit, job=job, note="; ".join(filter(None, [short, visit.note])))
    restage(job, by)


def _refuse_open(openings: list[Opening], end: CloseOut) -> None:
    if end.problem == "no_openings":
        raise Refused("no openings yet: add them, or say why nothing could be measured", field="openings")
    if end.problem == "left" and isinstance(end.at, int):
        raise Refused(f"{openings[end.at]} couldn't be reached; close the visit in part", field="in_part")
    if isinstance(end.at, End) and end.at.gap is not None:
        one, gap = openings[end.at.index], end.at.gap
        raise Refused(f"{one}: {gap.text}", field=f"opening.{one.pk}.{gap.field}")


def take_back(*, appointment: Appointment, by: User, at: dt.datetime | None = None) -> None:
    """The last tap at the visit: its close-out, else "arrived" or "leaving now"."""
    closed = MeasureVisit.objects.filter(appointment=appointment).exclude(closed_at=None).first()
    if closed is not None:
        reopen_visit(visit=closed, by=by, at=at)
    else:
        undo_tap(appointment=appointment, by=by, at=at)


@transaction.atomic
def reopen_visit(*, visit: MeasureVisit, by: User, at: dt.datetime | None = None) -> MeasureVisit:
    """Something was forgotten, and somebody is still there; who drives can for a while, `at` being when they did."""
    job = lock_job(visit.appointment.job_id)
    visit = MeasureVisit.objects.select_for_update(of=("self",)).get(pk=visit.pk)
    if visit.is_closed():
        refuse_late_back(visit.closed_at, by, at, job.branch)
        visit.closed_at, visit.outcome = None, ""
        visit.save(update_fields=["closed_at", "outcome"])
        undo_done(appointment=visit.appointment, by=by)
        audit.record(by=by, action="opened the visit again", subject=visit, job=job)
        restage(job, by)
    return visit


def visit_at(opening: Opening) -> MeasureVisit | None:
    """The visit that is at this opening, not closed yet."""
    return (
        MeasureVisit.objects.filter(closed_at=None, appointment__visit_openings__opening=opening)
        .select_related("tape")
        .order_by("-opened_at")
        .first()
    )
