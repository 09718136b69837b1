"""What was installed, for whoever keeps the books."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal

from django.db.models import Sum

from jobs.models import Payment
from measuring.adapters.prices import price_of, prices_of
from measuring.models import Unit
from measuring.rules.prices import NoPrice
from shared.formats.money import cents
from shared.models import Branch


def installed_for_books(branch: Branch, first: dt.date, last: dt.date) -> Iterator[list[object]]:
    """
    A row for each unit installed from the first day to the last, both included, on the branch's clocks.

    Installed on, job, customer, project, unit, opening, product, width, height, price (empty where there is none),
    currency; then on the first row of a job its order value and what is paid of it.
    """
    begin = dt.datetime.combine(first, dt.time(), branch.tz)
    end = dt.datetime.combine(last + dt.timedelta(days=1), dt.time(), branch.tz)
    rows = Unit.objects.filter(
        opening__job__branch=branch, state=Unit.State.INSTALLED, installed_at__gte=begin, installed_at__lt=end
    ).select_related("product", "opening__room", "opening__job__customer", "opening__job__project")
    units = list(rows.order_by("installed_at", "pk"))
    prices, told = prices_of(units), set[int]()
    jobs = {unit.opening.job_id for unit in units}
    sums = Payment.objects.standing().filter(job__in=jobs).values_list("job").annotate(Sum("amount")).order_by()
    paid: dict[int, Decimal] = dict(sums)
    for unit in units:
        job = unit.opening.job
        try:
            price: object = price_of(unit, prices.get(unit.product_id), branch.unit)
        except NoPrice:
            price = ""
        whole: list[object] = ["", ""]
        if job.pk not in told:
            told.add(job.pk)
            whole = [job.order_value, cents(paid.get(job.pk, Decimal(0)))]
        assert unit.installed_at is not None
        sizes = [size.text(branch.unit, symbol=True) if size else "" for size in (unit.order_width, unit.order_height)]
        yield [
            unit.installed_at.astimezone(branch.tz).date(), job.number, job.customer.name,
            job.project.name if job.project else "", unit.code, str(unit.opening), unit.product.name, *sizes, price,
            branch.currency, *whole,
        ]  # fmt: skip
