"""
A firm's jobs as they go, for `tests.benchmarks.dates`: nothing here comes from the program's own forecast.

Customers say yes at once, after a few days or after weeks, some never. Each family's material runs out for weeks at a
time; its supplier is late by a gamma, sometimes out of it himself, and closed for stretches. Two work places take the
jobs in order, some first, with days that go badly; crews hang them on the days customers choose, and some visits fail.
A measure visit in 25 has to be made again. Days are counted from the first; 5 and 6 of each seven are no working days.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np

PLACES: Final = {"cutting": 840.0, "assembly": 1900.0}
"""Minutes a day, as the firm has them in its books."""
MEASURES_A_DAY: Final = 9
CREW_MIN: Final = 1500.0
PACK_DAYS: Final = 1


@dataclass(frozen=True)
class Kind:
    """A product family: its share, minutes an opening by place and at the window, its supplier and its habits."""

    share: float
    minutes: dict[str, float]
    hang_min: float
    supplier: str
    lead: int
    runs_out: float
    """Share of the weeks on which its material has to be ordered."""
    is_bought: bool = False


KINDS: Final = {
    "roller": Kind(0.34, {"cutting": 18, "assembly": 42}, 20, "Fenwater", 6, 0.25),
    "cellular": Kind(0.22, {"cutting": 15, "assembly": 40}, 18, "Ropewalk", 8, 0.35),
    "roman": Kind(0.14, {"cutting": 30, "assembly": 95}, 28, "Weir", 11, 0.70),
    "slat": Kind(0.18, {}, 25, "Upland", 15, 1.0, is_bought=True),
    "vertical": Kind(0.12, {"cutting": 22, "assembly": 35}, 30, "Ropewalk", 8, 0.20),
}
CLOSED: Final = {"Weir": ((215, 228), (580, 593)), "Upland": ((355, 368), (720, 733)), "Fenwater": ((358, 364),)}
"""First and last closed day of each supplier's stretches."""
LATE_BY: Final = {"Fenwater": 1.0, "Ropewalk": 1.15, "Weir": 1.05, "Upland": 1.2}
HOLIDAYS: Final = frozenset(
    year * 365 + day for year in range(3) for day in (0, 17, 50, 148, 185, 248, 284, 329, 330, 358)
)


@dataclass
class Job:
    """One customer's, by the days of its steps; None: not yet, or never."""

    number: int
    family: str
    openings: int
    booked: int
    measure_planned: int
    measured: int = 0
    is_lost: bool = False
    approved: int | None = None
    released: int | None = None
    there: int | None = None
    made: int | None = None
    installed: int | None = None
    is_supplied: bool = False
    ahead: dict[str, float] = field(default_factory=dict)
    load: float = 0.0
    left: dict[str, float] = field(default_factory=dict)
    is_first: bool = False

    @property
    def kind(self) -> Kind:
        return KINDS[self.family]


def is_worked(day: int) -> bool:
    """Whether the firm works on it."""
    return day % 7 < 5 and day not in HOLIDAYS


