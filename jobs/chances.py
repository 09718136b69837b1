"""How likely a crew's day keeps its promises, from the books (`jobs.rules.promises`)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from jobs.dispatch import BEGUN, Book, CrewDayBook
from jobs.models import Appointment, Crew
from jobs.planning import Calendar
from jobs.rules.durations import PROMISE_QUANTILE
from jobs.rules.promises import Chance, Pause, PromisedVisit, chances
from jobs.rules.routing import Plan

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


def doubtful(calendar: Calendar, plan: Plan, share: float) -> list[Doubt]:
    """
    The promises this plan keeps on fewer than `share` of sampled days, the worst first.

    Every crew is taken to leave as the plan has it, and visits to last as they are known to:
    the mean in the middle, the 85 % quantile where it is known.
    """
    problem = calendar.problem
    pks = [int(visit.id) for route in plan.routes for visit in route.visits]
    asked = Appointment.objects.filter(pk__in=pks).select_related("job__customer")
    rows = {row.pk: row for row in asked}
    crews = {crew.pk: crew.name for crew in Crew.objects.filter(branch=calendar.branch)}
    found = []
    for route in plan.routes:
        day = problem.days[problem.day_number[route.crew, route.shift]]
        at, visits = day.start_at, []
        for visit in route.visits:
            stop = problem.stops[problem.stop_number[visit.id]]
            visits.append(_sampled(calendar, rows[int(visit.id)], problem.rows[at][stop.at]))
            at = stop.at
        pause = Pause(day.lunch.earliest, day.lunch.duration) if day.lunch is not None else None
        for visit, sample, chance in zip(
            route.visits, visits, chances(visits, route.depart, seed=SEED, pause=pause), strict=True
        ):
            if sample.promised is not None and chance.on_time < share:
                row = rows[int(visit.id)]
                late = max(0, round((chance.late_start - sample.promised[1]) / 60))
                crew = crews[int(str(route.crew).partition("/")[0])]
                found.append(Doubt(row.pk, row.job.number, row.job.customer.name, crew, chance.on_time, late))
    return sorted(found, key=lambda one: one.on_time)


def _sampled(calendar: Calendar, row: Appointment, drive: float) -> PromisedVisit:
    promised = None
    if row.promised_from is not None and row.promised_until is not None:
        promised = (float(calendar.seconds(row.promised_from)), float(calendar.seconds(row.promised_until)))
    sigma = sigma_of(row.duration_min, row.duration_safe_min)
    return PromisedVisit(drive, row.duration_min * 60, sigma, promised=promised)
