"""What this room tells the jobs room: stage facts, what holds a job up, what to bring."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from django.db.models import Count, Q
from django.urls import reverse

from jobs.models import MEASURING, Appointment, Job
from jobs.ports import Blocker, Unfinished
from measuring.models import FactConflict, Opening, Reading, SizeChange, Unit, Visit
from measuring.options import missing_options, offers
from measuring.services.visits import open_ends, openings_of
from shared.lengths import Length
from shared.roles import DISPATCHER, MEASURER

TO_MEASURE = (Opening.State.TO_MEASURE, Opening.State.UNDER_WAY, Opening.State.NOT_REACHED)


def stage_facts(job: Job) -> dict[str, Any]:
    """
    Openings to measure, openings measured, and units by state, without those made anew.

    A remake lags by nature: it is counted by who owes the return, not here.
    """
    openings = Opening.objects.filter(job=job).aggregate(
        waiting=Count("pk", filter=Q(state__in=TO_MEASURE)),
        measured=Count("pk", filter=Q(state=Opening.State.MEASURED)),
    )
    units = Unit.objects.filter(opening__job=job, replaces=None).order_by().values_list("state").annotate(Count("pk"))
    return {
        "openings_to_measure": openings["waiting"],
        "openings_measured": openings["measured"],
        "units": dict(units),
    }


def unfinished(appointment: Appointment) -> Unfinished | None:
    """What is left to measure before the visit can be closed; None once it is closed out."""
    visit = Visit.objects.filter(appointment=appointment).first()
    if visit is not None and visit.is_closed():
        return None
    begun, text = _what_is_left(visit)
    ways = () if begun else (("Couldn't measure", reverse("measuring:not_measured", args=[appointment.pk])),)
    return Unfinished(text, ways)


def outcomes(appointments: Sequence[Appointment]) -> dict[int, str]:
    """How measure visits were closed out, in words."""
    visits = Visit.objects.filter(appointment__in=appointments).exclude(closed_at=None)
    return {visit.appointment_id: visit.get_outcome_display() for visit in visits}


def _what_is_left(visit: Visit | None) -> tuple[bool, str]:
    """Whether something was measured, and what is left, in words."""
    if visit is None:
        return False, "nobody has begun to measure"
    openings = openings_of(visit)
    if not openings:
        return False, "no openings are on it"
    begun = any(one.state == Opening.State.UNDER_WAY for one in openings)
    waiting = {end.opening.pk for end in open_ends(visit) if end.blocks}
    waiting |= {one.pk for one in openings if one.state == Opening.State.NOT_REACHED}
    if not waiting:
        return begun, "every opening is measured, it is not closed out"
    return begun, f"{len(waiting)} of {len(openings)} openings {'is' if len(waiting) == 1 else 'are'} not measured"


def blockers(job: Job) -> Iterator[Blocker]:
    """What holds the job up in this room, and who can move it."""
    sizes = reverse("measuring:sizes", args=[job.pk])
    for change in SizeChange.objects.filter(unit__opening__job=job, state=SizeChange.State.OPEN).select_related("unit"):
        yield Blocker(
            f"{change.unit.code}: measured again after release, to decide",
            DISPATCHER,
            change.opened_at,
            reverse("measuring:size_change", args=[change.pk]),
            "stop",
        )
    for visit in Visit.objects.filter(appointment__job=job, outcome=Visit.Outcome.PART):
        left = Opening.objects.filter(job=job, state=Opening.State.NOT_REACHED).count()
        if left:
            yield Blocker(f"{left} not reached at the visit", DISPATCHER, visit.closed_at, sizes)
            break
    yield from _in_vain(job)
    yield from _side_by_side(job)
    if not job.is_cancelled():
        yield from _before_release(job, sizes)


def _in_vain(job: Job) -> Iterator[Blocker]:
    """The last visit measured nothing, and none is to come."""
    over = [Appointment.State.DONE, Appointment.State.CANCELLED]
    last = Visit.objects.filter(appointment__job=job).exclude(closed_at=None).order_by("closed_at", "pk").last()
    if last is None or last.outcome != Visit.Outcome.NONE or job.is_cancelled():
        return
    if not job.appointments.filter(purpose__in=MEASURING).exclude(state__in=over).exists():  # type: ignore[attr-defined]
        why = f": {last.note}" if last.note else ""
        page = reverse("jobs:job", args=[job.pk])
        yield Blocker(f"couldn't be measured{why}"[:240], DISPATCHER, last.closed_at, page)


def _side_by_side(job: Job) -> Iterator[Blocker]:
    doubled = Reading.objects.filter(opening__job=job, superseded_at=None, conflict_with__isnull=False)
    told_twice = FactConflict.objects.filter(opening__job=job, settled_at=None)
    doubtful = Q(readings__in=doubled) | Q(fact_conflicts__in=told_twice)
    for opening in Opening.objects.filter(doubtful, job=job).select_related("room").distinct():
        yield Blocker(
            f"{opening}: two answers stand side by side",
            MEASURER,
            None,
            reverse("measuring:opening", args=[opening.pk]),
        )


def _before_release(job: Job, sizes: str) -> Iterator[Blocker]:
    waiting = Unit.objects.filter(opening__job=job, opening__state=Opening.State.MEASURED).filter(
        state__in=[Unit.State.DRAFT, Unit.State.SIZED, Unit.State.APPROVED]
    )
    units = list(waiting.select_related("product"))
    if not units:
        return
    stopped = sum(any(one["severity"] == "stop" for one in unit.findings) for unit in units)
    if stopped:
        yield Blocker(f"{stopped} can't be made as measured", DISPATCHER, None, sizes, "stop")
    offered = offers(unit.product for unit in units)
    lacking = sum(bool(missing_options(unit, offered[unit.product_id])) for unit in units)
    if lacking:
        yield Blocker(f"{lacking} lack options", DISPATCHER, None, sizes)
    unapproved = sum(unit.state != Unit.State.APPROVED for unit in units)
    if unapproved and not lacking:
        yield Blocker(f"{unapproved} wait for the customer's approval", DISPATCHER, None, sizes)
    elif not unapproved and not stopped:
        yield Blocker(f"{len(units)} approved, to be released", DISPATCHER, None, sizes, "note")


def bring(appointment: Appointment) -> list[str]:
    """What a measurer brings beside the tape: a ladder where something is high."""
    if not appointment.is_measuring():
        return []
    rows = Opening.objects.filter(visit_openings__appointment=appointment, reach_height__isnull=False)
    highest = max((row.reach_height for row in rows if row.reach_height), default=Length(0))
    if not highest:
        return ["steel tape"]
    unit = appointment.job.branch.unit
    return ["steel tape", f"ladder: an opening reaches {highest.text(unit, symbol=True)}"]
