"""Offers as a grid: days across, times down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.utils import timezone

from jobs.models import Appointment, CalendarRules
from jobs.schedule.availability import Span
from jobs.schedule.offers import Offer, Offers, offers_for
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

    @property
    def risky(self) -> int:
        return sum(offer.is_risky for offer in self.offers.best)

    @property
    def is_all_risky(self) -> bool:
        return bool(self.offers.best) and self.risky == len(self.offers.best)

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
) -> Grid:
    """
    The grid that begins on `from_on`; without it the first that offers anything, as far ahead as the branch offers.

    Parameters
    ----------
    possible, impossible
        Of a visit that is not saved, as for `offers_for`.
    """
    rules = CalendarRules.of(appointment.job.branch)
    tz = appointment.job.branch.tz
    today = timezone.now().astimezone(tz).date()
    first, asked = from_on, max(rules.days_offered, DAYS)
    for ahead in range(0, asked if from_on is None else 1, DAYS):
        found = offers_for(
            appointment,
            possible=possible,
            impossible=impossible,
            days_ahead=DAYS,
            from_on=first,
            most=EVERY,
            rules=rules,
        )
        if found.best or not found.days:
            break
        first = (found.from_on or today) + dt.timedelta(days=DAYS)
        if ahead + DAYS >= asked:
            found = offers_for(
                appointment, possible=possible, impossible=impossible, days_ahead=asked, most=EVERY, rules=rules
            )
    begins = found.from_on or from_on or today
    return _grid(found, begins, tz, rules.chance_floor, is_later=begins > today)


def _grid(found: Offers, from_on: dt.date, tz: dt.tzinfo, floor: int, *, is_later: bool) -> Grid:
    placed = {(offer.day, _times(offer, tz)): offer for offer in found.best}
    times = sorted({one for _, one in placed})
    columns = [
        Column(day, tuple(Cell(dates.clocks(*one), placed.get((day, one))) for one in times)) for day in found.days
    ]
    return Grid(found, from_on, tuple(columns), tuple(dates.clocks(*one) for one in times), floor, is_later)


def _times(offer: Offer, tz: dt.tzinfo) -> Times:
    begin, end = (bound.astimezone(tz).time() for bound in offer.window)
    return begin, end
