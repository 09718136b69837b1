"""
Messages to customers: written with the action they follow from, sent by a run of their own, once each.

A message that waits is looked at again before it goes: one whose visit was moved, called off or is over
meanwhile is not sent. A worker that dies while it sends leaves a message nobody knows of: it is not sent
again without a person.
"""

from __future__ import annotations

import datetime as dt
from typing import Final
from uuid import uuid4

from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from jobs.ics import visit_file
from jobs.models import Appointment, CalendarRules, Customer, Job, Message, MessageKind, MessageWords, Purpose
from jobs.ports import ports
from jobs.rules.messages import SORTS, after_quiet, channel_of, dialled, retry_after, unknown_blanks
from jobs.schedule.availability import add_working_days, local
from jobs.schedule.chances import Outlook, outlooks
from jobs.schedule.day import read_day
from jobs.schedule.words import words_of, written
from jobs.services.base import save
from jobs.services.search import region_of
from shared import audit, documents, messages, runs
from shared.errors import Refused
from shared.models import Branch, Run, User

KIND: Final = "jobs.message"
Channel, State, Visit = Message.Channel, Message.State, Appointment.State
PROMISES: Final = (MessageKind.CONFIRMATION, MessageKind.CHANGE)
LIVE: Final = (State.WAITING, State.SENDING, State.SENT, State.UNSURE, State.TOLD)
"""The customer knows of it, may, or soon will."""
AFTER: Final[dict[str, str]] = {
    Purpose.INSTALL: MessageKind.DONE,
    Purpose.RETURN: MessageKind.DONE,
    Purpose.SERVICE: MessageKind.SERVICED,
}
"""What the customer gets, with the completion record, once a visit of that purpose is done."""
MOST_AT_ONCE: Final = 500
WANTED_IN: Final[dict[str, tuple[str, ...]]] = {
    MessageKind.CONFIRMATION: (Visit.PROMISED, Visit.ON_THE_WAY),
    MessageKind.CHANGE: (Visit.PROMISED, Visit.ON_THE_WAY),
    MessageKind.REMINDER: (Visit.PROMISED,),
    MessageKind.CANCELLATION: (Visit.CANCELLED,),
    MessageKind.LEAVING: (Visit.ON_THE_WAY,),
    MessageKind.DONE: (Visit.DONE,),
    MessageKind.SERVICED: (Visit.DONE,),
    MessageKind.RETURN: (Visit.UNPLACED, Visit.RESERVED, Visit.PLANNED),
}
"""As long as its visit is one of these, a message is news."""


# -- writing one ----------------------------------------------------------------------


def sends() -> bool:
    """Whether anything is sent from here."""
    return messages.mails() or messages.texts()


def reached(customer: Customer, kind: str) -> tuple[str, str]:
    """By what a customer gets messages of this kind, and where; both empty where they get none."""
    if customer.no_messages:
        return "", ""
    number = ""
    if messages.texts() and customer.takes_texts:
        number = dialled(customer.phone, region_of(customer.branch))
    address = customer.email if messages.mails() else ""
    channel = channel_of(kind, by_email=bool(address), by_text=bool(number))
    return channel, {Channel.EMAIL: address, Channel.TEXT: number}.get(Channel(channel), "") if channel else ""


def notify(*, kind: str, job: Job, by: User | None, appointment: Appointment | None = None) -> Message | None:
    """
    Writes a message and has it sent once the transaction holds, outside the branch's quiet hours.

    None where the customer gets none, the branch does not send this kind by itself, or it is written already.
    """
    if not sends():
        return None
    channel, to = reached(job.customer, kind)
    if not channel or not words_of(job.branch, kind).is_on:
        return None
    expected = expected_from(appointment) if kind == MessageKind.LEAVING else None
    if kind == MessageKind.LEAVING and expected is None:
        return None
    said = written(kind, job, appointment, expected=expected)
    rules, now = CalendarRules.of(job.branch), timezone.now()
    is_text = channel == Channel.TEXT
    row = Message(
        job=job,
        appointment=appointment,
        kind=kind,
        occasion=occasion_of(kind, job, appointment),
        channel=channel,
        to=to,
        subject="" if is_text else " ".join(said.subject.split())[:400],
        body=(said.short if is_text else said.body)[:10_000],
        expected_at=expected,
        send_from=after_quiet(now.astimezone(job.branch.tz), rules.quiet_from, rules.quiet_until),
        created_by=by,
    )
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError:
        return None
    if row.send_from <= now:
        _start(row)
    return row


