"""What the install day tells the rooms below: stage facts, minutes, blockers, what to bring."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from django.db.models import Count, F, Q
from django.urls import reverse

from installs.adapters.evaluation import rules_of, with_needs, work_out
from installs.models import HardwareUsed, Load, Pull, ReturnOwed, Stop, StopPhoto, UnitHardware, VisitUnit
from installs.rules.causes import CHOOSE, YES, cause
from installs.rules.clearance import plan_projection, projection_needed
from installs.rules.tools import merge_tools
from installs.services.hardware import visit_hardware
from jobs.models import INSTALLING, Appointment, Job, Purpose, ServiceCall
from jobs.ports import Blocker, Unfinished
from measuring.models import Obstruction, Opening, Unit
from shared.formats.dates import short_day
from shared.lengths import ZERO
from shared.roles import DISPATCHER, WORKROOM

LIVE = (ReturnOwed.State.OWED, ReturnOwed.State.BOOKED)
OVER = (Appointment.State.DONE, Appointment.State.CANCELLED)


def stage_facts(job: Job) -> dict[str, object]:
    """
    Returns owed and sign-offs still open.

    Where every unit of a job is made again, nothing else is left to tell its stage by: then the
    remakes count as what they are.
    """
    facts: dict[str, object] = {
        "returns_owed": ReturnOwed.objects.filter(job=job, state__in=LIVE).count(),
        "sign_offs_open": job.appointments.filter(
            purpose__in=INSTALLING, state__in=[Appointment.State.ON_THE_WAY, Appointment.State.ARRIVED]
        ).count(),
    }
    units = Unit.objects.live().filter(opening__job=job)
    remakes = units.exclude(replaces=None)
    if remakes.exists() and not units.filter(replaces=None).exists():
        facts["units"] = dict(remakes.order_by().values_list("state").annotate(Count("pk")))
    return facts


def unfinished(appointment: Appointment) -> Unfinished | None:
    """What is left before the stop can be closed; None once it is."""
    if Stop.objects.filter(appointment=appointment).exclude(closed_at=None).exists():
        return None
    outcomes = list(VisitUnit.objects.filter(appointment=appointment).values_list("outcome", flat=True))
    waiting = outcomes.count(VisitUnit.Outcome.TO_DO)
    if appointment.purpose == Purpose.SERVICE:
        return Unfinished("say what was done")
    if waiting:
        return Unfinished(f"{waiting} of {len(outcomes)} units {'has' if waiting == 1 else 'have'} no outcome yet")
    return Unfinished("every unit has its outcome, it is not closed" if outcomes else "it is not closed")


def outcomes(appointments: Sequence[Appointment]) -> dict[int, str]:
    """How much of what was to go up at a closed stop is up, in words; of a service call what came of it."""
    own = [row for row in appointments if row.purpose == Purpose.SERVICE]
    calls = ServiceCall.objects.filter(appointment__in=own).exclude(result="") if own else ()
    results = {call.appointment_id: call.get_result_display() for call in calls}
    rows = VisitUnit.objects.filter(
        appointment__in=appointments, appointment__purpose__in=[Purpose.INSTALL, Purpose.RETURN]
    )
    up = Count("pk", filter=Q(outcome=VisitUnit.Outcome.INSTALLED))
    counted = rows.exclude(appointment__stop__closed_at=None).order_by().values("appointment")
    units = {row["appointment"]: _installed(row["up"], row["all"]) for row in counted.annotate(up=up, all=Count("pk"))}
    return units | results


def _installed(up: int, whole: int) -> str:
    if up == whole:
        return "all installed"
    return f"{up} of {whole} installed" if up else "nothing installed"


def is_recorded(appointment: Appointment) -> bool:
    """Whether a unit has its outcome there, or a photo, hardware or a signature was taken."""
    marked = VisitUnit.objects.filter(appointment=appointment).exclude(outcome=VisitUnit.Outcome.TO_DO)
    signed = Stop.objects.filter(appointment=appointment).exclude(signed_at=None, closed_at=None)
    photos = StopPhoto.objects.filter(appointment=appointment, removed_at=None)
    used = HardwareUsed.objects.filter(appointment=appointment, undone_at=None)
    return any(rows.exists() for rows in (marked, signed, photos, used))


def blockers(job: Job) -> Iterator[Blocker]:
    """Units that can't go up, hardware the shelf lacks, returns to decide on, stops left open."""
    page = reverse("installs:job_hardware", args=[job.pk])
    yield from _cannot(job, page)
    short = (
        Pull.objects.filter(appointment__job=job, state=Pull.State.RESERVED, held__lt=F("needed"))
        .exclude(appointment__state__in=OVER)
        .select_related("material", "appointment")
    )
    for pull in short:
        yield Blocker(
            f"{pull.short} {pull.material.name} short for the {pull.appointment.get_purpose_display()}",
            WORKROOM,
            pull.at,
            reverse("installs:visit_hardware", args=[pull.appointment_id]),
            "stop",
        )
    yield from _returns(job)


def _cannot(job: Job, page: str) -> Iterator[Blocker]:
    rows = UnitHardware.objects.filter(unit__opening__job=job).exclude(cannot=[]).select_related("unit__opening__room")
    for row in rows.exclude(unit__state__in=[Unit.State.INSTALLED, Unit.State.CANCELLED, Unit.State.REPLACED]):
        text = row.cannot[0]["text"]
        yield Blocker(f"{row.unit.opening} {row.unit.code}: {text}"[:240], DISPATCHER, row.computed_at, page, "check")


