"""What the workroom could do for a job whose date slips, and what each of it costs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import Final

from django.urls import reverse
from django.utils import timezone

from fabrication.adapters.costs import TICKS_PER_M
from fabrication.models import Material, StockItem, UnitMake
from fabrication.services.buying import Shortage, line_for, shortages
from jobs.models import CalendarRules, Job
from jobs.ports import Making, Rescue
from shared.formats.durations import minutes_text
from shared.formats.money import cents
from shared.lengths import ZERO, Length

OVERTIME_MIN: Final = 120
"""Minutes a day that a work place is taken to work longer; common practice, no published source."""
BY_LENGTH: Final = (Material.Kind.CLOTH, Material.Kind.CORD)


def rescues(job: Job, making: Making) -> Iterator[Rescue]:
    """A batch of its own before others, overtime, ordering today, other material that is on the shelf."""
    if making.made_on is not None:
        return
    yield from _in_workroom(job, making)
    makes = UnitMake.objects.filter(unit__opening__job=job).exclude(
        state__in=[UnitMake.State.MADE, UnitMake.State.CANCELLED]
    )
    for short in shortages(branch=job.branch, makes=list(makes.values_list("pk", flat=True))):
        yield from _of_material(short, making)


def _in_workroom(job: Job, making: Making) -> Iterator[Rescue]:
    waits = max((one.ahead_min for one in making.places), default=0.0)
    if waits:
        first = tuple(replace(one, ahead_min=0.0) for one in making.places)
        own = max(one.own_min for one in making.places)
        text = f"rush batch, others wait {minutes_text(round(own))} longer"
        yield Rescue(text, replace(making, places=first), Decimal(0), reverse("fabrication:batches"))
    if making.places:
        longer = tuple(replace(one, day_min=one.day_min + OVERTIME_MIN) for one in making.places)
        days = max(math.ceil(one.days) for one in longer)
        rules = CalendarRules.of(job.branch)
        price = (rules.paid_price + rules.overtime_price) * OVERTIME_MIN / 60 * days * len(longer)
        text = f"overtime of {minutes_text(OVERTIME_MIN)} a day in the workroom, {days} day{'' if days == 1 else 's'}"
        yield Rescue(text, replace(making, places=longer), cents(price), reverse("fabrication:batches"))


def _of_material(short: Shortage, making: Making) -> Iterator[Rescue]:
    """Of a material that is short: ordered today, or another that is there."""
    mine = [one for one in making.goods if one.name.startswith(short.material.name)]
    others = tuple(one for one in making.goods if one not in mine)
    today = timezone.now().astimezone(short.material.branch.tz).date()
    if mine and mine[0].ordered_on is None and mine[0].lead is not None:
        line = line_for(short)
        price = None if line.price is None else cents(line.price * _count(line.quantity, line.length, short.material))
        ordered = (*others, replace(mine[0], ordered_on=today, missed=0.0))
        text = f"order {short.material.name} today"
        yield Rescue(text, replace(making, goods=ordered), price, reverse("fabrication:buying"))
    for other in _alike(short):
        text = f"{other.name} instead of {short.material.name}, if the customer agrees"
        yield Rescue(text, replace(making, goods=others), Decimal(0), reverse("fabrication:stock"))
        break


def _count(quantity: int, length: Length | None, material: Material) -> Decimal:
    """What a price is multiplied by: pieces, or metres of what is sold by the metre."""
    if material.kind in BY_LENGTH and length is not None:
        return Decimal(length.ticks) / TICKS_PER_M
    return Decimal(quantity)


def _alike(short: Shortage) -> Iterator[Material]:
    """Materials of the same facts of which enough is free."""
    own = {name: fact for name, fact in short.material.facts.items() if name != "stock"}
    rows = Material.objects.filter(branch=short.material.branch, kind=short.material.kind, is_active=True)
    for row in rows.exclude(pk=short.material.pk):
        if {name: fact for name, fact in row.facts.items() if name != "stock"} != own:
            continue
        items = StockItem.objects.filter(material=row).available()
        if short.need is None:
            enough = sum(item.free for item in items) >= short.missing
        elif row.kind in BY_LENGTH:
            enough = sum((item.free_length for item in items), ZERO) >= short.need.short
        else:
            enough = sum(((item.length or ZERO) * item.free for item in items), ZERO) >= short.need.short
        if enough:
            yield row
