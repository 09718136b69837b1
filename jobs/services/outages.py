"""A crew that drops out in the middle of its day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django.db import transaction

from jobs.models import Appointment, Crew, Handover
from jobs.schedule.availability import local
from jobs.services import planning
from jobs.services.base import lock_crews
from jobs.services.crews import add_absence
from shared import audit
from shared.models import Run, User


@transaction.atomic
def drop_out(
    *, crew: Crew, day: dt.date, since: dt.datetime, by: User, reason: str, handover: Handover | None,
    fetched: Iterable[Appointment],
) -> Run:  # fmt: skip
    """
    Notes a crew as out from then on for the rest of the day, and asks for a plan of what it can't do.

    What is on its van for the `fetched` visits is taken over at `handover` by whoever gets them.
    """
    midnight = local(crew.branch.tz, day + dt.timedelta(days=1), dt.time(0))
    absence, _ = add_absence(crew=crew, starts_at=since, ends_at=midnight, by=by, reason=reason)
    if handover is not None:
        lock_crews([crew])
        handover.created_by = by
        handover.save()
        for row in Appointment.objects.select_for_update().filter(pk__in=[one.pk for one in fetched]):
            row.handover = handover
            row.save(update_fields=["handover"])
            audit.record(
                by=by, action="noted a handover", subject=row, job=row.job_id, changes=audit.changed(row, ["handover"])
            )
    return planning.spread_absence(absence=absence, by=by)
