"""What the crews' taps teach, kept with the branch's rules."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from jobs.models import CalendarRules
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