def _start(row: Message) -> Run:
    return runs.start(KIND, by=row.created_by, subject=row, key=f"message {row.pk}", title=str(row))


def occasion_of(kind: str, job: Job, appointment: Appointment | None) -> str:
    """What a message is sent for: the same is sent once. It ends with what has to stand still when it goes."""
    if appointment is None:
        return f"{kind} {_plain(timezone.now())}/{job.hold}"
    turn = 0 if kind == MessageKind.REMINDER else appointment.sequence
    return f"{appointment.pk}/{turn}/{_stands(kind, job, appointment)}"


def _stands(kind: str, job: Job, appointment: Appointment | None) -> str:
    if appointment is None:
        return job.hold
    if kind == MessageKind.LEAVING:
        return _plain(appointment.on_the_way_at)
    if kind in {*PROMISES, MessageKind.REMINDER, MessageKind.CANCELLATION} and appointment.promised_from:
        return f"{_plain(appointment.promised_from)} {_plain(appointment.promised_until)}"
    return ""


def _plain(when: dt.datetime | None) -> str:
    """An instant as an occasion names it, whatever zone it was given in."""
    return when.astimezone(dt.UTC).isoformat(timespec="seconds").removesuffix("+00:00") if when else ""


def is_wanted(row: Message) -> bool:
    """Whether what it says is still news."""
    if row.job.is_cancelled() and row.kind != MessageKind.CANCELLATION:
        return False
    if row.channel == Channel.TEXT and not row.job.customer.takes_texts:
        return False
    if row.job.customer.no_messages or row.occasion.rpartition("/")[2] != _stands(row.kind, row.job, row.appointment):
        return False
    return row.appointment is None or row.appointment.state in WANTED_IN[row.kind]


def outlook_of(row: Appointment | None) -> Outlook | None:
    """How it looks now for a visit that is still to come; None for any other."""
    if row is None or row.crew is None or row.day is None:
        return None
    return outlooks(read_day(row.crew, row.day), timezone.now()).get(row.pk)


def expected_from(row: Appointment | None, outlook: Outlook | None = None) -> dt.datetime | None:
    """From when a crew that has set out should be there, to the full five minutes before."""
    outlook = outlook or outlook_of(row)
    if row is None or outlook is None:
        return None
    at = outlook.expected or row.starts_at or timezone.now()
    return at.replace(minute=at.minute - at.minute % 5, second=0, microsecond=0)


def tell_window(*, appointment: Appointment, by: User | None) -> Message | None:
    """The customer gets the window that was promised: a confirmation, or a change where they know another one."""
    if not sends():
        return None
    rows = appointment.messages.filter(kind__in=PROMISES)
    old = [row.pk for row in rows.filter(state=State.WAITING) if not _is_of_now(row, appointment)]
    withdraw(rows.filter(pk__in=old), by=by)
    last = rows.filter(state__in=LIVE).first()
    if last is not None and _is_of_now(last, appointment):
        return None
    return notify(kind=kind_of_window(appointment), job=appointment.job, by=by, appointment=appointment)


def kind_of_window(appointment: Appointment) -> str:
    """Whether the window that stands now is a change of another one that the customer knows."""
    known = appointment.messages.filter(kind__in=PROMISES, state__in=LIVE)
    is_changed = any(not _is_of_now(row, appointment) for row in known)
    return MessageKind.CHANGE if is_changed else MessageKind.CONFIRMATION


def _is_of_now(row: Message, appointment: Appointment) -> bool:
    return row.occasion.rpartition("/")[2] == _stands(row.kind, appointment.job, appointment)


def tell_cancelled(*, appointment: Appointment, by: User) -> Message | None:
    """What waits for a visit that is called off is not sent; who was promised it is told."""
    rows = appointment.messages
    withdraw(rows.filter(state=State.WAITING), by=by)
    if not sends() or not appointment.is_promised() or not rows.filter(kind__in=PROMISES, state__in=LIVE).exists():
        return None
    return notify(kind=MessageKind.CANCELLATION, job=appointment.job, by=by, appointment=appointment)


def withdraw(rows: QuerySet[Message], *, by: User | None, why: str = "no longer true when it was to go") -> None:
    """Messages that wait are not sent."""
    for row in rows.select_for_update():
        _settle(row, State.DROPPED, why, by=by)


