"""The load of each work place, read for pages."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.utils import timezone

from fabrication.models import UnitMake, WorkPlace
from fabrication.rules.load import LOOK_AHEAD_DAYS, DayLoad, day_loads
from jobs.schedule.availability import holidays_between
from measuring.models import Product
from shared.models import Branch


@dataclass(frozen=True, slots=True)
class PlaceLoad:
    """A work place, what it has to do, and the first day it can't keep."""

    name: str
    day_min: int
    to_do_min: int
    days: tuple[DayLoad, ...]

    @property
    def first_late(self) -> DayLoad | None:
        return next((row for row in self.days if row.late_min), None)


def loads_of(*, branch: Branch) -> list[PlaceLoad]:
    """Units that are released and not made, by due date, against the hours of each place; two queries."""
    today = timezone.now().astimezone(branch.tz).date()
    last = today + dt.timedelta(days=LOOK_AHEAD_DAYS)
    off = holidays_between(branch, today, last)
    open_makes = (
        UnitMake.objects.filter(unit__opening__job__branch=branch, source=Product.Source.MADE)
        .exclude(state__in=[UnitMake.State.MADE, UnitMake.State.CANCELLED])
        .values_list("unit__due_on", "unit__product__family")
    )
    rows = [(due or last, family) for due, family in open_makes]
    found = []
    for place in WorkPlace.objects.filter(branch=branch):
        work = [(due, int(place.minutes.get(family, 0))) for due, family in rows]
        days = day_loads(
            work,
            today=today,
            day_min=place.day_min,
            is_worked=lambda day: day.weekday() < 5 and day not in off,
        )
        found.append(PlaceLoad(place.name, place.day_min, sum(minutes for _, minutes in work), tuple(days)))
    return found
