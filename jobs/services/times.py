"""When a customer can and can't be there."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.db import transaction
from django.utils import timezone

from jobs.models import Appointment, ImpossibleTime, Job, PossibleWindow, Wish
from jobs.schedule.wishes import wishes_text
from jobs.services.base import check_owner, lock_appointment, save
from jobs.services.stages import lock_open_job
from shared import audit
from shared.errors import Refused
from shared.formats.dates import clock, month_day
from shared.models import User

Span = tuple[dt.datetime, dt.datetime]
MOST = 40
CALL_FIELDS = ("call_on", "call_note", "call_owner")


def check_spans(spans: Sequence[Span], field: str) -> None:
    """
    Raises
    ------
    Refused
        For one that is reversed or over, and for too many.
    """
    if len(spans) > MOST:
        raise Refused(f"{len(spans)} windows", field=field, bound=f"{MOST} at most")
    for begin, end in spans:
        if end <= begin:
            raise Refused("a window ends before it begins", field=field)
        if end < timezone.now():
            raise Refused("a window lies in the past", field=field)


@transaction.atomic
def set_possible_windows(*, appointment: Appointment, windows: Sequence[Span], by: User) -> Appointment:
    """The windows in which the customer can take this visit, instead of those there were; none is any time."""
    row = lock_appointment(appointment)
    if row.state in {Appointment.State.DONE, Appointment.State.CANCELLED}:
        raise Refused("this visit is over")
    before = [(one.starts_at, one.ends_at) for one in row.possible_windows.all()]
    check_spans([span for span in windows if span not in before], "windows")
    row.possible_windows.all().delete()
    PossibleWindow.objects.bulk_create(
        PossibleWindow(appointment=row, starts_at=begin, ends_at=end) for begin, end in sorted(set(windows))
    )
    changes = {"can": [_text(before, row.job), _text(windows, row.job)]}
    audit.record(by=by, action="noted when the customer can", subject=row, job=row.job, changes=changes)
    return row


@transaction.atomic
def set_impossible_times(*, job: Job, spans: Sequence[Span], by: User) -> Job:
    """The stretches in which the customer of this job can't be there, instead of those there were."""
    row = lock_open_job(job)
    before = [(one.starts_at, one.ends_at) for one in row.impossible_times.all()]
    check_spans([span for span in spans if span not in before], "spans")
    row.impossible_times.all().delete()
    ImpossibleTime.objects.bulk_create(
        ImpossibleTime(job=row, starts_at=begin, ends_at=end) for begin, end in sorted(set(spans))
    )
    changes = {"can't": [_text(before, row), _text(spans, row)]}
    audit.record(by=by, action="noted when the customer can't", subject=row, job=row, changes=changes)
    return row


@transaction.atomic
def set_wishes(*, job: Job, wishes: Sequence[Wish], by: User) -> Job:
    """When the customer can be there in any week, instead of what was noted; kept for every visit of the job."""
    row = lock_open_job(job)
    if len(wishes) > MOST:
        raise Refused(f"{len(wishes)} wishes", field="wishes", bound=f"{MOST} at most")
    before = wishes_text(row.wishes.all())
    row.wishes.all().delete()
    for wish in wishes:
        if wish.weekday is None and wish.starts is None and wish.ends is None:
            raise Refused("say which days, or from or until when", field="wishes")
        if wish.starts and wish.ends and wish.ends <= wish.starts:
            raise Refused("it ends before it begins", field="wishes")
    Wish.objects.bulk_create(
        Wish(job=row, kind=one.kind, weekday=one.weekday, starts=one.starts, ends=one.ends) for one in wishes
    )
    changes = {"wishes": [before, wishes_text(row.wishes.all())]}
    audit.record(by=by, action="noted when the customer can in any week", subject=row, job=row, changes=changes)
    return row


@transaction.atomic
def call_customer(
    *, appointment: Appointment, on: dt.date, by: User, note: str = "", owner: User | None = None
) -> Appointment:
    """
    The customer is called by that day. It stands among what needs a decision until the visit has a time.

    Parameters
    ----------
    note
        Why; without, because no time was found.
    owner
        Who calls; without, who says so.
    """
    row = lock_appointment(appointment)
    if row.state != Appointment.State.UNPLACED:
        raise Refused("it has a time already")
    if on < timezone.now().astimezone(row.job.branch.tz).date():
        raise Refused("this day is over", field="on")
    check_owner(owner, row.job.branch_id)
    row.call_on, row.call_note, row.call_owner = on, note.strip(), owner or by
    save(row, CALL_FIELDS, by=by, action="set a day to call the customer", job=row.job_id)
    return row


def _text(spans: Sequence[Span], job: Job) -> str:
    tz = job.branch.tz
    return "; ".join(
        " to ".join(f"{month_day(one)} {clock(one)}" for one in (a.astimezone(tz), b.astimezone(tz)))
        for a, b in sorted(spans)
    )
