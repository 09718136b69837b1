"""The promises a plan would keep on too few days."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from jobs.rules.routing import Plan
from jobs.schedule.chances import axis_of, day_chances
from jobs.schedule.day import seconds
from jobs.schedule.plan import PlanProblem, days_under


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


def doubtful(found: PlanProblem, plan: Plan, share: float, now: dt.datetime) -> list[Doubt]:
    """
    The promises this plan keeps on fewer than `share` of sampled days, the worst first.

    Every crew is taken to leave as the plan has it, and visits to last as they are known to:
    the mean in the middle, the 85 % quantile where it is known.
    """
    doubts = []
    for day in days_under(found, plan).values():
        for pk, chance in day_chances(day, now).items():
            if chance.on_time < share:
                row, until = found.rows[pk], day.by_pk[pk].promised_until
                assert until is not None
                late = max(0, round((chance.late_start + axis_of(day) - seconds(until)) / 60))
                doubts.append(Doubt(pk, row.job.number, row.job.customer.name, day.crew.name, chance.on_time, late))
    return sorted(doubts, key=lambda one: one.on_time)
