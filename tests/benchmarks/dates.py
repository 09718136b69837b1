"""
Whether a job hangs by the date that was said on the phone as often as stated, in a world that is not the rule's own.

    python -m tests.benchmarks.dates [--days 365] [--seed 1] [--quick] [--dry]

`tests.benchmarks.dates_world` makes a firm's jobs for a year that the program learns from, week after week, and for
the year after it, on whose every call it says a date. docs/bench-dates.md is written.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import platform
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from jobs.rules.dates import CAREFUL, Course, Days, Goods, Past, Place, Supplied, Waits, forecast, learned
from tests.benchmarks.dates_world import CLOSED, CREW_MIN, PACK_DAYS, PLACES, Job, World, is_worked
from tests.benchmarks.promises import Stated, scores, tenths

DOCUMENT: Final = Path(__file__).resolve().parents[2] / "docs" / "bench-dates.md"
FIRST: Final = dt.date(2029, 1, 1)
"""A Monday."""
LEARNING: Final = 365
AFTER: Final = 150
"""Days after the last call, for its job to be over."""
LOOKED_BACK: Final = 1_200
"""Installed jobs that are learned from, the latest."""
SHARE: Final = 0.9
WISHES: Final = range(7, 64)
"""Days ahead of the call whose chances are stated."""
ENOUGH: Final = 1_000
"""Days in a tenth from which its gap counts."""
MOST_GAP: Final = 0.05


def date(day: int) -> dt.date:
    return FIRST + dt.timedelta(days=day)


@dataclass
class Said:
    """What was said on one call: the date, and the chance of each day a customer may ask for."""

    job: Job
    by: int
    wishes: list[tuple[int, float]]


@dataclass
class Found:
    said: list[Said] = field(default_factory=list)
    careful: list[Said] = field(default_factory=list)
    seconds: float = 0.0
    forecasts: float = 0.0


class Program:
    """What the program knows of the world on a day, and what it has learned."""

    def __init__(self, world: World, until: int) -> None:
        self.world = world
        self.days = Days(FIRST, [is_worked(day) for day in range(until)])
        self.waits: Waits = CAREFUL

    def learn(self) -> None:
        """From the jobs over by today, as the nightly work does."""
        today = self.world.day
        over = [job for job in self.world.jobs if job.installed is not None and job.installed < today]
        over = sorted(over, key=lambda job: job.installed or 0)[-LOOKED_BACK:]
        past = [
            Past(
                job.family, date(job.measure_planned),
                date(job.measured), *(date(day) for day in _steps(job)), ahead=job.ahead, load=job.load,
                closed=_closed(job),
            )
            for job in over
        ]  # fmt: skip
        supplied = [
            Supplied(job.kind.supplier, job.kind.lead, date(job.released), date(job.there), _closed(job))
            for job in over
            if job.is_supplied and job.released is not None and job.there is not None
        ]
        self.waits = learned(past, supplied, self.days, PACK_DAYS)

    def course(self, job: Job) -> Course:
        """A job as it is known on the phone: its family, its openings, and how the firm stands."""
        world, kind = self.world, job.kind
        standing = world.standing()
        lead = kind.lead if kind.is_bought else None
        short = float(world.is_out[job.family])
        goods = Goods(job.family, kind.supplier, lead, job.family, short, closed=_closed(job))
        places = tuple(
            Place(name, standing[name], minutes * job.openings, PLACES[name]) for name, minutes in kind.minutes.items()
        )
        minutes = min(25 + kind.hang_min * job.openings, CREW_MIN * 0.6)
        full = frozenset(date(day) for day in range(world.day, world.day + 60) if world.room_on(day) < minutes)
        today = date(world.day)
        return Course(
            today,
            date(job.measure_planned),
            job.family,
            goods=(goods,),
            places=places,
            pack_days=PACK_DAYS,
            no_room=full,
        )


def _closed(job: Job) -> tuple[tuple[dt.date, dt.date], ...]:
    return tuple((date(begin), date(end)) for begin, end in CLOSED.get(job.kind.supplier, ()))


def _steps(job: Job) -> tuple[int, int, int, int, int]:
    days = (job.approved, job.released, job.there, job.made, job.installed)
    assert None not in days
    return days  # type: ignore[return-value]  # none of them is None


def measure(days: int, seed: int) -> Found:
    """A year to learn from, and the days on which dates are said."""
    began = time.monotonic()
    world, found = World(seed), Found()
    program = Program(world, LEARNING + days + 3 * AFTER)
    while world.day < LEARNING + days + AFTER:
        if world.day % 7 == 0:
            program.learn()
        for job in world.open_day():
            if LEARNING <= world.day < LEARNING + days:
                begun = time.monotonic()
                course, wishes = program.course(job), [world.day + ahead for ahead in WISHES]
                for waits, kept in ((program.waits, found.said), (CAREFUL, found.careful)):
                    one = forecast(course, waits, program.days)
                    chances = [(day, one.chance(date(day))) for day in wishes]
                    kept.append(Said(job, (one.by(SHARE) - FIRST).days, chances))
                found.forecasts += time.monotonic() - begun
        world.close_day()
    found.said, found.careful = ([one for one in rows if not one.job.is_lost] for rows in (found.said, found.careful))
    found.seconds = time.monotonic() - began
    return found


def stated(said: list[Said]) -> Stated:
    """Chances of the wished days, and whether the job hung by then; weeks of calls stand together."""
    rows = Stated()
    for one in said:
        for day, chance in one.wishes:
            rows.add(chance, one.job.installed is not None and one.job.installed <= day, one.job.booked // 7)
    return rows


@dataclass(frozen=True)
class Family:
    """A family's dates: how many, share kept, mean days of the date said, and of the shortest fixed lead time."""

    name: str
    count: int
    kept: float
    said: float
    fixed: int

    @property
    def is_as_short(self) -> bool:
        return self.said <= self.fixed and self.kept >= SHARE - MOST_GAP