def remind(*, branch: Branch) -> list[Message]:
    """Reminds the customers whose visits stand on the next working day, but those who heard of it today."""
    if not sends() or not words_of(branch, MessageKind.REMINDER).is_on:
        return []
    today = timezone.now().astimezone(branch.tz).date()
    begin = local(branch.tz, today, dt.time())
    rows = (
        Appointment.objects.filter(
            job__branch=branch, state=Visit.PROMISED, day__gt=today, day__lte=add_working_days(branch, today, 1)
        )
        .exclude(pk__in=Message.objects.filter(kind__in=PROMISES, created_at__gte=begin).values("appointment"))
        .select_related("job__branch", "job__customer", "job__site", "crew")
    )
    written = set(
        Message.objects.filter(kind=MessageKind.REMINDER, appointment__in=rows).values_list("occasion", flat=True)
    )
    found = []
    for row in rows:
        if occasion_of(MessageKind.REMINDER, row.job, row) in written:
            continue
        with transaction.atomic():
            found.append(notify(kind=MessageKind.REMINDER, job=row.job, by=None, appointment=row))
    return [one for one in found if one is not None]


# -- counted for the operator ------------------------------------------------------------


def waiting() -> int:
    """Messages that are still to go."""
    return Message.objects.filter(state__in=[State.WAITING, State.SENDING]).count()


def undelivered() -> int:
    """Messages that were refused, given up or may have gone, within a day."""
    lost = Message.objects.filter(state__in=[State.REFUSED, State.FAILED, State.UNSURE])
    return lost.filter(settled_at__gte=timezone.now() - dt.timedelta(days=1)).count()


# -- sending -----------------------------------------------------------------------------


def send_due() -> int:
    """Has what waited sent; what a dead worker left half sent is for a person to see to. How many were sent."""
    now = timezone.now()
    rows = Message.objects.filter(Q(state=State.WAITING, send_from__lte=now) | Q(state=State.SENDING))
    active = set(Run.objects.active().filter(kind=KIND).values_list("subject_id", flat=True))
    due = [row for row in rows.select_related("created_by").order_by("send_from", "pk") if str(row.pk) not in active]
    for row in due[:MOST_AT_ONCE]:
        with transaction.atomic():
            _start(row)
    return len(due[:MOST_AT_ONCE])


@runs.long_work(KIND, title="Message", queue="bulk")
def send(ctx: runs.Context) -> None:
    """Sends one message, unless it is not news any more."""
    row = _take(ctx.run)
    if row is None:
        return
    files = _files(row) if row.channel == Channel.EMAIL else []
    if not Message.objects.filter(pk=row.pk, state=State.WAITING, tries=row.tries).update(state=State.SENDING):
        return
    state, answer = _send(row, files)
    with ctx.finishing() as result:
        row = Message.objects.select_for_update().get(pk=row.pk)
        _settle(row, state, answer, by=row.created_by)
        result.update(state=state, answer=answer)


@transaction.atomic
def _take(run: Run) -> Message | None:
    """The message to send now, with one more try behind it; None where it is settled, or not news any more."""
    row = Message.objects.select_for_update(of=("self",)).filter(pk=run.subject_id).first()
    if row is None:
        return None
    if row.state == State.SENDING:
        _settle(row, State.UNSURE, "the program was stopped while it sent this", by=row.created_by)
    if row.state != State.WAITING:
        return None
    if not is_wanted(row):
        _settle(row, State.DROPPED, "no longer true when it was to go", by=row.created_by)
        return None
    later = retry_after(row.tries + 1)
    if later is None:
        _settle(row, State.FAILED, row.answer or "it failed again and again", by=row.created_by)
        return None
    row.tries, row.send_from = row.tries + 1, timezone.now() + later
    row.save(update_fields=["tries", "send_from"])
    return row


def _send(row: Message, files: list[messages.Attachment]) -> tuple[str, str]:
    """What becomes of it, and what was answered."""
    key = row.key.hex
    try:
        if row.channel == Channel.TEXT:
            return State.SENT, messages.send_text(to=row.to, text=row.body, key=key)
        return State.SENT, messages.send_mail(to=row.to, subject=row.subject, body=row.body, key=key, attachments=files)
    except messages.Again as again:
        return (State.WAITING if retry_after(row.tries + 1) else State.FAILED), again.why
    except messages.Rejected as rejected:
        return State.REFUSED, rejected.why
    except messages.Unsure as unsure:
        return State.UNSURE, unsure.why


