"""The job's stage: derived, stored for lists, computed anew under a lock."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from jobs.models import INSTALLING, MEASURING, Appointment, Job, Purpose
from jobs.ports import Blocker, ports
from jobs.rules.stages import StageFacts, stage_of
from shared import audit
from shared.errors import Refused
from shared.formats.dates import short_day
from shared.models import User

OVER = (Appointment.State.DONE, Appointment.State.CANCELLED)


def lock_job(job: Job | int) -> Job:
    """The job's row, locked until the transaction ends. Always the first lock an action takes."""
    pk = job.pk if isinstance(job, Job) else job
    return Job.objects.select_for_update(of=("self",)).select_related("branch", "site", "customer").get(pk=pk)


def lock_open_job(job: Job | int) -> Job:
    """The same, refused for a cancelled job."""
    locked = lock_job(job)
    if locked.is_cancelled():
        raise Refused(f"job {locked.number} is cancelled")
    return locked


def stage_facts(job: Job) -> StageFacts:
    """What the stage follows from: this room's own facts and those of the rooms above."""
    states = Appointment.State
    rows = list(job.appointments.exclude(state=states.CANCELLED).values_list("purpose", "state", "pk", "with_crew_of"))
    visits = [(purpose, state) for purpose, state, _, _ in rows]
    parts = {first for _, _, _, first in rows if first} | {pk for _, _, pk, first in rows if first}
    own: dict[str, Any] = {
        "is_cancelled": job.is_cancelled(),
        "is_held": job.is_held(),
        "measure_booked": any(p in MEASURING and s != states.UNPLACED for p, s in visits),
        "install_booked": any(p in INSTALLING and s not in {states.UNPLACED, states.DONE} for p, s in visits),
        "measures_open": sum(p == Purpose.MEASURE and s != states.DONE and pk in parts for p, s, pk, _ in rows),
        "services_open": sum(p == Purpose.SERVICE and s != states.DONE for p, s in visits),
        "services_done": visits.count((Purpose.SERVICE, states.DONE)),
    }
    return StageFacts(**own | ports.stage_facts(job))


@transaction.atomic
def recompute_stage(*, job: Job | int, by: User | None = None) -> Job:
    """
    The job's stage anew; call it in the transaction of whatever changed a part of the job.

    It takes the job's row lock, so two actions that each finish the last part wait for each
    other and the second one sees what the first did. A change leaves an audit entry.
    """
    pk = job.pk if isinstance(job, Job) else job
    locked = Job.objects.select_for_update().get(pk=pk)
    stage = stage_of(stage_facts(locked))
    if stage != locked.stage:
        before, locked.stage, locked.stage_since = locked.stage, stage, timezone.now()
        locked.save(update_fields=["stage", "stage_since"])
        words = [str(Job.Stage(before).label), str(Job.Stage(stage).label)]
        audit.record(by=by, action="moved on", subject=locked, job=locked, changes={"stage": words})
    if isinstance(job, Job):
        job.stage, job.stage_since = locked.stage, locked.stage_since
    return locked


def blockers_of(job: Job, visits: Iterable[Appointment]) -> list[Blocker]:
    """What holds a job up: this room's own reasons at all its visits, then those of the rooms above."""
    own: list[Blocker] = []
    if job.is_held():
        by_when = f", to settle by {short_day(job.hold_due)}" if job.hold_due is not None else ""
        own.append(Blocker(f"held for {job.hold_reason}{by_when}", job.hold_whose, job.stage_since, severity="stop"))
    if not job.site.has_coordinates():
        own.append(Blocker("the site has no coordinates: nothing can be offered or routed", "dispatcher"))
    for visit in visits:
        if visit.state == Appointment.State.UNPLACED:
            text = f"the {visit.get_purpose_display()} visit stands nowhere in the calendar"
            own.append(Blocker(text, "dispatcher", visit.created_at, visit.get_absolute_url()))
        elif visit.state == Appointment.State.RESERVED:
            text = f"a time is held for the {visit.get_purpose_display()} visit, not promised yet"
            own.append(Blocker(text, "dispatcher", None, visit.get_absolute_url()))
        if visit.purpose == Purpose.SERVICE and not hasattr(visit, "service") and visit.state not in OVER:
            text = "nobody wrote what the service call is about"
            own.append(Blocker(text, "dispatcher", visit.created_at, reverse("jobs:service", args=[visit.pk])))
        for answer in visit.readiness.all():
            if answer.answer == "no" and visit.state not in OVER:
                text = f"not ready on site: {answer.get_question_display()}"
                own.append(Blocker(text, "dispatcher", answer.at, visit.get_absolute_url()))
    own += ports.another_visit(Job.objects.filter(pk=job.pk)).values()
    return own + ports.blockers(job)


def by_phase(jobs: Iterable[Job]) -> list[dict[str, Any]]:
    """Each phase with its jobs, its openings, and how many jobs stand at each stage; cancelled ones count nowhere."""
    phases: dict[str, list[Job]] = {}
    for job in jobs:
        phases.setdefault(job.phase, []).append(job)
    order = list(Job.Stage.values)
    found = []
    for name, rows in phases.items():
        live = [job for job in rows if not job.is_cancelled()]
        stages = Counter(job.stage for job in live)
        found.append(
            {
                "name": name,
                "jobs": rows,
                "openings": sum(job.openings_expected for job in live),
                "stages": [(Job.Stage(key).label, stages[key]) for key in sorted(stages, key=order.index)],
            }
        )
    return found
