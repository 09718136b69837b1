"""Offers as a grid: days across, times down."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from django.utils import timezone

from jobs.models import Appointment, CalendarRules, Wish
from jobs.schedule.availability import Span
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
