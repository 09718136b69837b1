"""What a bound on one visit's time costs."""

from __future__ import annotations

from jobs.rules.routing.model import Objective
from jobs.rules.slots import Gap, StandingDay, cost_of_bounds
from jobs.rules.timeline import Planned, drive_day

HOUR = 3600
TRAVEL = [[0, 1800, 1800], [1800, 0, 300], [1800, 300, 0]]
"""A base, a visit that stands, and one five minutes from it; half an hour from the base."""
PRICES = Objective(drive=2, paid=1, overtime=0)


def a_day(begin: int, *stands: Planned) -> Gap:
    """A crew's day of nine hours from `begin`, and the way to the new visit."""
    timeline = drive_day(stands, TRAVEL, 0)
    latest = tuple(stop.start for stop in timeline.stops)
    shift = (begin, begin + 9 * HOUR)
    day = StandingDay(timeline, latest, TRAVEL, 0, (shift,), shift[1], None, PRICES)
    return Gap(day, [row[2] for row in TRAVEL], TRAVEL[2])


def test_a_bound_costs_what_its_cheapest_time_costs_more():
    """
    Right after the neighbour an hour costs 300 s of driving and 3,900 s paid; alone on the other day 3,600 and 7,200.

    Three hours after it 9,300 s are paid more, a crew that waits among them.
    """
    beside = a_day(0, Planned("a", 1, HOUR, 2 * HOUR))
    alone = a_day(24 * HOUR)
    days = (0, 48 * HOUR)
    after = [(5 * HOUR, 5 * HOUR)]

    assert cost_of_bounds([beside, alone], HOUR, [days], [days]) == 0
    assert cost_of_bounds([beside, alone], HOUR, [days], [(24 * HOUR, 33 * HOUR)]) == 2 * 3300 + 3300
    assert cost_of_bounds([beside], HOUR, [days], after) == 2 * HOUR - 300
    assert cost_of_bounds([beside, alone], HOUR, [days], [(10 * HOUR, 20 * HOUR)]) is None


def test_nobody_sets_out_before_now():
    """At ten, half an hour from the base, nothing begins before half past."""
    gap = a_day(8 * HOUR)
    slot = StandingDay(
        gap.day.timeline, (), TRAVEL, 0, gap.day.shifts, gap.day.end, None, PRICES, now=10 * HOUR
    ).best((9 * HOUR, 12 * HOUR), HOUR, gap.into, gap.out_of)  # fmt: skip

    assert slot.start == 10 * HOUR + 1800
