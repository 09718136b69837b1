"""The load of each work place, read for pages."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.utils import timezone

from fabrication.models import Batch, UnitMake, WorkPlace
from fabrication.rules.load import LOOK_AHEAD_DAYS, DayLoad, Work, Worked, day_loads, worked_in_order
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


# -- day by day --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Late:
    """Units of one batch (or that wait for one) that a place finishes after their day; `last` None: not in sight."""

    batch: Batch | None
    units: int
    due: dt.date
    last: dt.date | None


@dataclass(frozen=True, slots=True)
class PlaceDays:
    """A work place day by day, what is late at it, and when it finishes each batch (by key; None: not in sight)."""

    name: str
    worked: Worked
    late: tuple[Late, ...]
    ends: Mapping[int, dt.date | None]

    @property
    def late_units(self) -> int:
        return sum(one.units for one in self.late)


def place_days(*, branch: Branch, moved: tuple[Batch, dt.date] | None = None) -> list[PlaceDays]:
    """
    Every work place worked in order of due date; two queries, one more for holidays.

    `moved`: a batch that is worked as if it were due on another day.
    """
    today = timezone.now().astimezone(branch.tz).date()
    last = today + dt.timedelta(days=LOOK_AHEAD_DAYS)
    off = holidays_between(branch, today, last)
    makes = list(
        UnitMake.objects.filter(unit__opening__job__branch=branch, source=Product.Source.MADE)
        .exclude(state__in=[UnitMake.State.MADE, UnitMake.State.CANCELLED])
        .select_related("unit__product", "batch")
    )
    by_key = {str(make.pk): make for make in makes}
    found = []
    for place in WorkPlace.objects.filter(branch=branch):
        work = [_work(make, place, last, moved) for make in makes]
        work = [one for one in work if one.minutes]
        worked = worked_in_order(
            work, today=today, day_min=place.day_min, is_worked=lambda day: day.weekday() < 5 and day not in off
        )
        late = _late(worked.late(work), worked, by_key)
        found.append(PlaceDays(place.name, worked, late, _ends(worked, by_key)))
    return found


def _work(make: UnitMake, place: WorkPlace, last: dt.date, moved: tuple[Batch, dt.date] | None) -> Work:
    as_if = moved[1] if moved is not None and make.batch_id == moved[0].pk else None
    minutes = int(place.minutes.get(make.unit.product.family, 0))
    return Work(str(make.pk), make.unit.due_on or last, minutes, as_if)


def _late(works: Iterable[Work], worked: Worked, makes: Mapping[str, UnitMake]) -> tuple[Late, ...]:
    """What is late by batch, what is due first on top."""
    groups: dict[int | None, list[Work]] = {}
    for one in works:
        groups.setdefault(makes[one.key].batch_id, []).append(one)
    rows = []
    for several in groups.values():
        ends = [worked.finished[one.key] for one in several]
        last = None if None in ends else max(end for end in ends if end is not None)
        rows.append(Late(makes[several[0].key].batch, len(several), several[0].due, last))
    return tuple(rows)


def _ends(worked: Worked, makes: Mapping[str, UnitMake]) -> dict[int, dt.date | None]:
    ends: dict[int, dt.date | None] = {}
    for key, end in worked.finished.items():
        if (batch := makes[key].batch_id) is not None:
            before = ends.get(batch, dt.date.min)
            ends[batch] = None if end is None or before is None else max(before, end)
    return ends
