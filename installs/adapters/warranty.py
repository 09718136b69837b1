"""The warranty of what was installed at a job."""

from __future__ import annotations

import datetime as dt
from typing import TypedDict

from jobs.models import Job
from measuring.models import ProductTerms, Unit
from measuring.rules.warranty import read_terms


class Warranty(TypedDict):
    """A part of a product that went up on one day; `until` None is as long as it hangs there."""

    product: str
    start: dt.date
    part: str
    until: dt.date | None


def warranty_of(job: Job) -> list[Warranty]:
    """By product and the day it went up, on the branch's clocks; nothing where the firm said no terms."""
    units = Unit.objects.filter(opening__job=job, state=Unit.State.INSTALLED, installed_at__isnull=False)
    days = {
        (unit.product_id, unit.product.name, unit.installed_at.astimezone(job.branch.tz).date())
        for unit in units.select_related("product")
        if unit.installed_at is not None
    }
    terms = dict(ProductTerms.objects.filter(product__in=[pk for pk, _, _ in days]).values_list("product", "warranty"))
    return [
        Warranty(product=name, start=day, part=term.part, until=term.until(day))
        for pk, name, day in sorted(days, key=lambda one: (one[1], one[2]))
        for term in read_terms(terms.get(pk, ""))
    ]
