"""How likely a crew's day keeps its promises, from many sampled days (`jobs.rules.promises`)."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from jobs.rules.durations import PROMISE_QUANTILE
from jobs.rules.promises import Chance, Pause, PromisedVisit, chances
from jobs.rules.routing import Plan
from jobs.schedule.availability import local
from jobs.schedule.day import DaySchedule, Standing, seconds
from jobs.schedule.plan import PlanProblem, days_under

SEED: Final = 7
USUAL_SIGMA: Final = 0.35
"""Spread of a visit's minutes where nothing better is known; common practice, no published source."""
MOST_TOLD: Final = 0.99
"""No promise is told as certain."""
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
    return f"{chance.words}, {round(min(MOST_TOLD, chance.on_time) * 100)} in 100"


def share_told(chance: Chance) -> float:
    """The chance as other programs are told it, to three digits; capped as on the pages."""
    return round(min(MOST_TOLD, chance.on_time), 3)


def day_chances(day: DaySchedule) -> dict[int, Chance]:
    """The chance of every promise still to be kept on this crew's day, by appointment."""
    visits = day.by_pk
    rest = [stop for stop in day.timeline.stops if not visits[stop.key].is_begun]
    if all(visits[stop.key].promised_from is None for stop in rest):
        return {}
    zero = axis_of(day)
    left = max((one.done_at or one.ends_at for one in day.standing if one.is_begun), default=None)
    depart = seconds(left) if left is not None else rest[0].start - rest[0].drive
    sampled = [_sampled(visits[stop.key], stop.drive, zero) for stop in rest]
    lunch, pause = day.work.lunch, None
    if lunch is not None:
        pause = Pause(seconds(lunch.earliest) - zero, lunch.minutes * 60)
    told = chances(sampled, max(0, depart - zero), seed=SEED, pause=pause)
    return {
        stop.key: chance
        for stop, chance in zip(rest, told, strict=True)
        if visits[stop.key].promised_from is not None
    }


def axis_of(day: DaySchedule) -> int:
    """Where the sampled seconds begin: the midnight before the day before."""
    return seconds(local(day.crew.branch.tz, day.day - dt.timedelta(days=1), dt.time(0)))


def _sampled(one: Standing, drive: int, zero: int) -> PromisedVisit:
    promised = None
    if one.promised_from is not None and one.promised_until is not None:
        promised = (float(seconds(one.promised_from) - zero), float(seconds(one.promised_until) - zero))
    return PromisedVisit(drive, one.minutes * 60, sigma_of(one.minutes, one.safe_min), promised=promised)


@dataclass(frozen=True, slots=True)
class Doubt:
    """A promise a plan would keep on fewer of the sampled days than wanted."""

    appointment: int
    number: str
    customer: str
    crew: str
    on_time: float
    late_min: int
    """Minutes after its promised end at which it begins at the latest on 85 of 100 days; 0 when within."""


def doubtful(found: PlanProblem, plan: Plan, share: float) -> list[Doubt]:
    """
    The promises this plan keeps on fewer than `share` of sampled days, the worst first.

    Every crew is taken to leave as the plan has it, and visits to last as they are known to:
    the mean in the middle, the 85 % quantile where it is known.
    """
    doubts = []
    for day in days_under(found, plan).values():
        for pk, chance in day_chances(day).items():
            if chance.on_time < share:
                row, until = found.rows[pk], day.by_pk[pk].promised_until
                assert until is not None
                late = max(0, round((chance.late_start + axis_of(day) - seconds(until)) / 60))
                doubts.append(
                    Doubt(pk, row.job.number, row.job.customer.name, day.crew.name, chance.on_time, late)
                )
    return sorted(doubts, key=lambda one: one.on_time)