def _files(row: Message) -> list[messages.Attachment]:
    """The calendar file and the sheet that go along."""
    files: list[messages.Attachment] = []
    if row.appointment is not None and row.kind in {*PROMISES, MessageKind.CANCELLATION}:
        files.append((f"{row.job.number}.ics", visit_file(row.appointment), "text/calendar"))
    sheet = ports.message_documents.get(row.kind)
    if sheet is not None:
        files.append((f"{row.job.number}.pdf", documents.pdf_of(*sheet(row), row.created_by), "application/pdf"))
    return files


def _settle(row: Message, state: str, answer: str, *, by: User | None) -> None:
    """The message is this from now on; the job's history says so, but for a try that is made again."""
    row.state, row.answer = state, answer[:240]
    row.settled_at = None if state == State.WAITING else timezone.now()
    row.save(update_fields=["state", "answer", "settled_at"])
    if state in {State.SENT, State.TOLD} and row.expected_at is not None and row.appointment is not None:
        Appointment.objects.filter(pk=row.appointment.pk).update(told_at=row.settled_at, told_time=row.expected_at)
    if state != State.WAITING:
        audit.record(by=by, action=ACTIONS[state], subject=row, job=row.job_id, note=row.answer)


ACTIONS: Final[dict[str, str]] = {
    State.SENT: "sent a message",
    State.REFUSED: "could not send a message",
    State.FAILED: "gave a message up",
    State.UNSURE: "does not know whether a message went",
    State.DROPPED: "did not send a message",
    State.TOLD: "told the customer",
}


# -- by hand -------------------------------------------------------------------------------


@transaction.atomic
def told(*, kind: str, job: Job, by: User, appointment: Appointment | None = None) -> Message:
    """Somebody told the customer by themselves, by phone or from their own mail."""
    expected = expected_from(appointment) if kind == MessageKind.LEAVING else None
    said = written(kind, job, appointment, expected=expected)
    row = Message(
        job=job, appointment=appointment, kind=kind, channel=Channel.HAND, body=said.short, created_by=by,
        occasion=f"{uuid4().hex}/{_stands(kind, job, appointment)}", expected_at=expected,
    )  # fmt: skip
    row.save()
    _settle(row, State.TOLD, "", by=by)
    return row


@transaction.atomic
def settle(*, message: Message, do: str, by: User) -> Message:
    """What becomes of a message: ``again``, ``told`` by hand, or ``drop`` one that waits."""
    row = Message.objects.select_for_update(of=("self",)).get(pk=message.pk)
    if do == "drop" and row.may_be_dropped():
        _settle(row, State.DROPPED, "somebody stopped it", by=by)
    elif do == "told" and (row.is_undelivered() or row.may_be_dropped()):
        _settle(row, State.TOLD, "", by=by)
    elif do == "again" and row.is_undelivered():
        if not is_wanted(row):
            raise Refused("it is not true any more; tell the customer what is")
        channel, to = reached(row.job.customer, row.kind)
        if channel != row.channel:
            raise Refused(f"the customer can't be reached by {row.get_channel_display()} any more")
        row.state, row.to, row.tries, row.send_from, row.settled_at = State.WAITING, to, 0, timezone.now(), None
        row.save(update_fields=["state", "to", "tries", "send_from", "settled_at"])
        audit.record(by=by, action="sends a message again", subject=row, job=row.job_id)
        _start(row)
    else:
        raise Refused(f"it is {row.get_state_display()}")
    return row


# -- a branch's own words ---------------------------------------------------------------------


@transaction.atomic
def set_words(*, branch: Branch, kind: str, by: User, language: str = "", **values: object) -> MessageWords:
    """A branch's words for one kind of message in a language; a blank that nothing fills is refused by name."""
    row = words_of(branch, kind, language)
    for name, value in values.items():
        setattr(row, name, value)
    for name in ("subject", "body", "short"):
        if wrong := unknown_blanks(getattr(row, name), SORTS[kind].blanks):
            known = ", ".join(f"{{{one}}}" for one in SORTS[kind].blanks)
            raise Refused(f"nothing fills {wrong[0]}; there are {known}", field=name, bound=known)
    save(row, list(values), by=by, action=f"changed the words of: {row.get_kind_display()}")
    return row