def families(said: list[Said]) -> list[Family]:
    """Each family's date of 90 % against the shortest number of days that, said to everybody, would have kept 90 %."""
    groups: dict[str, list[Said]] = defaultdict(list)
    for one in said:
        groups[one.job.family].append(one)
    found = []
    for name, rows in groups.items():
        taken = np.sort([(one.job.installed or 10**6) - one.job.booked for one in rows])
        fixed = int(taken[int(np.ceil(SHARE * len(taken))) - 1])
        kept = float(np.mean([one.job.installed is not None and one.job.installed <= one.by for one in rows]))
        found.append(Family(name, len(rows), kept, float(np.mean([one.by - one.job.booked for one in rows])), fixed))
    return found


def report(found: Found, others: list[tuple[int, Found]], asked: argparse.Namespace, load: tuple[float, ...]) -> str:
    """The page for docs."""
    quiet = "" if load[0] < 0.7 else " (the machine was shared)"
    rows = families(found.said)
    table = "\n".join(
        f"| {one.name} | {one.count:,} | {one.kept:.1%} | {one.said:.1f} | {one.fixed} | "
        f"{'yes' if one.is_as_short else '**no**'} |" for one in rows
    )  # fmt: skip
    mine, careful = scores(stated(found.said)), scores(stated(found.careful))
    return f"""# Dates, measured

{dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M} UTC; {os.cpu_count()} cores, {platform.machine()}, Python
{platform.python_version()}; load average at the start {load[0]:.1f}, {load[1]:.1f}, {load[2]:.1f}{quiet};
{found.seconds:.0f} s in all. Made by `python -m tests.benchmarks.dates --days {asked.days} --seed {asked.seed}`.

{len(found.said):,} jobs of a firm, booked in {asked.days} days after a year it learned from, in a world that is not the
rule's own (`tests/benchmarks/dates_world.py`): customers of three tempers, material that runs out for weeks, suppliers
late and closed, two work places with queues and bad days, crews that are full, visits that fail. What is said is said
on the phone, before anything is measured, from the product family, the openings, the measure's day and how the firm
stands. Jobs whose customer never says yes are left out. The rule is asked as the program asks it; the tables it reads
in a firm are not part of this.

{_verdicts(found)}
## The date said, against one lead time for everybody

The date by which the rule says nine of ten hang, in days from the call; beside it the fewest days that, said to every
customer of the family, would have kept nine of ten (known only after the year).

| family | jobs | said and kept | days said, mean | fixed lead time | at most as long |
| --- | --- | --- | --- | --- | --- |
{table}

## Stated and kept

On each call the chance of every day from {WISHES[0]} to {WISHES[-1]} days ahead, against what happened, by tenths. The
interval (95 %) draws whole weeks of calls again.

| stated | days | mean stated | kept | interval | stated less kept, points |
| --- | --- | --- | --- | --- | --- |
{_tenths(found.said)}

Brier score {mine.brier:.4f}, miscalibration {mine.miscalibration:.4f}, discrimination {mine.discrimination:.4f}; with
nothing learned {careful.brier:.4f}, {careful.miscalibration:.4f}, {careful.discrimination:.4f}. A forecast takes
{1000 * found.forecasts / 2 / max(1, len(found.careful)):.1f} ms.

## The same firm in other years

Other customers, deliveries and days by another seed; what runs out for weeks makes years differ most.

| seed | widest gap, points | dates kept | families at most as long, and kept |
| --- | --- | --- | --- |
{_again(others)}
"""