class World:
    """The firm, a day at a time: `open_day` books, the caller asks the program what it says, `close_day` goes on."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.day = 0
        self.jobs: list[Job] = []
        self.measures: dict[int, int] = {}
        self.crew_load: dict[int, float] = {}
        self.crew_room: dict[int, float] = {}
        self.is_out = dict.fromkeys(KINDS, False)
        self.slow = 1.0

    # -- the calendar --

    def next_worked(self, day: int, count: int = 0) -> int:
        """The day so many working days after; for 0 the day itself or the first worked after it."""
        while not is_worked(day):
            day += 1
        for _ in range(count):
            day += 1
            while not is_worked(day):
                day += 1
        return day

    def room_on(self, day: int) -> float:
        """Minutes of the crews on a day; somebody is away on some."""
        if day not in self.crew_room:
            away = self.rng.choice([1.0, 0.67, 0.33], p=[0.85, 0.12, 0.03])
            self.crew_room[day] = CREW_MIN * away if is_worked(day) else 0.0
        return self.crew_room[day] - self.crew_load.get(day, 0.0)

    # -- a day --

    def open_day(self) -> list[Job]:
        """The calls of the day."""
        if not is_worked(self.day):
            return []
        season = 1 + 0.25 * np.sin(2 * np.pi * (self.day - 60) / 365)
        found = []
        for _ in range(int(self.rng.poisson(6.2 * season))):
            family = str(self.rng.choice(list(KINDS), p=[kind.share for kind in KINDS.values()]))
            openings = int(1 + self.rng.negative_binomial(2, 0.36))
            wished = self.next_worked(self.day, int(1 + self.rng.geometric(0.35)))
            while self.measures.get(wished, 0) >= MEASURES_A_DAY:
                wished = self.next_worked(wished, 1)
            self.measures[wished] = self.measures.get(wished, 0) + 1
            job = Job(len(self.jobs), family, openings, self.day, wished)
            self._decide(job)
            self.jobs.append(job)
            found.append(job)
        return found

    def _decide(self, job: Job) -> None:
        """How the customer goes on, which nobody knows yet."""
        rng = self.rng
        slip = int(rng.integers(2, 8)) if rng.random() < 0.04 else 0
        job.measured = self.next_worked(job.measure_planned, slip)
        kind = rng.random()
        if kind < 0.10:
            job.is_lost = True
        elif kind < 0.50:
            job.approved = self.next_worked(job.measured, int(rng.random() < 0.4))
        elif kind < 0.92:
            job.approved = self.next_worked(job.measured, 1 + int(rng.gamma(2.0, 1.8)))
        else:
            job.approved = self.next_worked(job.measured, 5 + int(rng.lognormal(1.8, 0.6)))
        if job.approved is not None:
            job.released = self.next_worked(job.approved, int(rng.geometric(0.65)) - 1)
            job.is_first = rng.random() < 0.08
            job.left = {name: minutes * job.openings for name, minutes in job.kind.minutes.items()}

    def standing(self) -> dict[str, float]:
        """Minutes released and not made, by place, as the firm's books have them."""
        found = dict.fromkeys(PLACES, 0.0)
        for job in self.jobs:
            if job.released is not None and job.released <= self.day and job.made is None:
                for name, minutes in job.left.items():
                    found[name] += minutes
        return found

    def close_day(self) -> None:
        """What is released, delivered, made and hung today."""
        if is_worked(self.day):
            if self.day % 7 == 0:
                for family, kind in KINDS.items():
                    stays = self.rng.random() < 0.75
                    self.is_out[family] = self.is_out[family] if stays else self.rng.random() < kind.runs_out
            for job in self._of_today("released"):
                self._order(job)
            for job in self._of_today("there"):
                if not job.left:
                    self._to_hang(job)
                standing = self.standing()
                job.load = max((standing[name] / PLACES[name] for name in job.left), default=0.0)
            self._work()
        self.day += 1

    def _of_today(self, name: str) -> Iterator[Job]:
        return (job for job in self.jobs[-900:] if getattr(job, name) == self.day)

    def _order(self, job: Job) -> None:
        """What is not on the shelf is ordered; it comes when it comes."""
        rng, kind = self.rng, job.kind
        standing = self.standing()
        job.ahead = {name: (standing[name] - job.left[name]) / PLACES[name] for name in job.left}
        if not kind.is_bought and not self.is_out[job.family]:
            job.there = self.day
            return
        taken = kind.lead * LATE_BY[kind.supplier] * rng.gamma(22.0, 1 / 22.0) + float(rng.random() < 0.4)
        if rng.random() < 0.05:
            taken += float(rng.uniform(4, 12))
        days, at = max(1, round(taken)), self.day
        for _ in range(days):
            at = self.next_worked(at, 1)
            while any(begin <= at <= end for begin, end in CLOSED.get(kind.supplier, ())):
                at = self.next_worked(at, 1)
        job.there = at
        job.is_supplied = True

    def _work(self) -> None:
        """The places work through what is there, in order, cutting before assembly."""
        if self.rng.random() < 0.15:
            self.slow = float(self.rng.uniform(0.55, 0.95))
        elif self.rng.random() < 0.5:
            self.slow = 1.0
        here = [job for job in self.jobs if job.there is not None and job.there <= self.day and job.made is None]
        here = [job for job in here if job.left]
        here.sort(key=lambda job: (not job.is_first, job.released, job.number))
        for name, minutes in PLACES.items():
            capacity = minutes * self.slow * float(self.rng.normal(1.0, 0.07))
            for job in here:
                if capacity <= 0:
                    break
                if name == "assembly" and job.left["cutting"] > 0:
                    continue
                done = min(capacity, job.left[name])
                job.left[name] -= done
                capacity -= done
        for job in here:
            if all(left <= 1e-9 for left in job.left.values()):
                self._to_hang(job)

    def _to_hang(self, job: Job) -> None:
        """The customer chooses a day that the crews have; now and then nobody is in, or something is wrong."""
        job.made = self.day
        minutes = 25 + job.kind.hang_min * job.openings
        ready = self.next_worked(self.day, PACK_DAYS)
        day = self.next_worked(ready, int(self.rng.choice([0, 1, 2, 3, 5, 8], p=[0.18, 0.24, 0.22, 0.18, 0.12, 0.06])))
        fits_on = int(self.rng.integers(0, 5)) if self.rng.random() < 0.25 else None
        while self.room_on(day) < min(minutes, CREW_MIN * 0.6) or (fits_on is not None and day % 7 != fits_on):
            day = self.next_worked(day, 1)
            if day - ready > 40:
                break
        self.crew_load[day] = self.crew_load.get(day, 0.0) + minutes
        again = self.rng.random() < 0.04
        job.installed = self.next_worked(day, int(self.rng.integers(3, 9))) if again else day
