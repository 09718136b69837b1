"""The address at which a customer looks at their job: ended, and given anew."""

from __future__ import annotations

from typing import Final

from django.db import transaction
from django.utils import timezone

from jobs.models import CustomerLink, Job
from jobs.services.base import save
from jobs.services.stages import lock_job
from shared.errors import Refused
from shared.models import User

MOST: Final = 30_000


@transaction.atomic
def revoke_link(*, job: Job, by: User) -> CustomerLink:
    """The address answers nothing any more."""
    row = CustomerLink.of(lock_job(job))
    if row.revoked_at is None:
        row.revoked_at = timezone.now()
        save(row, ["revoked_at"], by=by, action="revoked the customer's link", job=job)
    return row


@transaction.atomic
def renew_link(*, job: Job, by: User) -> CustomerLink:
    """Another address; those before it answer nothing any more."""
    row = CustomerLink.of(lock_job(job))
    if row.turn >= MOST:
        raise Refused("this job had as many links as there can be", bound=f"{MOST}")
    row.turn, row.revoked_at = row.turn + 1, None
    save(row, ["turn", "revoked_at"], by=by, action="made the customer a new link", job=job)
    return row