def _tenths(said: list[Said]) -> str:
    return "\n".join(
        f"| {one.begin:.1f} to {one.begin + 0.1:.1f} | {one.count:,} | {one.stated:.3f} | {one.kept:.3f} | "
        f"{one.low:.3f} to {one.high:.3f} | {(one.stated - one.kept) * 100:+.1f} |"
        for one in tenths(stated(said))
    )


@dataclass(frozen=True)
class Verdict:
    """What counts of one year: the widest gap of a tenth, the share of dates kept, families at most as long."""

    gap: float
    kept: float
    short: int
    families: int

    @classmethod
    def of(cls, said: list[Said]) -> Verdict:
        counted = [one for one in tenths(stated(said)) if one.count >= ENOUGH]
        rows = families(said)
        kept = [one.job.installed is not None and one.job.installed <= one.by for one in said]
        gap = max((abs(one.stated - one.kept) for one in counted), default=1.0)
        return cls(gap, float(np.mean(kept)), sum(one.is_as_short for one in rows), len(rows))


def _verdicts(found: Found) -> str:
    """What is asked beside what is measured."""
    one = Verdict.of(found.said)
    lines = [
        (f"widest gap of a tenth of {ENOUGH} days", "5 points", f"{one.gap * 100:.1f}", one.gap <= MOST_GAP),
        ("dates of nine in ten that were kept", "85 to 95 of 100", f"{one.kept:.1%}",
         abs(one.kept - SHARE) <= MOST_GAP),
        ("families whose date is at most as long as fixed, and kept", "4 of 5", f"{one.short} of {one.families}",
         one.short >= 4),
    ]  # fmt: skip
    table = "\n".join(f"| {a} | {b} | {c} | {'yes' if ok else '**no**'} |" for a, b, c, ok in lines)
    return f"| figure | asked | measured | kept |\n| --- | --- | --- | --- |\n{table}\n"


def _again(others: list[tuple[int, Found]]) -> str:
    """The same in years that went otherwise."""
    rows = [(seed, Verdict.of(found.said)) for seed, found in others]
    return "\n".join(
        f"| {seed} | {one.gap * 100:.1f} | {one.kept:.1%} | {one.short} of {one.families} |" for seed, one in rows
    )


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="40 days, nothing written")
    parser.add_argument("--dry", action="store_true", help="print only")
    asked, _ = parser.parse_known_args()
    asked.days = 40 if asked.quick else asked.days
    load = os.getloadavg()
    found = measure(asked.days, asked.seed)
    others = [
        (seed, measure(asked.days, seed)) for seed in range(asked.seed + 1, asked.seed + (1 if asked.quick else 4))
    ]
    text = report(found, others, asked, load)
    print(text)
    if not (asked.dry or asked.quick):
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
