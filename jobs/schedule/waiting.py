"""What it costs a plan that a visit waits: by the branch's rule, how long it has waited and the day it is due."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from jobs.models import Appointment, JobDate, Purpose
from shared.formats.money import money_text

MOST_WEEKS: Final = 8
"""Waiting longer than so many weeks weighs no more."""
HANGS: Final = frozenset({Purpose.INSTALL, Purpose.RETURN, Purpose.DELIVERY})
"""What the day is about by which a customer was told that everything hangs."""


@dataclass(frozen=True, slots=True)
class Waits:
    """Since when a visit waits, and the day it is due: the customer's own or the one told, whichever is first."""

    since: dt.date
    due: dt.date | None = None

    def days(self, day: dt.date) -> int:
        """How long it has waited by then."""
        return max(0, (day - self.since).days)

    def weight(self, day: dt.date) -> int:
        """By how much the price of a day counts for it: once, and once more for each week waited by then."""
        return 1 + min(MOST_WEEKS, self.days(day) // 7)

    def late_days(self, day: dt.date) -> int:
        """How many days after its due day that is."""
        return max(0, (day - self.due).days) if self.due is not None else 0


def waits_of(rows: Iterable[Appointment]) -> dict[int, Waits]:
    """Of many visits, in one query."""
    rows = list(rows)
    told: dict[int, dt.date] = {
        job: day
        for job, day in JobDate.objects.filter(job__in={row.job_id for row in rows}).values_list("job", "told_on")
        if day is not None
    }
    return {row.pk: _waits(row, told) for row in rows}


def _waits(row: Appointment, told: Mapping[int, dt.date]) -> Waits:
    since = row.created_at.astimezone(row.job.branch.tz).date()
    due = {row.job.wanted_by, told.get(row.job_id)} - {None} if row.purpose in HANGS else set()
    return Waits(since, min((day for day in due if day is not None), default=None))


def rule_text(wait_price: Decimal, overdue_price: Decimal, currency: str) -> str:
    """
    The branch's rule in words.

    >>> rule_text(Decimal(2), Decimal(10), "USD")
    'A day of waiting counts $2.00, and as much again for each week already waited. A day overdue counts $10.00 more.'
    """
    wait, late = (money_text(price, currency) for price in (wait_price, overdue_price))
    first = f"A day of waiting counts {wait}, and as much again for each week already waited."
    return f"{first} A day overdue counts {late} more." if overdue_price else first


def days_waited(row: Appointment, waits: Waits, day: dt.date) -> dict[str, object]:
    """One visit of a plan as its summary keeps it."""
    return {
        "appointment": row.pk,
        "number": row.job.number,
        "customer": row.job.customer.name,
        "day": day.isoformat(),
        "waited_days": waits.days(day),
        "due_on": waits.due.isoformat() if waits.due is not None else None,
        "late_days": waits.late_days(day),
    }
