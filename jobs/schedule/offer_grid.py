"""Offers as a grid: days across, times down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

from django.utils import timezone

from jobs.models import Appointment, CalendarRules, Purpose, Wish
from jobs.ports import Expected
from jobs.schedule.availability import Span
from jobs.schedule.dates import BranchDates, DateOutlook
from jobs.schedule.offers import Offer, Offers, offers_for
from jobs.schedule.wishes import wishes_text
from shared.formats import dates

DAYS = 7
"""Calendar days of one grid."""
EVERY = 1_000

Times = tuple[dt.time, dt.time]


@dataclass(frozen=True, slots=True)
class Cell:
    """One time of one day, and what is offered there, if anything is."""

    times: str
    offer: Offer | None


@dataclass(frozen=True, slots=True)
class Column:
    day: dt.date
    cells: tuple[Cell, ...]
    outlook: DateOutlook | None = None
    """Of a measure on that day: when the job is installed then."""

    @property
    def is_offered(self) -> bool:
        return any(cell.offer is not None for cell in self.cells)

    @property
    def is_safely_offered(self) -> bool:
        return any(cell.offer is not None and not cell.offer.is_risky for cell in self.cells)


@dataclass(frozen=True, slots=True)
class Grid:
    """
    The days on which a crew works that could come, each with the same times.

    `from_on` is the first day looked at, `later` the first that is not; `risky` counts the offers that
    bring a promise under `floor`, of 100.
    """

    offers: Offers
    from_on: dt.date
    columns: tuple[Column, ...]
    times: tuple[str, ...]
    floor: int
    is_later: bool
    """Whether there are days before these that could be looked at."""
    nearest: str
    """What the customer wishes, where nothing is so and the nearest stand here instead."""

    @property
    def risky(self) -> int:
        return sum(offer.is_risky for offer in self.offers.best)

    @property
    def is_all_risky(self) -> bool:
        return bool(self.offers.best) and self.risky == len(self.offers.best)

    @property
    def outlook(self) -> DateOutlook | None:
        """Of the first day that has one and shows a time: risky ones show only where all are."""
        shown = (one for one in self.columns if self.is_all_risky or one.is_safely_offered)
        return next((column.outlook for column in shown if column.outlook is not None), None)

    @property
    def later(self) -> dt.date:
        return self.from_on + dt.timedelta(days=DAYS)

    @property
    def earlier(self) -> dt.date:
        return self.from_on - dt.timedelta(days=DAYS)


def grid_for(
    appointment: Appointment,
    *,
    from_on: dt.date | None = None,
    possible: Sequence[Span] = (),
    impossible: Sequence[Span] = (),
    wishes: Sequence[Wish] | None = None,
) -> Grid:
    """
    The grid that begins on `from_on`; without it the first that offers anything, as far ahead as the branch offers.

    Where nothing is as the customer wishes, the nearest that is not.

    Parameters
    ----------
    possible, impossible, wishes
        Of a visit that is not saved, as for `offers_for`.
    """
    job = appointment.job
    rules = CalendarRules.of(job.branch)
    if wishes is None:
        wishes = list(job.wishes.all()) if job.pk else []
    look = partial(offers_for, appointment, possible=possible, impossible=impossible, most=EVERY, rules=rules)
    found = _first(partial(look, wishes=wishes), from_on, rules)
    nearest = ""
    if wishes and found.from_on is not None and not found.best:
        nearest = wishes_text(wishes)
        found = _first(partial(look, wishes=()), from_on, rules)
    today = timezone.now().astimezone(job.branch.tz).date()
    begins = found.from_on or from_on or today
    return _grid(found, begins, job.branch.tz, rules.chance_floor, is_later=begins > today, nearest=nearest)


def with_dates(grid: Grid, visit: Appointment, wishes: Sequence[Wish] | None, impossible: Sequence[Span]) -> Grid:
    """The same with when the job of a measure is installed, for each of its days; bounds as of `grid_for`."""
    days = [column.day for column in grid.columns if column.is_offered]
    if visit.purpose != Purpose.MEASURE or not days:
        return grid
    if wishes is None:
        wishes = list(visit.job.wishes.all())
        impossible = [(one.starts_at, one.ends_at) for one in visit.job.impossible_times.all()]
    found = BranchDates(visit.job.branch).of_call(Expected.of(visit.job, visit.purpose), days, wishes, impossible)
    return replace(grid, columns=tuple(replace(one, outlook=found.get(one.day)) for one in grid.columns))


def _first(look: Callable[..., Offers], from_on: dt.date | None, rules: CalendarRules) -> Offers:
    """The offers of the days from then on; without it, of the first days that have some."""
    found = look(days_ahead=DAYS, from_on=from_on)
    whole = found.from_on
    for ahead in range(DAYS, rules.days_offered if whole and from_on is None else 0, DAYS):
        if found.best or whole is None:
            break
        found = look(days_ahead=DAYS, from_on=whole + dt.timedelta(days=ahead))
    return found


def _grid(found: Offers, from_on: dt.date, tz: dt.tzinfo, floor: int, *, is_later: bool, nearest: str) -> Grid:
    placed = {(offer.day, _times(offer, tz)): offer for offer in found.best}
    times = sorted({one for _, one in placed})
    columns = [
        Column(day, tuple(Cell(dates.clocks(*one), placed.get((day, one))) for one in times)) for day in found.days
    ]
    return Grid(found, from_on, tuple(columns), tuple(dates.clocks(*one) for one in times), floor, is_later, nearest)


def _times(offer: Offer, tz: dt.tzinfo) -> Times:
    begin, end = (bound.astimezone(tz).time() for bound in offer.window)
    return begin, end
