"""Keys of sites that we keep: signed out, signed back, given back to the customer."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.utils import timezone

from jobs.models import Site, SiteKey
from shared import audit
from shared.errors import Refused
from shared.models import User


@transaction.atomic
def take_in(*, site: Site, label: str, by: User) -> SiteKey:
    """The customer left us a key; it hangs in the office."""
    if not label.strip():
        raise Refused("say what its tag says", field="label")
    made = SiteKey.objects.create(site=site, label=label.strip()[:60])
    audit.record(by=by, action="took in a key", subject=site, note=made.label)
    return made


@transaction.atomic
def sign_out(*, key: SiteKey, holder: User, by: User, due_on: dt.date | None = None) -> SiteKey:
    """Somebody of the branch takes it with them; back by that day, today where none is said."""
    row = _locked(key)
    if row.holder is not None:
        raise Refused(f"{row.holder} has it", field="holder")
    if holder.branch_id != row.site.branch_id or not holder.is_active:
        raise Refused(f"{holder} is not of this branch", field="holder")
    today = timezone.now().astimezone(row.site.branch.tz).date()
    if due_on is not None and due_on < today:
        raise Refused("that day is over", field="due_on")
    row.holder, row.out_at, row.due_on = holder, timezone.now(), due_on or today
    row.save(update_fields=["holder", "out_at", "due_on"])
    audit.record(by=by, action=f"signed a key out to {holder}", subject=row.site, note=row.label)
    return row


@transaction.atomic
def sign_back(*, key: SiteKey, by: User) -> SiteKey:
    """It hangs in the office again."""
    row = _locked(key)
    if row.holder is not None:
        row.holder = row.out_at = row.due_on = None
        row.save(update_fields=["holder", "out_at", "due_on"])
        audit.record(by=by, action="signed a key back", subject=row.site, note=row.label)
    return row


@transaction.atomic
def give_back(*, key: SiteKey, by: User) -> SiteKey:
    """The customer has it again."""
    row = _locked(key)
    row.holder = row.out_at = row.due_on = None
    row.given_back_at = timezone.now()
    row.save(update_fields=["holder", "out_at", "due_on", "given_back_at"])
    audit.record(by=by, action="gave a key back to the customer", subject=row.site, note=row.label)
    return row


def _locked(key: SiteKey) -> SiteKey:
    rows = SiteKey.objects.select_for_update(of=("self",)).select_related("site__branch", "holder")
    row = rows.get(pk=key.pk)
    if row.given_back_at is not None:
        raise Refused("the customer has this key again")
    return row
