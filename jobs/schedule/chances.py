"""How likely a crew's day keeps its promises, from many sampled days (`jobs.rules.promises`)."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from jobs.rules.durations import PROMISE_QUANTILE
from jobs.rules.promises import Chance, Pause, PromisedVisit, UnderWay, chances
from jobs.schedule.availability import local
from jobs.schedule.day import Ahead, DaySchedule, Standing, State, moment, seconds

OVER: Final = (State.ARRIVED, State.DONE)
"""Nothing of a promise is to come any more."""
SEED: Final = 7
USUAL_SIGMA: Final = 0.35
"""Spread of a visit's minutes where nothing better is known; common practice, no published source."""
MOST_SHOWN: Final = 99
"""No promise is shown as certain."""
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


def hundredths(share: float) -> int:
    """
    A chance as it is shown, of 100 days: never rounded up, lest the number say more than the word beside it.

    Examples
    --------
    >>> hundredths(0.899), hundredths(0.29), hundredths(1.0)
    (89, 29, 99)
    """
    return min(MOST_SHOWN, math.floor(round(share * 100, 6)))


def chance_text(chance: Chance) -> str:
    """``likely, 91 in 100``."""
    return f"{chance.words}, {hundredths(chance.on_time)} in 100"


def shown_share(chance: Chance) -> float:
    """The chance as other programs are shown it: the number that stands on the pages."""
    return hundredths(chance.on_time) / 100


def day_chances(day: DaySchedule, now: dt.datetime) -> dict[int, Chance]:
    """
    The chance of every promise still to be kept on this crew's day, by appointment.

    The days are sampled from where the crew is and no earlier than now, so a window that is over is
    missed; nobody begins before the planned start. The visit the crew is at lasts as long as such
    visits last that have lasted so far. A promise to which nobody comes is missed too.
    """
    visits = day.by_pk
    due = {one.pk for one in day.standing if one.promised_from is not None and one.state not in OVER}
    if not due:
        return {}
    ahead, zero = day.ahead(now), axis_of(day)
    sampled = [_sampled(visits[stop.key], stop.drive, zero, seconds(now)) for stop in ahead.stops]
    at, lasting = ahead.depart, None
    if ahead.under_way is not None:
        at, lasting = seconds(now), _under_way(ahead.under_way, now)
    found_chances = chances(sampled, max(0, at - zero), seed=SEED, pause=_pause(day, ahead, zero), under_way=lasting)
    found = {stop.key: chance for stop, chance in zip(ahead.stops, found_chances, strict=True)}
    missed = {pk: seconds(visits[pk].starts_at) - zero for pk in due}
    return {pk: found.get(pk) or Chance(0.0, missed[pk], missed[pk]) for pk in visits if pk in due}


def _under_way(one: Standing, now: dt.datetime) -> UnderWay:
    spent = (now - (one.arrived_at or now)).total_seconds()
    return UnderWay(one.minutes * 60, sigma_of(one.minutes, one.safe_min), max(0.0, spent))


def _pause(day: DaySchedule, ahead: Ahead, zero: int) -> Pause | None:
    """Lunch, unless the crew sets out after it."""
    lunch = day.work.lunch
    if lunch is None:
        return None
    eaten = lunch.latest if ahead.is_running else lunch.earliest + dt.timedelta(minutes=lunch.minutes)
    return None if ahead.depart >= seconds(eaten) else Pause(seconds(lunch.earliest) - zero, lunch.minutes * 60)


def axis_of(day: DaySchedule) -> int:
    """Where the sampled seconds begin: the midnight before the day before."""
    return seconds(local(day.crew.branch.tz, day.day - dt.timedelta(days=1), dt.time(0)))


def _sampled(one: Standing, drive: int, zero: int, now: int) -> PromisedVisit:
    promised = None
    if one.promised_from is not None and one.promised_until is not None:
        promised = (float(seconds(one.promised_from) - zero), float(seconds(one.promised_until) - zero))
    opens = max(0, max(seconds(one.starts_at), now) - zero)
    return PromisedVisit(drive, one.minutes * 60, sigma_of(one.minutes, one.safe_min), opens, promised)


@dataclass(frozen=True, slots=True)
class Outlook:
    """
    How it looks for a visit that is still to come: the one judgement every page shows.

    `expected` is when it will begin once the day runs otherwise than planned; `late_min` by how many
    minutes that, or its planned start, lies after the promised window.
    """

    chance: Chance | None
    expected: dt.datetime | None
    late_min: int
    is_manned: bool

    @property
    def is_late(self) -> bool:
        """Whether the promise will probably be missed."""
        return self.chance is not None and self.chance.is_late

    @property
    def text(self) -> str:
        """The chance in words and a number; empty without a promise."""
        return chance_text(self.chance) if self.chance is not None else ""


def outlooks(day: DaySchedule, now: dt.datetime) -> dict[int, Outlook]:
    """How it looks now for every visit of the day that is still to come."""
    promised, expected = day_chances(day, now), day.expected(now)
    found = {}
    for one in day.standing:
        if one.state in OVER:
            continue
        start, late = expected.get(one.pk) or moment(day.stops[one.pk].start), 0
        if one.promised_until is not None:
            late = max(0, math.ceil((start - one.promised_until).total_seconds() / 60))
        found[one.pk] = Outlook(promised.get(one.pk), expected.get(one.pk), late, day.is_manned(one.pk))
    return found
