"""What the workroom tells the rooms below: menu, panels, parts at the release, ready dates, blockers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence

from django.db.models import Count, Max, Q
from django.urls import reverse

from fabrication.models import CutPlan, UnitMake
from jobs.models import Job
from jobs.ports import Blocker
from jobs.ports import ports as jobs_ports
from measuring.models import Unit
from measuring.ports import ports as measuring_ports
from shared import demo, menu, panels
from shared.roles import DISPATCHER, OWNER, WORKROOM

LACKING = "Choices that the recipe does not have"


def register() -> None:
    """Called once, when the apps are ready."""
    from fabrication.adapters import fit_as_made, options_of_products, options_of_units
    from fabrication.demo import load, load_recipe_book
    from fabrication.services.making import change_effects, make_units, release_checks, remake_after_change

    menu.add("Batches", "fabrication:batches", roles=[WORKROOM], place=10)
    menu.add("Cutting", "fabrication:cutting", roles=[WORKROOM], place=20)
    menu.add("Checking", "fabrication:checking", roles=[WORKROOM], place=30)
    menu.add("Stock", "fabrication:stock", roles=[WORKROOM], place=40)
    menu.add("Buying", "fabrication:buying", roles=[WORKROOM], place=45)
    menu.add("Recipes", "fabrication:recipes", roles=[WORKROOM, OWNER], place=50)
    panels.add("jobs:job", "Workroom", "fabrication:units_of_job", roles=[DISPATCHER, OWNER, WORKROOM], place=30)
    panels.add("shared:firm", LACKING, "fabrication:lacking_of_firm", roles=[OWNER], place=30)
    panels.add(
        "measuring:product", "What can be chosen", "fabrication:choices_of_product", roles=[OWNER, DISPATCHER], place=10
    )
    demo.add(load_recipe_book, place=15)  # measuring asks what can be chosen
    demo.add(load, place=30)
    jobs_ports.ready_sources.append(ready_on)
    jobs_ports.blocker_sources.append(blockers)
    measuring_ports.made_fit.append(fit_as_made)
    measuring_ports.product_options.append(options_of_products)
    measuring_ports.unit_options.append(options_of_units)
    measuring_ports.release_checks.append(release_checks)
    measuring_ports.release_hooks.append(make_units)
    measuring_ports.change_effects.append(change_effects)
    measuring_ports.size_change_hooks.append(remake_after_change)


def ready_on(jobs: Sequence[Job]) -> dict[int, dt.date]:
    """By job, the day the last unit is, or is due to be, made; not while a date is missing."""
    zones = {job.pk: job.branch.tz for job in jobs}
    units = (
        Unit.objects.live()
        .filter(opening__job__in=zones)
        .exclude(state__in=[Unit.State.DRAFT, Unit.State.SIZED, Unit.State.APPROVED, Unit.State.INSTALLED])
    )
    dated = units.order_by().values("opening__job").annotate(
        made=Max("made_at"),
        due=Max("due_on", filter=Q(made_at=None)),
        undated=Count("pk", filter=Q(made_at=None, due_on=None)),
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
