"""What the crews' taps and the jobs that are over teach, kept with the branch's rules."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from jobs.models import CalendarRules
from jobs.ports import ports
from jobs.rules.dates import learned
from jobs.schedule.dates import days_of
from jobs.schedule.learning import learned_variation
from shared import audit
from shared.models import Branch, User


def learn_times(*, branch: Branch, by: User | None = None) -> CalendarRules:
    """
    Learns how times vary about the plan from the taps of the last weeks; the chances of promises use it from then on.

    Nothing is kept while there is too little to learn from, nor is what was learned before given up then.
    """
    found = learned_variation(branch, timezone.now().astimezone(branch.tz).date())
    if not found.is_learned:
        return CalendarRules.of(branch)
    with transaction.atomic():
        row, _ = CalendarRules.objects.select_for_update().get_or_create(branch=branch)
        row.learned, row.learned_at = found.as_json(), timezone.now()
        row.save(update_fields=["learned", "learned_at"])
        changes = {"visits": ["", found.visits], "drives": ["", found.drives]}
        audit.record(by=by, action="learned how long visits and drives take", subject=row, changes=changes)
    return row


def learn_waits(*, branch: Branch, by: User | None = None) -> CalendarRules:
    """
    Learns how long the steps of a job take from those that are installed; the date of a job uses it from then on.

    Nothing is kept while there are too few, nor is what was learned before given up then.
    """
    rules = CalendarRules.of(branch)
    days = days_of(branch, timezone.now().astimezone(branch.tz).date(), rules)
    found = learned(*ports.past(branch), days, rules.pack_days)
    if not found.is_learned:
        return rules
    with transaction.atomic():
        row, _ = CalendarRules.objects.select_for_update().get_or_create(branch=branch)
        row.learned_waits = found.as_json()
        row.save(update_fields=["learned_waits"])
        audit.record(by=by, action="learned how long jobs take", subject=row, changes={"jobs": ["", found.jobs]})
    return row
