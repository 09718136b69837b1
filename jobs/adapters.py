"""What of this room the box on every page finds; what there is to tell a customer now."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from django.urls import reverse
from django.utils import timezone

from jobs.access import OFFICE
from jobs.models import Appointment, Job, Message, MessageKind, Purpose, ServiceCall
from jobs.rules.messages import Words, dialled
from jobs.schedule.words import WHAT, clock, expected_text, stay_text, window_text, written
from jobs.services.messages import AFTER, expected_from, kind_of_window
from jobs.services.search import find_jobs, region_of
from jobs.services.your_job import may_choose
from shared.finding import Found
from shared.formats.dates import long_day
from shared.models import User

MOST = 25


def found(user: User, text: str) -> Iterator[Found]:
    """Jobs; for the office, customers without one too."""
    jobs, customers, is_close = find_jobs(user, text, MOST)
    for job in jobs:
        where = f"{job.customer.name}, {job.site.address}"
        yield Found(f"job, {job.get_stage_display()}", job.number, where, job.get_absolute_url(), is_close)
    for customer in customers if user.has_role(*OFFICE) else ():
        booking = f"{reverse('jobs:book')}?{urlencode({'for_customer': customer.pk})}"
        yield Found("customer without a job", customer.name, "book a job", booking, is_close)


# -- what a customer is told --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ready:
    """A message to send by hand: its words, and addresses that open them in one's own mail or phone."""

    kind: str
    title: str
    words: Words
    mail: str
    text: str
    agreed: bool
    """Whether the customer agreed to text messages."""

    @classmethod
    def of(cls, kind: str, job: Job, row: Appointment | None = None, expected: dt.datetime | None = None) -> Ready:
        customer, words = job.customer, written(kind, job, row, expected=expected)
        number = "" if customer.no_messages else dialled(customer.phone, region_of(job.branch))
        mail = "" if customer.no_messages else customer.email
        return cls(
            kind,
            MessageKind(kind).label,
            words,
            f"mailto:{quote(mail)}?subject={quote(words.subject)}&body={quote(words.body)}" if mail else "",
            f"sms:{number}?body={quote(words.short)}" if number else "",
            customer.takes_texts,
        )


def ready_for_visit(row: Appointment) -> Ready | None:
    """What the customer should know of a visit as it stands; None where there is nothing."""
    states = Appointment.State
    if row.state == states.DONE:
        kind = AFTER.get(row.purpose, "")
    elif row.state == states.CANCELLED:
        kind = MessageKind.CANCELLATION if row.is_promised() else ""
    elif row.state == states.ON_THE_WAY and (expected := expected_from(row)) is not None:
        return Ready.of(MessageKind.LEAVING, row.job, row, expected)
    elif row.state == states.PROMISED:
        kind = kind_of_window(row)
    else:
        kind = MessageKind.RETURN if row.purpose == Purpose.RETURN and row.state == states.UNPLACED else ""
    return Ready.of(kind, row.job, row) if kind else None


@dataclass(frozen=True, slots=True)
class CustomersVisit:
    """A visit as the customer sees it: what we come for, the window they were promised, and how it stands today."""

    row: Appointment
    what: str
    window: str
    stay: str
    now: str = ""
    may_choose: bool = False
    """Whether they may take another time by themselves."""


def visits_of_customer(job: Job) -> list[CustomersVisit]:
    """Those still to come, the next one first; then those that are done, the last one first."""
    rows = job.appointments.live().select_related("crew").order_by("day", "starts_at", "pk")
    visits = []
    for row in rows:
        row.job = job
        visits.append(_seen_by_customer(row))
    done = [visit for visit in visits if visit.row.state == Appointment.State.DONE]
    return [visit for visit in visits if visit not in done] + done[::-1]


def _seen_by_customer(row: Appointment) -> CustomersVisit:
    states, what = Appointment.State, WHAT[row.purpose]
    if row.state == states.DONE:
        day = row.day or (row.done_at and row.done_at.astimezone(row.job.branch.tz).date())
        call = ServiceCall.objects.filter(appointment=row).first() if row.purpose == Purpose.SERVICE else None
        said = f"{call.get_result_display().capitalize()}: {call.done}" if call is not None and call.result else "Done."
        return CustomersVisit(row, what, long_day(day), "", said)
    if row.state not in {states.PROMISED, states.ON_THE_WAY, states.ARRIVED}:
        return CustomersVisit(row, what, "", stay_text(row))
    may = may_choose(row, timezone.now().astimezone(row.job.branch.tz).date())
    return CustomersVisit(row, what, window_text(row), stay_text(row), _now_text(row), may)


def _now_text(row: Appointment) -> str:
    """How a visit stands on its own day: when the crew is expected, from where it is."""
    states, tz, now = Appointment.State, row.job.branch.tz, timezone.now()
    if row.state == states.ARRIVED:
        return "We are with you now."
    expected = expected_from(row) if row.day == now.astimezone(tz).date() else None
    if expected is None:
        return ""
    if row.state == states.ON_THE_WAY:
        return f"We are on the way and expect to be with you {expected_text(expected, tz)}."
    if row.promised_from is not None:
        expected = max(expected, row.promised_from)
    if row.promised_until is not None and expected > row.promised_until:
        return f"We are running late and expect to be with you about {clock(expected, tz)}. We are sorry."
    return f"As the day stands we expect to be with you about {clock(expected, tz)}."


def ready_for_job(job: Job) -> Ready | None:
    """What the customer should know of what a job waits for."""
    return Ready.of(job.hold, job) if job.hold in {Job.Hold.DEPOSIT, Job.Hold.APPROVAL} else None


def sent_to(subject: Job | Appointment) -> list[Message]:
    """What was sent to the customer about a job or one visit, newest first."""
    return list(subject.messages.select_related("created_by", "job")[:30])
