"""What of this room the box on every page finds."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import urlencode

from django.urls import reverse

from jobs.access import OFFICE
from jobs.services.search import find_jobs
from shared.finding import Found
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
