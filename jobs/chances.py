"""How likely a crew's day keeps its promises, from the books (`jobs.rules.promises`)."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Final

from jobs.dispatch import BEGUN, Book, CrewDayBook
from jobs.models import Appointment
from jobs.rules.durations import PROMISE_QUANTILE
from jobs.rules.promises import Chance, Pause, PromisedVisit, chances

SEED: Final = 7
USUAL_SIGMA: Final = 0.35
"""Spread of a visit's minutes where nothing better is known; common practice, no published source."""
_Z: Final = NormalDist().inv_cdf(PROMISE_QUANTILE)


def sigma_of(mean_min: float, safe_min: float | None) -> float:
    """
    The deviation of the logarithm of a time with this mean and 85 % quantile.

    Examples
    --------
    >>> round(sigma_of(60, 81), 2), sigma_of(60, None)
    (0.35, 0.35)
    """
    if not safe_min or safe_min <= mean_min:
        return USUAL_SIGMA
    ratio = math.log(safe_min / mean_min)
    inside = _Z * _Z - 2 * ratio
    return min(1.5, _Z - math.sqrt(inside)) if inside > 0 else 1.0


def chance_text(chance: Chance) -> str:
    """``likely, 91 in 100``."""
    return f"{chance.words}, {min(99, round(chance.on_time * 100))} in 100"


def day_chances(book: Book, one: CrewDayBook) -> dict[int, Chance]:
    """The chance of every promise still to be kept on this crew's day, by appointment."""
    timeline = one.timeline
    rows = {row.pk: row for row in one.appointments}
    rest = [stop for stop in timeline.stops if rows[stop.key].state not in BEGUN]
    if not any(rows[stop.key].is_promised() for stop in rest):
        return {}
    begun = [row for row in one.appointments if row.state in BEGUN]
    zero = int(one.work.shifts[0][0].timestamp()) - 43_200 if one.work.shifts else timeline.depart - 43_200
    first = rest[0]
    leaves = max((row.done_at or row.ends_at for row in begun if row.ends_at), default=None)
    depart = leaves.timestamp() if leaves is not None else first.start - first.drive
    visits = [visit_of(rows[stop.key], stop.drive, zero) for stop in rest]
    pause = None
    if one.work.lunch is not None:
        pause = Pause(one.work.lunch.earliest.timestamp() - zero, one.work.lunch.minutes * 60)
    told = chances(visits, max(0.0, depart - zero), seed=SEED, pause=pause)
    return {stop.key: chance for stop, chance in zip(rest, told, strict=True) if rows[stop.key].is_promised()}


def visit_of(row: Appointment, drive: float, zero: float) -> PromisedVisit:
    """An appointment for the sampler; times are seconds from `zero`."""
    promised = None
    if row.promised_from is not None and row.promised_until is not None:
        promised = (row.promised_from.timestamp() - zero, row.promised_until.timestamp() - zero)
    sigma = sigma_of(row.duration_min, row.duration_safe_min)
    return PromisedVisit(drive, row.duration_min * 60, sigma, promised=promised)
