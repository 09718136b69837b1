"""How likely a crew's day keeps its promises, from many sampled days (`jobs.rules.promises`)."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from jobs.rules.durations import PROMISE_QUANTILE
from jobs.rules.promises import Chance, Pause, PromisedVisit, UnderWay, chances
from jobs.rules.timeline import Timed
from jobs.schedule.availability import local
from jobs.schedule.day import Ahead, DaySchedule, Standing, State, moment, seconds

OVER: Final = (State.ARRIVED, State.DONE)
"""Nothing of a promise is to come any more."""
SEED: Final = 7
USUAL_SIGMA: Final = 0.35
"""Spread of a visit's minutes where nothing better is known; common practice, no published source."""
MOST_SHOWN: Final = 99
"""No promise is shown as certain."""
PASSED: Final = 0.95
"""Of a visit without a tap within its window, when the crew is at a later one; chosen, no published source."""
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
    """``91% on time``, ``56% on time: likely late``."""
    return f"{hundredths(chance.on_time)}% on time{': likely late' if chance.is_late else ''}"


def shown_share(chance: Chance) -> float:
    """The chance as other programs are shown it: the number that stands on the pages."""
    return hundredths(chance.on_time) / 100


def day_chances(day: DaySchedule, now: dt.datetime) -> dict[int, Chance]:
    """
    The chance of every promise still to be kept on this crew's day, by appointment.

    The days are sampled from where the crew is and no earlier than now, so a window that is over is
    missed. Nobody begins before the planned start, unless the crews' taps say that they begin as soon as
    they are there and the window is open. The visit the crew is at lasts as long as such visits last that
    have lasted so far. A promise to which nobody comes is missed too.
    """
    visits = day.by_pk
    due = {one.pk for one in day.standing if one.promised_from is not None and one.state not in OVER}
    if not due:
        return {}
    zero, passed = axis_of(day), _passed(day) if day.variation.unseen else frozenset()
    ahead = (day.of(one for one in day.standing if one.pk not in passed) if passed else day).ahead(now)
    found = {stop.key: one for stop, one in zip(ahead.stops, _sampled(day, ahead, zero, now), strict=True)}
    for pk in due:
        one = visits[pk]
        if pk in passed:
            found[pk] = Chance(PASSED, at := seconds(one.starts_at) - zero, at)
        if pk not in found or (one.promised_until is not None and one.promised_until < now):
            found[pk] = Chance(0.0, at := seconds(one.starts_at) - zero, at)
    return {pk: found[pk] for pk in visits if pk in due}


def _passed(day: DaySchedule) -> frozenset[int]:
    """Visits without a tap that stand before one that has some: the crew has gone on."""
    last = max((one.starts_at for one in day.standing if one.is_begun), default=None)
    return frozenset(one.pk for one in day.standing if last is not None and not one.is_begun and one.starts_at < last)


def _sampled(day: DaySchedule, ahead: Ahead, zero: int, now: dt.datetime) -> list[Chance]:
    """The chances of the stops ahead: from the last tap where one knows how often they are missing, else from now."""
    watched, one = ahead.is_running and bool(day.variation.unseen), ahead.under_way
    begin = ahead.since if watched else seconds(now) if one is not None else ahead.depart
    opens = 0 if watched else seconds(now) - zero
    return chances(
        [_visit(day, stop, zero, opens) for stop in ahead.stops],
        max(0, begin - zero),
        seed=SEED,
        variation=day.variation,
        pause=_pause(day, begin if watched else ahead.depart, zero, is_running=ahead.is_running),
        under_way=None if one is None else _under_way(one, one.arrived_at if watched and one.arrived_at else now),
        is_from_base=ahead.is_at_base and (watched or not ahead.is_running),
        is_driving=ahead.is_driving,
        now=float(seconds(now) - zero) if watched else None,
    )


def _under_way(one: Standing, now: dt.datetime) -> UnderWay:
    spent = (now - (one.arrived_at or now)).total_seconds()
    return UnderWay(one.minutes * 60, sigma_of(one.minutes, one.safe_min), max(0.0, spent))


def _pause(day: DaySchedule, begin: int, zero: int, *, is_running: bool) -> Pause | None:
    """Lunch, unless the crew sets out after it, or has gone on from a visit that was over by then."""
    lunch = day.work.lunch
    if lunch is None:
        return None
    latest = lunch.latest if is_running else lunch.earliest + dt.timedelta(minutes=lunch.minutes)
    last = max((tap for one in day.standing for tap in (one.on_the_way_at, one.arrived_at) if tap), default=None)
    ends = [one.done_at for one in day.standing if one.done_at is not None and one.done_at >= lunch.earliest]
    if begin >= seconds(latest) or (last is not None and any(end < last for end in ends)):
        return None
    return Pause(seconds(lunch.earliest) - zero, lunch.minutes * 60)


def axis_of(day: DaySchedule) -> int:
    """Where the sampled seconds begin: the midnight before the day before."""
    return seconds(local(day.crew.branch.tz, day.day - dt.timedelta(days=1), dt.time(0)))


def _visit(day: DaySchedule, stop: Timed, zero: int, opens: int) -> PromisedVisit:
    """A stop as it is sampled; nothing of it begins before `opens`."""
    one, promised = day.by_pk[stop.key], None
    begin = one.starts_at
    if one.promised_from is not None and one.promised_until is not None:
        promised = (float(seconds(one.promised_from) - zero), float(seconds(one.promised_until) - zero))
        begin = one.starts_at if day.variation.waits else min(one.starts_at, one.promised_from)
    sigma, opens = sigma_of(one.minutes, one.safe_min), max(0, opens, seconds(begin) - zero)
    return PromisedVisit(stop.drive, one.minutes * 60, sigma, opens, promised)


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
    is_off_today: bool = False
    """Whether the crew would get there only after it stops: nobody comes on that day any more."""

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
        ends = day.work.ends_at
        off = one.pk in expected and one.state != State.ON_THE_WAY and ends is not None and start > ends
        found[one.pk] = Outlook(promised.get(one.pk), expected.get(one.pk), late, day.is_manned(one.pk), off)
    return found
