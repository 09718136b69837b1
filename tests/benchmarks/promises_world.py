"""
A firm's days as they are, for `tests.benchmarks.promises`: nothing here comes from the program's own sampler.

Drives are gamma about the plan, on a day whose traffic is common to a crew's drives and is heavy on some; there
is parking on top. Crews leave late, some much. A visit is a mixture of a gamma and a lognormal time, and one in 15
takes half an hour more. Taps are forgotten, singly and for whole days. All times are seconds from midnight.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

HEAVY_DAYS: Final = 0.15
LATE_DEPARTURES: Final = 0.25
OVERRUNS: Final = 1 / 15
FORGOTTEN: Final = 0.1
"""Of single taps."""
SILENT_DAYS: Final = 0.04
"""Days on which a crew taps nothing at all."""
LUNCH_FROM: Final = 11.5 * 3600
LAST: Final = 17.5 * 3600
"""Nothing is planned to be over after this."""


@dataclass(frozen=True)
class Planned:
    """A stop as planned: its drive and service, its planned start, and the window it was promised."""

    drive: int
    service: int
    start: int
    begins: int
    ends: int


@dataclass(frozen=True)
class Lived:
    """When each visit (row) on each day (column) was set out for, reached, begun and over."""

    left: np.ndarray
    arrived: np.ndarray
    began: np.ndarray
    done: np.ndarray

    def is_kept(self, visits: list[Planned]) -> np.ndarray:
        """Whether the crew was at the door before the window's end; one that was early waited."""
        return np.asarray(self.arrived <= np.array([one.ends for one in visits])[:, None])


def live(rng: np.random.Generator, visits: list[Planned], days: int) -> Lived:
    """So many days with this plan."""
    traffic = np.where(
        rng.random(days) < HEAVY_DAYS, rng.lognormal(np.log(1.3), 0.12, days), rng.lognormal(np.log(0.99), 0.07, days)
    )
    late = rng.gamma(2.0, 150.0, days) + np.where(rng.random(days) < LATE_DEPARTURES, rng.exponential(900.0, days), 0)
    at = visits[0].start - visits[0].drive + late - 180.0
    hungry = np.full(days, True)
    found: list[list[np.ndarray]] = [[], [], [], []]
    for visit in visits:
        left = at
        parking = rng.gamma(2.0, 45.0, days)
        arrived = left + visit.drive * traffic * rng.gamma(14.0, 1.03 / 14.0, days) + parking
        began = np.maximum(arrived, visit.begins)
        done = began + _service(rng, visit.service, days)
        for kept, when in zip(found, (left, arrived, began, done), strict=True):
            kept.append(when)
        eats = hungry & (done >= LUNCH_FROM)
        hungry &= ~eats
        at = done + rng.gamma(2.0, 60.0, days) + np.where(eats, rng.gamma(30.0, 60.0, days), 0.0)
    return Lived(*(np.array(kept) for kept in found))


def _service(rng: np.random.Generator, planned: int, days: int) -> np.ndarray:
    smooth = rng.gamma(18.0, 0.97 / 18.0, days)
    rough = rng.lognormal(np.log(1.02), 0.4, days)
    longer = np.where(rng.random(days) < OVERRUNS, rng.uniform(1200.0, 2400.0, days), 0.0)
    return np.asarray(planned * np.where(rng.random(days) < 0.6, smooth, rough) + longer)


def taps(rng: np.random.Generator, lived: Lived) -> list[tuple[float | None, float | None, float | None]]:
    """Of one day: leaving, arrived and done of each visit as they were tapped; None for what was forgotten."""
    if rng.random() < SILENT_DAYS:
        return [(None, None, None)] * len(lived.left)
    rows = zip(lived.left[:, 0], lived.arrived[:, 0], lived.done[:, 0], strict=True)
    found = [tuple(None if rng.random() < FORGOTTEN else float(when) for when in row) for row in rows]
    return found  # type: ignore[return-value]  # three of three


def plan_day(rng: np.random.Generator, drives: np.ndarray) -> tuple[list[int], list[Planned]]:
    """
    Four to six visits at places of this table (row 0 is the base), one after the other from eight on.

    Windows are two hours, from even hours; the planned start lies where the day has it.
    """
    places: list[int] = []
    at, here, visits, is_eaten = 8 * 3600 + int(rng.integers(0, 4)) * 900, 0, [], False
    for place in rng.choice(np.arange(1, len(drives)), rng.integers(4, 7), replace=False).tolist():
        drive = int(drives[here][place])
        start = at if not visits else -(-(at + drive + int(rng.integers(0, 4)) * 300) // 300) * 300
        service = int(rng.choice([30, 45, 60, 75, 90])) * 60
        begins = start // 7200 * 7200
        if start - begins > 6300:  # nobody sells the last quarter hour of a window
            start = begins = begins + 7200
        if start + service > LAST:
            break
        places.append(place)
        visits.append(Planned(drive, service, start, begins, begins + 7200))
        at, here = start + service, place
        if not is_eaten and at >= LUNCH_FROM:
            at, is_eaten = at + 1800, True
    return places, visits
