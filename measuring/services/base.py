"""What the actions of this room share: locks, versions, the job's stage."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db.models import F

from jobs.models import Job
from jobs.services.stages import recompute_stage
from measuring.models import Opening
from shared import audit
from shared.errors import Refused

if TYPE_CHECKING:
    from django.db import models

    from shared.models import User


def lock_opening(opening: Opening) -> Opening:
    """
    The opening's row, locked until the transaction ends, after its job's row.

    Every action on openings and units takes the job first and the opening second, so that
    two of them never wait for each other, and the stage is computed from what stands.
    """
    _refuse_cancelled(Job.objects.select_for_update().only("number", "cancelled_at").get(pk=opening.job_id))
    return (
        Opening.objects.select_for_update(of=("self",))
        .select_related("job__branch", "job__site", "room", "product", "group")
        .get(pk=opening.pk)
    )


def lock_job(job: Job | int) -> Job:
    """The job's row, locked; refuses a cancelled job."""
    pk = job.pk if isinstance(job, Job) else job
    locked = Job.objects.select_for_update(of=("self",)).select_related("branch", "site").get(pk=pk)
    _refuse_cancelled(locked)
    return locked


def _refuse_cancelled(job: Job) -> None:
    if job.is_cancelled():
        raise Refused(f"job {job.number} is cancelled")


def touch(opening: Opening) -> None:
    """One more change of this opening, for devices that look for what they missed."""
    Opening.objects.filter(pk=opening.pk).update(version=F("version") + 1)


def note(
    by: User | None,
    action: str,
    subject: models.Model,
    opening: Opening,
    changes: audit.Changes | None = None,
    text: str = "",
) -> None:
    """An audit entry on the page of the opening's job."""
    audit.record(by=by, action=action, subject=subject, changes=changes, job=opening.job_id, note=text)


def restage(job: Job | int, by: User | None) -> None:
    """The job's stage anew, in the transaction of the action."""
    recompute_stage(job=job.pk if isinstance(job, Job) else job, by=by)
