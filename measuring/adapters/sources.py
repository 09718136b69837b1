"""What this room tells the jobs room: stage facts, what holds a job up, what to bring."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from django.db.models import Count, Exists, OuterRef, Q, QuerySet
from django.urls import reverse

from jobs.models import MEASURING, Appointment, Job, Purpose
from jobs.ports import Blocker, Unfinished
from measuring.adapters.changes import differences
from measuring.adapters.options import gone_options, missing_options, offers
from measuring.adapters.summaries import is_stopped, openings_of_job, unit_rows
from measuring.models import FactConflict, MeasureVisit, Opening, Reading, SizeChange, Unit, VisitOpening
from measuring.rules.families import TABLE
from measuring.rules.visit import expected_short
from measuring.services.visits import UNFINISHED, open_ends, openings_of, short_of
from shared.lengths import Length, LengthUnit
from shared.roles import DISPATCHER, MEASURER

TO_MEASURE = tuple(TABLE["states"]["to_do"])


def stage_facts(job: Job) -> dict[str, object]:
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
    visit = MeasureVisit.objects.filter(appointment=appointment).first()
    if visit is not None and visit.is_closed():
        return None
    begun, text = _what_is_left(visit)
    ways = () if begun else (("Couldn't measure", reverse("measuring:not_measured", args=[appointment.pk])),)
    return Unfinished(text, ways)


def outcomes(appointments: Sequence[Appointment]) -> dict[int, str]:
    """How measure visits were closed out, in words."""
    visits = MeasureVisit.objects.filter(appointment__in=appointments).exclude(closed_at=None)
    return {visit.appointment_id: visit.get_outcome_display() for visit in visits}


def is_recorded(appointment: Appointment) -> bool:
    """Whether somebody has begun to measure there."""
    return MeasureVisit.objects.filter(appointment=appointment).exists()


def _what_is_left(visit: MeasureVisit | None) -> tuple[bool, str]:
    """Whether something was measured, and what is left, in words."""
    if visit is None:
        return False, "nobody has begun to measure"
    openings = openings_of(visit)
    if not openings:
        return False, "no openings are on it"
    begun = any(one.state in UNFINISHED for one in openings)
    waiting = {end.opening.pk for end in open_ends(openings) if end.blocks}
    waiting |= {one.pk for one in openings if one.state == Opening.State.NOT_REACHED}
    if not waiting:
        return begun, "every opening is measured, it is not closed out"
    return begun, f"{len(waiting)} of {len(openings)} openings {'is' if len(waiting) == 1 else 'are'} not measured"


def blockers(job: Job) -> Iterator[Blocker]:
    """What holds the job up in this room, and who can move it."""
    sizes = reverse("measuring:sizes", args=[job.pk])
    on_hold = SizeChange.objects.filter(unit__opening__job=job, state=SizeChange.State.OPEN)
    for change in on_hold.select_related("unit__product", "new_product"):
        yield Blocker(
            f"{change.unit.code} is on hold: {_in_question(change)}",
            DISPATCHER,
            change.opened_at,
            reverse("measuring:size_change", args=[change.pk]),
            "stop",
        )
    yield from _side_by_side(job)
    if not job.is_cancelled():
        yield from _not_measured(job)
        yield from _before_release(job, sizes)


def _in_question(change: SizeChange) -> str:
    """What the office has to decide of a unit on hold, in a line."""
    if change.kind == SizeChange.Kind.SIZE:
        return "measured again after release, to decide" if change.is_measured else "to be measured again"
    what = "; ".join(differences(change)) or "to be cancelled"
    return f"{what}, the customer's yes is missing"


def another_visit(jobs: QuerySet[Job]) -> dict[int, Blocker]:
    """
    Jobs that no visit to come will measure, and that lack something.

    Either their last visit left something out, or an opening waits where measuring was taken for done.
    """
    short = [MeasureVisit.Outcome.PART, MeasureVisit.Outcome.NONE]
    closed = MeasureVisit.objects.filter(appointment__job=OuterRef("pk")).exclude(closed_at=None)
    openings = Opening.objects.filter(job=OuterRef("pk"))
    waits = Exists(openings.filter(state__in=TO_MEASURE)) & (
        Exists(openings.filter(state=Opening.State.MEASURED)) | Exists(closed)
    )
    coming = _to_come().filter(job=OuterRef("pk"))
    mine = jobs.filter(waits | Exists(closed.filter(outcome__in=short)), ~Exists(coming), cancelled_at=None)
    found = {job.pk: job for job in mine}
    if not found:
        return {}
    visits = (
        MeasureVisit.objects.filter(appointment__job__in=found).exclude(closed_at=None).select_related("appointment")
    )
    last = {visit.appointment.job_id: visit for visit in visits.order_by("closed_at", "pk")}
    here: dict[int, list[tuple[str, str]]] = {pk: [] for pk in found}
    rows = Opening.objects.filter(job__in=found).exclude(state=Opening.State.DROPPED)
    for pk, state, room in rows.values_list("job", "state", "room__name"):
        here[pk].append((state, room))
    wanted = {}
    for pk, job in found.items():
        visit = last.get(pk)
        if why := _why_again(job, visit, here[pk]):
            since, url = visit.closed_at if visit else None, _book_again(pk, visit)
            wanted[pk] = Blocker(f"another visit is needed: {why}"[:240], DISPATCHER, since, url)
    return wanted


def _to_come() -> QuerySet[Appointment]:
    """Measure visits that are not over."""
    over = [Appointment.State.DONE, Appointment.State.CANCELLED]
    return Appointment.objects.filter(purpose__in=MEASURING).exclude(state__in=over)


def _why_again(job: Job, visit: MeasureVisit | None, here: Sequence[tuple[str, str]]) -> str:
    """What is left to measure of the openings, their states and rooms given; empty when nothing is."""
    left = sum(state in TO_MEASURE for state, _ in here)
    text = f"{left} of {len(here)} opening{'' if len(here) == 1 else 's'} to measure" if left else ""
    outcome = visit.outcome if visit else ""
    if outcome == MeasureVisit.Outcome.PART and not text:
        return expected_short(job.openings_expected, job.rooms_expected, [room for _, room in here])
    if visit is None or outcome != MeasureVisit.Outcome.NONE:
        return text
    return (text or "nothing was measured") + (f" ({visit.note})" if visit.note else "")


def _book_again(job: int, visit: MeasureVisit | None) -> str:
    purpose = visit.appointment.purpose if visit else Purpose.MEASURE
    return f"{reverse('jobs:visit_new', args=[job])}?purpose={purpose}"


def _not_measured(job: Job) -> Iterator[Blocker]:
    """What the last visit was closed without, and openings that wait for one that is booked while the job goes on."""
    visits = MeasureVisit.objects.filter(appointment__job=job)
    last = visits.exclude(closed_at=None).order_by("-closed_at", "-pk").first()
    if last is not None and last.outcome == MeasureVisit.Outcome.WHOLE and (short := short_of(job)):
        yield Blocker(short, DISPATCHER, last.closed_at, reverse("jobs:edit", args=[job.pk]))
    facts = stage_facts(job)
    left = facts["openings_to_measure"]
    if left and facts["openings_measured"] and _to_come().filter(job=job).exists():
        text = f"{left} opening{'' if left == 1 else 's'} not measured, a visit is booked"
        yield Blocker(text, MEASURER, None, reverse("measuring:sizes", args=[job.pk]), "note")


def _side_by_side(job: Job) -> Iterator[Blocker]:
    doubled = Reading.objects.filter(opening__job=job, superseded_at=None, conflict_with__isnull=False)
    conflicting = FactConflict.objects.filter(opening__job=job, settled_at=None)
    doubtful = Q(readings__in=doubled) | Q(fact_conflicts__in=conflicting)
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
    stopped = sum(map(is_stopped, units))
    if stopped:
        yield Blocker(f"{stopped} can't be made as measured", DISPATCHER, None, sizes, "stop")
    offered = offers(unit.product for unit in units)
    lacking = sum(bool(missing_options(unit, offered[unit.product_id])) for unit in units)
    gone = sum(bool(gone_options(unit, offered[unit.product_id])) for unit in units)
    if lacking:
        yield Blocker(f"{lacking} lack options", DISPATCHER, None, sizes)
    if gone:
        yield Blocker(f"{gone} with an option that is not offered any more", DISPATCHER, None, sizes)
    unapproved = sum(unit.state != Unit.State.APPROVED for unit in units)
    if unapproved and not lacking and not gone:
        yield Blocker(f"{unapproved} wait for the customer's approval", DISPATCHER, None, sizes)
    if unapproved < len(units):
        yield from _approved(job, sizes)


def _approved(job: Job, sizes: str) -> Iterator[Blocker]:
    """What the customer has approved, as the sizes page judges it."""
    rows = [row for row in unit_rows(job, openings_of_job(job)) if row.unit.state == Unit.State.APPROVED]
    ready = sum(row.is_ready for row in rows)
    held = sum(not row.is_ready and not row.is_stopped for row in rows)
    if held:
        yield Blocker(f"{held} approved, can't be released yet", DISPATCHER, None, sizes)
    if ready:
        yield Blocker(f"{ready} ready to be released", DISPATCHER, None, sizes, "note")


def bring(appointments: Sequence[Appointment]) -> dict[int, list[str]]:
    """What a measurer brings beside the tape: a ladder where something is high."""
    mine = [row for row in appointments if row.is_measuring()]
    heights = VisitOpening.objects.filter(appointment__in=mine).values_list("appointment", "opening__reach_height")
    highest: dict[int, Length] = {}
    for pk, height in heights:
        if height is not None:
            highest[pk] = max(height, highest.get(pk, height))
    return {row.pk: ["steel tape", *_ladder(highest.get(row.pk), row.job.branch.unit)] for row in mine}


def _ladder(height: Length | None, unit: LengthUnit) -> list[str]:
    return [f"ladder: an opening reaches {height.text(unit, symbol=True)}"] if height else []
