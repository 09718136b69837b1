"""The date of a job: what the customer was told, and what has become of it since."""

from __future__ import annotations

import datetime as dt
from typing import Final

from django.db import transaction
from django.utils import timezone

from jobs.models import Appointment, Job, JobDate, Purpose
from jobs.rules.dates import Way
from jobs.schedule.dates import OVER, BranchDates, DateOutlook, install_minutes, ways_of
from jobs.schedule.offers import offers_for
from jobs.services.base import save
from jobs.services.stages import lock_open_job
from shared.errors import Refused
from shared.formats.dates import short_day
from shared.models import Branch, User

FURTHEST: Final = 730
"""Days ahead that a customer may be told of."""
MOST_WAYS: Final = 4
CREW_DAYS: Final = 7
"""Days before the day expected on which another crew is looked for."""


TOLD: Final = "told the customer the install date"
SAID: Final = "kept the install date shown beside the times"
"""In the history: of a time that is only held nobody was told yet."""


@transaction.atomic
def tell_date(*, job: Job, on: dt.date | None = None, by: User, action: str = TOLD) -> JobDate:
    """
    The customer is told that everything hangs by that day; without one by the day that keeps the least chance.

    Raises
    ------
    Refused
        A day that is past or too far; a job without a day to begin from.
    """
    row = lock_open_job(job)
    found = BranchDates(row.branch).of_jobs([row]).get(row.pk)
    if found is None:
        raise Refused("choose the day of the measure first", field="on")
    today = found.course.today
    on = on or found.by
    if not today <= on <= today + dt.timedelta(days=FURTHEST):
        raise Refused(f"{short_day(on)} can't be told", field="on", bound=f"from {short_day(today)} on")
    date = JobDate.objects.filter(job=row).first() or JobDate(job=row)
    date.told_on, date.told_at = on, timezone.now()
    save(date, ["told_on"], by=by, action=action, job=row)
    date.save(update_fields=["told_at"])
    return _keep(date, found)


def work_out_dates(*, branch: Branch) -> int:
    """Works out anew the dates that customers were told, and what would save those that slip; how many slip."""
    rows = JobDate.objects.filter(job__branch=branch, told_on__isnull=False, job__cancelled_at=None)
    rows = rows.exclude(job__stage__in=OVER).select_related("job__branch", "job__site", "job__customer")
    dates = list(rows.prefetch_related("job__appointments", "job__wishes", "job__impossible_times"))
    found = BranchDates(branch).of_jobs([date.job for date in dates]) if dates else {}
    kept = [_keep(date, found[date.job_id]) for date in dates if date.job_id in found]
    return sum(date.slips for date in kept)


def _keep(date: JobDate, found: DateOutlook) -> JobDate:
    """What is worked out beside what was told. No audit entry: nobody decided anything."""
    assert date.told_on is not None
    date.by, date.chance, date.decides = found.by, found.chance(date.told_on), found.decides
    date.rescues = [way.as_json() for way in _ways(date.job, found, date.told_on)] if date.slips else []
    date.worked_out_at = timezone.now()
    # another day that was told meanwhile has its own chance
    names = ("by", "chance", "decides", "rescues", "worked_out_at")
    same = JobDate.objects.filter(pk=date.pk, told_on=date.told_on)
    same.update(**{name: getattr(date, name) for name in names})
    return date


def _ways(job: Job, found: DateOutlook, told: dt.date) -> list[Way]:
    """The workroom's ways, and another crew's free time by the day told."""
    return [*ways_of(job, found, told)[:MOST_WAYS], *_by_crew(job, found, told)]


def _by_crew(job: Job, found: DateOutlook, told: dt.date) -> list[Way]:
    """The first crew with room between the day it is packed and the day told, its price."""
    if found.decides != "crew":
        return []
    ready = max(found.course.today, found.forecast.marks["workroom"] + dt.timedelta(days=1))
    visit = job.appointments.filter(purpose=Purpose.INSTALL).exclude(
        state__in=[Appointment.State.DONE, Appointment.State.CANCELLED]
    ).first() or Appointment(job=job, purpose=Purpose.INSTALL, duration_min=install_minutes(job.openings_expected))
    if ready > told:
        return []
    offers = offers_for(visit, from_on=ready, days_ahead=min(CREW_DAYS, (told - ready).days + 1))
    best = min(offers.best, key=lambda one: (one.day, one.price), default=None)
    if best is None:
        return []
    sure = found.with_visit(best.day)
    return [Way(f"{best.crew.name} on {short_day(best.day)}", sure.by, sure.chance(told), best.price)]
