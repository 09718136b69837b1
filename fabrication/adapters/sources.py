"""What the workroom tells the rooms below: menu, panels, parts at the release, ready dates, blockers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence

from django.db.models import Count, Max, Q
from django.urls import reverse

from fabrication.models import CutPlan, StockItem, UnitMake
from jobs.models import Job
from jobs.ports import Blocker
from measuring.models import Unit
from shared.models import Branch
from shared.roles import WORKROOM


def ready_on(jobs: Sequence[Job]) -> dict[int, dt.date]:
    """By job, the day the last unit is, or is due to be, made; not while a date is missing."""
    zones = {job.pk: job.branch.tz for job in jobs}
    units = (
        Unit.objects.live()
        .filter(opening__job__in=zones)
        .exclude(state__in=[Unit.State.DRAFT, Unit.State.SIZED, Unit.State.APPROVED, Unit.State.INSTALLED])
    )
    dated = (
        units.order_by()
        .values("opening__job")
        .annotate(
            made=Max("made_at"),
            due=Max("due_on", filter=Q(made_at=None)),
            undated=Count("pk", filter=Q(made_at=None, due_on=None)),
        )
    )
    found = {}
    for row in dated:
        pk = row["opening__job"]
        made = row["made"].astimezone(zones[pk]).date() if row["made"] else None
        days = [day for day in (made, row["due"]) if day]
        if days and not row["undated"]:
            found[pk] = max(days)
    return found


def blockers(job: Job) -> Iterator[Blocker]:
    """Cut plans that are short of stock, and units sent back to the bench."""
    short = (
        CutPlan.objects.filter(batch__makes__unit__opening__job=job, state=CutPlan.State.READY)
        .exclude(unplaced=[])
        .select_related("material", "batch")
        .distinct()
    )
    for plan in short:
        yield Blocker(
            text=f"{plan.material.name} is short for {plan.batch}",
            owner=WORKROOM,
            since=plan.created_at,
            url=reverse("fabrication:batch", args=[plan.batch_id]),
            severity="stop",
        )
    back = UnitMake.objects.filter(unit__opening__job=job, state=UnitMake.State.BACK).select_related("unit")
    for make in back:
        yield Blocker(
            text=f"{make.unit.code} went back to the bench",
            owner=WORKROOM,
            since=make.checked_at,
            url=reverse("fabrication:unit", args=[make.pk]),
        )


def stock_standing(branch: Branch | None) -> str:
    """How many stock pieces there are: a step of the set-up that can wait until something is cut."""
    count = StockItem.objects.filter(material__branch=branch, quantity__gt=0).count() if branch else 0
    return f"{count} stock pieces" if count else ""
