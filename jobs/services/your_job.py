"""What customers do on the page of their job: the same actions as the office's, within narrower bounds."""

from __future__ import annotations

import datetime as dt
from typing import Final

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext_noop

from jobs.models import Appointment, AppointmentMove, Job, Question
from jobs.schedule.offer_grid import grid_for
from jobs.schedule.offers import Offer, crews_for, read_value
from jobs.services.appointments import promise_another_time
from jobs.services.stages import lock_job
from shared import audit
from shared.errors import Refused
from shared.models import User

FURTHEST: Final = dt.timedelta(days=60)
"""From today, that a customer may choose by themselves; chosen, no published source."""
MOST_A_DAY: Final = 3
"""Other times that a customer may take within a day and a night."""
TAKEN: Final = gettext_noop("That time is taken meanwhile. Choose another.")


def may_choose(row: Appointment, today: dt.date) -> bool:
    """Whether the customer may take another time by themselves: not on the day, nor of what hangs on another visit."""
    if row.state != Appointment.State.PROMISED or row.day is None or row.promised_from is None:
        return False
    if row.is_locked or row.job.is_cancelled():
        return False
    first = min(row.day, row.promised_from.astimezone(row.job.branch.tz).date())
    return first > today and row.with_crew_of_id is None and not row.followers.live().exists()


def is_safe(offer: Offer, today: dt.date) -> bool:
    """Whether an offer is shown to a customer: on a later day, and it makes nobody's appointment risky."""
    return not offer.is_risky and today < offer.day <= today + FURTHEST


MOST_QUESTIONS: Final = 5
"""Questions a day and a night of one job."""


@transaction.atomic
def ask(*, job: Job, text: str, about: str = "", by: User | None, most: int = MOST_QUESTIONS) -> Question:
    """The customer asks something; it is a decision of the office until somebody ticks it as answered."""
    row = lock_job(job)
    if not text.strip():
        raise Refused(gettext_noop("Write your question first."), field="text")
    since = timezone.now() - dt.timedelta(days=1)
    if by is None and row.questions.filter(at__gt=since).count() >= most:
        raise Refused(gettext_noop("You asked several things today. Please call us."), bound=f"{most}")
    made = Question.objects.create(job=row, about=about.strip()[:160], text=text.strip()[:600])
    audit.record(by=by, action="asked", subject=made, job=row, note=made.text)
    return made


@transaction.atomic
def answered(*, question: Question, by: User) -> Question:
    """Somebody told the customer."""
    lock_job(question.job)
    row = Question.objects.select_for_update().get(pk=question.pk)
    if row.answered_at is None:
        row.answered_at, row.answered_by = timezone.now(), by
        row.save(update_fields=["answered_at", "answered_by"])
        audit.record(by=by, action="answered the customer's question", subject=row, job=row.job_id)
    return row


@transaction.atomic
def choose_time(*, appointment: Appointment, value: str, by: User | None) -> Appointment:
    """
    The customer takes another of the safe times that are offered to them; the one they have again does nothing.

    Parameters
    ----------
    value
        As `Offer.value` writes it.
    by
        None for the customer.
    """
    appointment.job = lock_job(appointment.job_id)
    crew, window = read_value(crews_for(appointment), value)
    if (appointment.promised_from, appointment.promised_until) == window:
        return appointment
    tz, now = appointment.job.branch.tz, timezone.now()
    today, day = now.astimezone(tz).date(), window[0].date()
    if not may_choose(appointment, today):
        raise Refused(gettext_noop("This visit can't be changed here. Please call us."))
    since = now - dt.timedelta(days=1)
    moves = AppointmentMove.objects.filter(appointment__job=appointment.job_id, by=None, at__gt=since)
    if by is None and moves.count() >= MOST_A_DAY:
        raise Refused(gettext_noop("The time was changed several times today. Please call us."), bound=f"{MOST_A_DAY}")
    if not today <= day <= today + FURTHEST:
        raise Refused(TAKEN, field="window")
    offers = grid_for(appointment, from_on=window[0].astimezone(tz).date()).offers.best
    if not any(offer.value == value and is_safe(offer, today) for offer in offers):
        raise Refused(TAKEN, field="window")
    return promise_another_time(appointment=appointment, crew=crew, window=window, by=by, may_be_risky=False)
