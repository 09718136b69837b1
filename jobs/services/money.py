"""What an order comes to, what was paid, and what is due; no invoices."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from django.db import transaction
from django.db.models import Sum
from django.utils import timezone

from jobs.models import Appointment, Job, Payment
from jobs.services.appointments import refuse_late_back
from jobs.services.base import save
from jobs.services.booking import unhold
from jobs.services.stages import lock_job
from shared import audit
from shared.errors import Refused
from shared.formats.money import cents, money_text
from shared.models import User

MOST: Final = Decimal(100_000_000)


@dataclass(frozen=True, slots=True)
class Balance:
    """A job's sums, in the currency of its branch; `due` is None where nobody said what the order comes to."""

    order: Decimal | None
    deposit: Decimal | None
    paid: Decimal

    @property
    def due(self) -> Decimal | None:
        """Still to be paid; below 0: paid too much."""
        return None if self.order is None else self.order - self.paid

    @property
    def deposit_due(self) -> Decimal:
        """Still to be paid before it is made."""
        return max(Decimal(0), (self.deposit or Decimal(0)) - self.paid)


def balance_of(job: Job) -> Balance:
    """What the job comes to and what of it is paid; one query."""
    paid = job.payments.filter(taken_back_at=None).aggregate(sum=Sum("amount"))["sum"] or Decimal(0)
    return Balance(job.order_value, job.deposit, cents(paid))


@transaction.atomic
def set_order(*, job: Job, by: User, order_value: Decimal | None, deposit: Decimal | None) -> Job:
    """What the order comes to and which deposit is asked; a deposit that is paid already ends its hold."""
    row = lock_job(job)
    if deposit is not None and order_value is not None and deposit > order_value:
        raise Refused("the deposit is more than the order", field="deposit", bound=str(order_value))
    for name, value in (("order_value", order_value), ("deposit", deposit)):
        if value is not None and not 0 <= value <= MOST:
            raise Refused("no such sum", field=name, bound=f"0 to {MOST}")
        setattr(row, name, None if value is None else cents(value))
    save(row, ["order_value", "deposit"], by=by, action="set what the order comes to", job=row)
    return _end_deposit_hold(row, by)


@transaction.atomic
def record_payment(
    *, job: Job, by: User, amount: Decimal, how: str, note: str = "", appointment: Appointment | None = None
) -> Payment:
    """Money that came; once the deposit is covered the job waits for it no longer."""
    row = lock_job(job)
    if how not in Payment.How.values:
        raise Refused(f"{how} is no way to pay", field="how", bound=", ".join(Payment.How.values))
    if not 0 < amount <= MOST:
        raise Refused("no such sum", field="amount", bound=f"0.01 to {MOST}")
    made = Payment.objects.create(
        job=row, amount=cents(amount), how=how, note=note.strip()[:120], appointment=appointment, by=by
    )
    text = money_text(made.amount, row.branch.currency)
    audit.record(by=by, action=f"recorded {text} by {made.get_how_display()}", subject=made, job=row, note=made.note)
    _end_deposit_hold(row, by)
    return made


@transaction.atomic
def take_back_payment(*, payment: Payment, by: User) -> Payment:
    """
    It did not come after all; the line stays. A hold that it ended is not put back by itself.

    Who drives can for a while, as with whatever else they tap.
    """
    lock_job(payment.job)
    row = Payment.objects.select_for_update(of=("self",)).select_related("job__branch").get(pk=payment.pk)
    if row.taken_back_at is None:
        refuse_late_back(row.at, by, branch=row.job.branch)
        row.taken_back_at = timezone.now()
        row.save(update_fields=["taken_back_at"])
        text = money_text(row.amount, row.job.branch.currency)
        audit.record(by=by, action=f"took back {text}", subject=row, job=row.job)
    return row


def _end_deposit_hold(job: Job, by: User) -> Job:
    if job.hold != Job.Hold.DEPOSIT or not job.deposit or balance_of(job).deposit_due:
        return job
    return unhold(job=job, by=by, note="the deposit is paid")
