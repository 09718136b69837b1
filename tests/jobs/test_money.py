"""What an order comes to, what was paid, what is due; and the deposit's hold, which ends by it."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.test import Client

from jobs.models import Job
from jobs.services import booking, money
from shared.errors import Refused
from shared.models import AuditEntry, Branch, User
from tests.factories import make_job

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(dispatcher: User) -> Job:
    return make_job(dispatcher.branch, by=dispatcher)


def pay(job: Job, by: User, amount: str, how: str = "check") -> None:
    money.record_payment(job=job, by=by, amount=Decimal(amount), how=how)


def test_the_hold_ends_with_the_payment_that_covers_the_deposit(job: Job, dispatcher: User) -> None:
    money.set_order(job=job, by=dispatcher, order_value=Decimal("1200.10"), deposit=Decimal(400))
    booking.hold(job=job, reason="deposit", by=dispatcher)

    pay(job, dispatcher, "399.99")
    assert Job.objects.get(pk=job.pk).hold == "deposit"
    pay(job, dispatcher, "0.01", "cash")

    assert Job.objects.get(pk=job.pk).hold == ""
    assert money.balance_of(Job.objects.get(pk=job.pk)).due == Decimal("800.10")
    assert AuditEntry.objects.filter(job_id=job.pk, note="the deposit is paid").exists()


def test_another_hold_stays_whatever_is_paid(job: Job, dispatcher: User) -> None:
    money.set_order(job=job, by=dispatcher, order_value=Decimal(900), deposit=Decimal(100))
    booking.hold(job=job, reason="approval", by=dispatcher)

    pay(job, dispatcher, "900")

    assert Job.objects.get(pk=job.pk).hold == "approval"


def test_a_deposit_that_was_paid_before_it_was_asked_ends_the_hold(job: Job, dispatcher: User) -> None:
    booking.hold(job=job, reason="deposit", by=dispatcher)
    pay(job, dispatcher, "250")
    assert Job.objects.get(pk=job.pk).hold == "deposit"  # nobody said how much it is

    money.set_order(job=job, by=dispatcher, order_value=None, deposit=Decimal(250))

    assert Job.objects.get(pk=job.pk).hold == ""


def test_a_payment_taken_back_is_due_again_and_stays_in_the_list(
    job: Job, dispatcher: User, as_user: Callable[[User], Client]
) -> None:
    money.set_order(job=job, by=dispatcher, order_value=Decimal(300), deposit=None)
    client = as_user(dispatcher)
    client.post(f"/jobs/{job.pk}/payments/", {"amount": "120.50", "how": "card", "note": "terminal 2"})
    assert "$179.50" in client.get(f"/jobs/{job.pk}/money/").content.decode()

    client.post(f"/payments/{job.payments.get().pk}/take-back/")

    shown = client.get(f"/jobs/{job.pk}/money/").content.decode()
    assert "$300.00</strong>" in shown
    assert "taken back" in shown


@pytest.mark.parametrize(
    ("sent", "field"),
    [
        ({"order_value": "100", "deposit": "100.01"}, "deposit"),
        ({"order_value": "-1", "deposit": ""}, "order_value"),
        ({"order_value": "1e30", "deposit": ""}, "order_value"),
        ({"order_value": "10.001", "deposit": ""}, "order_value"),
    ],
)
def test_impossible_sums_are_refused_beside_their_field(
    job: Job, dispatcher: User, as_user: Callable[[User], Client], sent: dict[str, str], field: str
) -> None:
    answer = as_user(dispatcher).post(f"/jobs/{job.pk}/order/", sent)

    assert answer.status_code == 422
    assert f'id="id_{field}_error"' in answer.content.decode()


def test_sums_are_in_the_currency_of_the_branch(
    job: Job, branch: Branch, dispatcher: User, as_user: Callable[[User], Client]
) -> None:
    Branch.objects.filter(pk=branch.pk).update(currency="CAD")
    money.set_order(job=job, by=dispatcher, order_value=Decimal("1234.5"), deposit=None)

    assert "CA$1,234.50" in as_user(dispatcher).get(f"/jobs/{job.pk}/money/").content.decode()


def test_nothing_and_no_way_to_pay_is_no_payment(job: Job, dispatcher: User) -> None:
    for amount, how in (("0", "cash"), ("-5", "cash"), ("5", "shells")):
        with pytest.raises(Refused):
            pay(job, dispatcher, amount, how)
    assert not job.payments.exists()
