"""The balance at the last stop, and what was installed for the books."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable
from decimal import Decimal

import pytest
from django.test import Client
from django.utils import timezone

from jobs.models import CustomerLink, Payment
from jobs.services import money
from measuring.models import Unit
from measuring.services.prices import set_price
from shared.formats.dates import month_day_year
from shared.models import Branch, User
from tests.installs.makers import a_day, make_visit

pytestmark = pytest.mark.django_db


def test_the_last_stop_says_what_is_due_and_takes_how_it_was_paid(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Client]
) -> None:
    job, visit = a_day(branch, installer, installer)
    client = as_user(installer)
    assert "Balance" not in client.get(f"/stops/{visit.pk}/").content.decode()
    money.set_order(job=job, by=dispatcher, order_value=Decimal("812.40"), deposit=Decimal(300))
    money.record_payment(job=job, by=dispatcher, amount=Decimal(300), how="card")
    assert "$512.40" in client.get(f"/stops/{visit.pk}/").content.decode()

    client.post(f"/stops/{visit.pk}/paid/", {"amount": "512.40", "how": "check", "note": "no. 118"})

    paid = Payment.objects.get(appointment=visit)
    assert (paid.amount, paid.how, paid.by) == (Decimal("512.40"), "check", installer)
    shown = client.get(f"/stops/{visit.pk}/").content.decode()
    assert "$512.40 by check, no. 118" in shown
    assert "due</p>" not in shown


def test_a_payment_at_the_stop_is_taken_back_for_an_hour_and_says_until_when(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Client]
) -> None:
    """There was no way back from a slip of the finger but a call to the office."""
    job, visit = a_day(branch, installer, installer)
    client = as_user(installer)
    job = money.set_order(job=job, by=dispatcher, order_value=Decimal("512.40"), deposit=None)
    now = timezone.now()
    for minutes, is_open in ((59, True), (61, False)):
        row = money.record_payment(job=job, by=installer, amount=Decimal("512.40"), how="cash", appointment=visit)
        Payment.objects.filter(pk=row.pk).update(at=now - dt.timedelta(minutes=minutes))
        until = (now + dt.timedelta(minutes=60 - minutes)).astimezone(branch.tz)
        shown = client.get(f"/stops/{visit.pk}/").content.decode()
        assert f"until {until:%-I:%M %p}".lower() in shown.lower()
        assert (f"/stops/payments/{row.pk}/take-back/" in shown) is is_open

        client.post(f"/stops/payments/{row.pk}/take-back/")

        assert (money.balance_of(job).due == Decimal("512.40")) is is_open

    as_user(dispatcher).post(f"/stops/payments/{row.pk}/take-back/")
    assert money.balance_of(job).due == Decimal("512.40")


def test_a_stop_before_the_last_one_asks_for_nothing(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Client]
) -> None:
    job, visit = a_day(branch, installer, installer)
    money.set_order(job=job, by=dispatcher, order_value=Decimal(900), deposit=None)
    assert visit.crew is not None
    make_visit(job, visit.crew, hour=14)

    assert "$900.00" not in as_user(installer).get(f"/stops/{visit.pk}/").content.decode()


def test_the_books_get_a_row_a_unit_installed_on_these_days_with_its_price(
    branch: Branch, dispatcher: User, owner: User, as_user: Callable[[User], Client]
) -> None:
    job, _ = a_day(branch, dispatcher, units=3)
    first, second, third = Unit.objects.order_by("pk")
    last_night = dt.datetime(2027, 3, 31, 23, 30, tzinfo=branch.tz)
    for unit, when in ((first, last_night), (second, last_night), (third, last_night + dt.timedelta(hours=1))):
        Unit.objects.filter(pk=unit.pk).update(state=Unit.State.INSTALLED, installed_at=when)
    set_price(product=first.product, by=owner, rate=Decimal(10), per="sq_ft", least=Decimal(0), table=None)
    Unit.objects.filter(pk=second.pk).update(order_width=None)
    money.set_order(job=job, by=dispatcher, order_value=Decimal(900), deposit=None)
    money.record_payment(job=job, by=dispatcher, amount=Decimal(50), how="cash")

    answer = as_user(owner).get("/figures/books.csv?from_on=2027-03-01&until_on=2027-03-31").content.decode()

    rows = list(csv.DictReader(io.StringIO(answer)))
    assert [(row["unit"], row["price"], row["order value"], row["paid"]) for row in rows] == [
        (first.code, "146.88", "900.00", "50.00"),  # 35 1/4 in × 60 in = 14.6875 sq ft
        (second.code, "", "", ""),
    ]
    assert {row["currency"] for row in rows} == {"USD"}


def test_the_customer_has_the_warranty_of_each_part_from_the_day_it_went_up(
    branch: Branch, dispatcher: User, owner: User, client: Client
) -> None:
    job, _ = a_day(branch, dispatcher)
    page = f"/your-job/{CustomerLink.of(job).token}/"
    assert "Warranty" not in client.get(page).content.decode()
    assert client.get(f"{page}record.pdf").status_code == 404
    unit = Unit.objects.order_by("pk")[0]
    set_price(
        product=unit.product, by=owner, rate=None, per="sq_ft", least=Decimal(0), table=None,
        warranty="Fabric: 5 years\nLabor: 12 months\nRails: lifetime", care="Brush it softly.",
    )  # fmt: skip
    when = dt.datetime(2027, 3, 31, 23, 30, tzinfo=branch.tz)
    Unit.objects.filter(pk=unit.pk).update(state=Unit.State.INSTALLED, installed_at=when)

    shown = client.get(page).content.decode()

    start, fabric, labor = (
        month_day_year(day) for day in (dt.date(2027, 3, 31), dt.date(2032, 3, 30), dt.date(2028, 3, 30))
    )
    assert f"Fabric: until {fabric}; installed {start}" in " ".join(shown.split())
    assert f"Labor: until {labor}" in " ".join(shown.split())
    assert "Rails: as long as it" in " ".join(shown.split())
    assert "Brush it softly." in shown
    record = client.get(f"{page}record.pdf")
    assert record["Content-Type"] == "application/pdf"
    assert record.content.startswith(b"%PDF")