def _is_to_decide(row: ReturnOwed) -> bool:
    return row.decided_at is None and bool({cause(row.cause).remake, cause(row.cause).remeasure} & {YES, CHOOSE})


def parts_unknown(appointments: Sequence[Appointment]) -> list[str]:
    """Why nobody can say when a return's parts are there: a remake is undecided, or has no day."""
    mine = Q(appointment__in=[row.pk for row in appointments if row.pk]) | Q(appointment=None)
    owed = ReturnOwed.objects.filter(mine, job__in={row.job_id for row in appointments}, state__in=LIVE)
    rows = list(owed.select_related("unit", "remake"))
    return [
        _unknown(row for row in rows if row.job_id == one.job_id and row.appointment_id in {one.pk, None})
        for one in appointments
    ]


def _unknown(owed: Iterable[ReturnOwed]) -> str:
    for row in owed:
        if _is_to_decide(row):
            return f"parts not known yet: whether {row.unit.code} is made again is to be decided"
        if row.remake is not None and row.remake.made_at is None and row.ready_on() is None:
            return f"parts not known yet: {row.remake.code}, made again for {row.unit.code}, has no day"
    return ""


def _returns(job: Job) -> Iterator[Blocker]:
    owed = ReturnOwed.objects.filter(job=job, state__in=LIVE).select_related("unit", "remake", "appointment")
    for row in owed:
        page = reverse("installs:return", args=[row.pk])
        if _is_to_decide(row):
            yield Blocker(f"{row.unit.code}: {row.cause_text}; make again?", DISPATCHER, row.opened_at, page, "stop")
        elif row.state == ReturnOwed.State.OWED:
            ready = row.ready_on()
            when = f", parts ready {short_day(ready)}" if ready else ""
            yield Blocker(f"return owed for {row.waits_for.code}{when}", DISPATCHER, row.opened_at, page)


def bring(appointments: Sequence[Appointment]) -> dict[int, list[str]]:
    """Tools beyond the usual, people, and how many pieces of hardware; for installs and returns."""
    own = [row for row in appointments if row.purpose == Purpose.SERVICE]
    calls = ServiceCall.objects.filter(appointment__in=own).exclude(parts="") if own else ()
    parts = {call.appointment_id: [call.parts] for call in calls}
    units = {row.pk: _bring(row) for row in appointments if row.purpose in INSTALLING and row not in own}
    return units | parts


def _bring(appointment: Appointment) -> list[str]:
    found = visit_hardware(appointment)
    lists = [one.hardware for one in found.worked if one.hardware is not None]
    usual = {"tape", "level", "screwdriver", "detector", "glasses"}
    tools = [tool.name for tool in merge_tools(one.tools for one in lists) if tool.key not in usual]
    people = max((one.people.count for one in lists), default=1)
    pieces = sum(line.quantity for line in found.lines)
    out = [f"{len(found.worked)} unit{'s' if len(found.worked) != 1 else ''}, {pieces} pieces of hardware"]
    if people > 1:
        out.append(f"{people} people")
    return out + tools


def obstruction_help(opening: Opening, thing: Obstruction) -> Iterator[str]:
    """At measuring time: how an outside mount gets clear of something, or that it can't."""
    if opening.mount != "outside" or opening.product is None:
        return
    rules = rules_of(opening.job.branch)
    family = opening.product.family
    _, bracket = rules.bracket_rule(family, rules.choices.variants.get(opening.product.key, ""))
    clearance = rules.clearance
    needed = projection_needed([thing.projection], clearance.hand[family])
    plan = plan_projection(
        needed,
        bracket.sizes[0].standoff,
        [(key, rules.item(key).length or ZERO) for key in clearance.spacers],
        clearance.most_stack,
        [(key, rules.item(key).length or ZERO) for key in clearance.extensions],
    )
    if plan.way == "cannot":
        yield f"can't be cleared: {plan.why}"
    elif plan.way != "none":
        yield plan.why


def loads_of(job: Job) -> list[Load]:
    """Loads of the crew-days on which the job is installed."""
    visits = job.appointments.filter(purpose__in=INSTALLING).exclude(crew=None)
    pairs = set(visits.values_list("crew", "day"))
    return [load for crew, day in pairs if day for load in Load.objects.filter(crew=crew, day=day)]


def hardware_kits(units: Sequence[Unit]) -> dict[int, list[str]]:
    """By unit: what it is hung with, as the visit's list has it; what a whole job needs once is left to that list."""
    rows = with_needs(Unit.objects.filter(pk__in=[unit.pk for unit in units])).order_by("opening__job__branch")
    found = {}
    for branch, mine in groupby(rows, key=lambda unit: unit.opening.job.branch):
        for one in work_out(mine, rules_of(branch)):
            if one.hardware is None:
                found[one.unit.pk] = [f"not known yet: {one.problem}"]
                continue
            lines = [entry for entry in one.hardware.lines if not entry.shared]
            several = len(one.hardware.fixings) > 1  # the wall is not known: each kit by its name
            found[one.unit.pk] = [
                f"{entry.quantity} × {entry.name}" + (f" ({entry.kit})" if several and entry.kit else "")
                for entry in lines
            ]
    return found
