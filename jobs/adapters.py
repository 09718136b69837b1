"""What of this room the box on every page finds; what there is to tell a customer now."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext

from jobs.access import OFFICE
from jobs.models import ASKED_READY, Appointment, Job, Message, MessageKind, Purpose, ServiceCall
from jobs.rules.messages import Words, dialled
from jobs.schedule.day import BEGUN
from jobs.schedule.words import expected_text, said_window, stay_text, what_text, written
from jobs.services.messages import AFTER, expected_from, kind_of_window, outlook_of
from jobs.services.search import find_jobs, region_of
from jobs.services.your_job import may_choose
from shared.finding import Found
from shared.formats.spoken import said_clock, said_day
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
    asks_ready: bool = False
    """Whether we want to know if the site is ready."""
    answered: str = ""
    """What is known of that."""


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
    states, what = Appointment.State, what_text(row)
    if row.state == states.DONE:
        day = row.day or (row.done_at and row.done_at.astimezone(row.job.branch.tz).date())
        call = ServiceCall.objects.filter(appointment=row).first() if row.purpose == Purpose.SERVICE else None
        said = gettext("Done.")
        if call is not None and call.result:
            said = f"{gettext(call.get_result_display()).capitalize()}: {call.done}"
        return CustomersVisit(row, what, said_day(day), "", said)
    today, asks = timezone.now().astimezone(row.job.branch.tz).date(), asks_ready(row)
    answered = said_readiness(row) if asks else ""
    if row.state not in {states.PROMISED, states.ON_THE_WAY, states.ARRIVED}:
        return CustomersVisit(row, what, "", stay_text(row), asks_ready=asks, answered=answered)
    may = may_choose(row, today)
    return CustomersVisit(
        row, what, said_window(row), stay_text(row), _now_text(row), may, asks_ready=asks, answered=answered
    )


def asks_ready(row: Appointment) -> bool:
    """Whether the customer can still say that their site is ready: from when a visit is booked to the day before."""
    today = timezone.now().astimezone(row.job.branch.tz).date()
    return (
        row.purpose in ASKED_READY
        and row.state not in {*BEGUN, Appointment.State.CANCELLED}
        and (row.day is None or row.day > today)
        and not row.job.is_cancelled()
    )


def said_readiness(row: Appointment) -> str:
    """What is answered so far about the site, in the language that is active."""
    return "; ".join(f"{gettext(one.get_question_display())}: {gettext(one.get_answer_display())}"
                     for one in row.readiness.all())  # fmt: skip


def _now_text(row: Appointment) -> str:
    """How a visit stands on its own day: when the crew is expected, from where it is."""
    states, tz, now = Appointment.State, row.job.branch.tz, timezone.now()
    if row.state == states.ARRIVED:
        return gettext("We are with you now.")
    outlook = outlook_of(row) if row.day == now.astimezone(tz).date() else None
    expected = expected_from(row, outlook) if outlook is not None else None
    if outlook is None or expected is None:
        return ""
    if outlook.is_off_today:
        return gettext("We are sorry, we can't be with you today any more. We will call you about another day.")
    if row.state == states.ON_THE_WAY:
        begin_end = {"expected": expected_text(expected, tz)}
        return gettext("We are on the way and expect to be with you %(expected)s.") % begin_end
    if row.promised_from is not None:
        expected = max(expected, row.promised_from)
    about = {"time": said_clock(expected.astimezone(tz))}
    if row.promised_until is not None and expected > row.promised_until:
        return gettext("We are running late and expect to be with you about %(time)s. We are sorry.") % about
    return gettext("As the day stands we expect to be with you about %(time)s.") % about


def ready_for_job(job: Job) -> Ready | None:
    """What the customer should know of what a job waits for."""
    return Ready.of(job.hold, job) if job.hold in {Job.Hold.DEPOSIT, Job.Hold.APPROVAL} else None


def sent_to(subject: Job | Appointment) -> list[Message]:
    """What was sent to the customer about a job or one visit, newest first."""
    return list(subject.messages.select_related("created_by", "job")[:30])
