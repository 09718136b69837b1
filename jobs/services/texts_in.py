"""Text messages from customers: a stop word ends what is sent to that number; anything else is theirs to ask."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from typing import Final

from django.db import transaction
from django.utils import timezone

from jobs.models import Customer, Job, Message, Question, SearchEntry
from jobs.rules.messages import dialled
from jobs.rules.texts_in import wish_of
from jobs.services.base import save
from jobs.services.messages import withdraw
from jobs.services.search import region_of, standing_in
from jobs.services.stages import lock_job
from jobs.services.your_job import ask
from shared import audit
from shared.errors import Refused

LONGEST: Final = 600
MOST_A_DAY: Final = 30
"""Texts of one job that become questions within a day and a night."""
TWICE: Final = dt.timedelta(minutes=30)
"""The same words from the same number within this are the gateway's second try."""
UNSENT: Final = "asked for no more text messages; some of ours were not sent. Tell them by phone or mail."


@transaction.atomic
def take_in(*, number: str, text: str) -> int:
    """
    What a customer texted, from the number as the gateway gives it; of how many customers it is.

    A stop word takes their consent back and drops what waits to be texted; a start word gives it again. Anything
    else becomes a question on their latest job. A number that no customer has is nobody's: nothing is kept of it.
    """
    customers, wish = customers_of(number), wish_of(text)
    for customer in customers:
        if wish:
            _consent(customer, is_given=wish == "start", said=text)
        else:
            _asked(customer, text)
    return len(customers)


def customers_of(number: str) -> list[Customer]:
    """Customers of any branch that have this number, written in whatever way."""
    digits = "".join(letter for letter in number if letter.isdigit())
    if len(digits) < 7:
        return []
    keys = SearchEntry.objects.filter(standing_in([(digits,)])).values_list("customer", flat=True)[:200]
    rows = Customer.objects.select_related("branch").filter(pk__in=list(keys)).order_by("pk")
    return [row for row in rows if dialled(row.phone, region_of(row.branch)) == f"+{digits}"]


def _latest(customer: Customer) -> Job | None:
    """The job that what they say is about: the last one that is open, or the last."""
    rows = customer.jobs.order_by("-pk")
    return rows.open().first() or rows.first()


def _consent(customer: Customer, *, is_given: bool, said: str) -> None:
    job = _latest(customer)
    customer.takes_texts = is_given
    action = "agreed to text messages" if is_given else "asked for no more text messages"
    with audit.by_customer(job.pk if job is not None else 0):
        save(customer, ["takes_texts"], by=None, action=action, job=job, note=said.strip()[:80])
    if is_given:
        return
    waiting = Message.objects.filter(job__customer=customer, channel=Message.Channel.TEXT, state=Message.State.WAITING)
    unsent = list(waiting.values_list("job", flat=True))
    withdraw(waiting, by=None, why="the customer asked for no more text messages")
    for key in sorted(set(unsent)):
        Question.objects.create(job_id=key, about="text message", text=UNSENT)


def _asked(customer: Customer, text: str) -> None:
    job = _latest(customer)
    if job is None or not text.strip():
        return
    job = lock_job(job)
    said = text.strip()[:LONGEST]
    if job.questions.filter(text=said, at__gt=timezone.now() - TWICE).exists():
        return
    with suppress(Refused), audit.by_customer(job.pk):  # more than so many a day are no more questions
        ask(job=job, text=said, about="text message", by=None, most=MOST_A_DAY)
