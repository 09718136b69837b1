"""
Whether promises are kept as often as stated, in a world that is not the sampler's own.

    python -m tests.benchmarks.promises [--crew-days 5000] [--learning-days 60] [--quick] [--dry]

`tests.benchmarks.promises_world` makes a firm's days. The program reads them from its tables, learns from the taps of
the learning days by the service that a firm's nights run, and states the chance of every promise of the days after,
before and after it learned. What it stated is compared with what happened; docs/bench-promises.md is written.

References
----------
.. [1] T. Dimitriadis, T. Gneiting, A. I. Jordan (2021). Stable reliability diagrams for probabilistic classifiers.
       PNAS 118(8), e2016191118: miscalibration, discrimination and uncertainty by isotonic recalibration.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import platform
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "bench-promises.md"
CREWS: Final = 8
SITES: Final = 150
KNOWN_DAYS: Final = 4_000
"""Days by which somebody who knows the world works a true chance out."""
BOOTSTRAPS: Final = 1_000
LATER_HOUR: Final = 11
HISTORY: Final = """## Before taps taught it anything

2026-11-30, at commit a48fe42, the same days: fixed lognormal spreads, no late departures, lunch before the stop that is
reached, and no tap taken for a crew that stands still. In the morning Brier score 0.0821, 12.0 % above who knows,
miscalibration 0.0064, discrimination 0.0132; of 1,675 promises stated 0.858 on average, 0.709 were kept. At 11 on the
running day Brier score 0.1619, miscalibration 0.0592, discrimination 0.0239, windows that were over among them.
"""


# -- what was stated against what happened ---------------------------------------------


@dataclass
class Stated:
    """Chances stated, whether each promise was kept, and the crew-day each stands on."""

    chance: list[float] = field(default_factory=list)
    kept: list[bool] = field(default_factory=list)
    group: list[int] = field(default_factory=list)

    def add(self, chance: float, kept: bool, group: int) -> None:
        self.chance.append(chance)
        self.kept.append(kept)
        self.group.append(group)


@dataclass(frozen=True)
class Scores:
    """The Brier score and its parts: miscalibration - discrimination + uncertainty."""

    brier: float
    miscalibration: float
    discrimination: float
    uncertainty: float


def scores(stated: Stated) -> Scores:
    """The isotonic (CORP) decomposition of the Brier score [1]_."""
    chance, kept = np.array(stated.chance), np.array(stated.kept, dtype=float)
    brier, uncertainty = float(np.mean((chance - kept) ** 2)), float(np.var(kept))
    again = float(np.mean((isotonic(chance, kept) - kept) ** 2))
    return Scores(brier, brier - again, uncertainty - again, uncertainty)


def isotonic(chance: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """
    The monotone recalibration of these chances, by pooling adjacent violators; ties are one value.

    >>> isotonic(np.array([0.1, 0.2, 0.3, 0.3]), np.array([1.0, 0.0, 1.0, 0.0])).tolist()
    [0.5, 0.5, 0.5, 0.5]
    """
    values, place, counts = np.unique(chance, return_inverse=True, return_counts=True)
    means = np.bincount(place, weights=kept, minlength=len(values)) / counts
    pools: list[list[float]] = []  # mean, weight, how many values
    for mean, count in zip(means.tolist(), counts.tolist(), strict=True):
        pools.append([mean, count, 1])
        while len(pools) > 1 and pools[-2][0] >= pools[-1][0]:
            last, before = pools.pop(), pools.pop()
            weight = last[1] + before[1]
            pools.append([(last[0] * last[1] + before[0] * before[1]) / weight, weight, last[2] + before[2]])
    return np.repeat([pool[0] for pool in pools], [int(pool[2]) for pool in pools])[place]


@dataclass(frozen=True)
class Tenth:
    """Promises stated within a tenth: how many, mean stated, share kept with its 95 % interval by crew-day."""

    begin: float
    count: int
    stated: float
    kept: float
    low: float
    high: float


def tenths(stated: Stated) -> list[Tenth]:
    """By tenths of the stated chance; the intervals draw whole crew-days again."""
    rng = np.random.default_rng(11)
    chance, kept = np.array(stated.chance), np.array(stated.kept, dtype=float)
    _, group = np.unique(np.array(stated.group), return_inverse=True)
    spot, size = np.minimum(9, (chance * 10).astype(int)), int(group.max()) + 1
    counts, sums = np.zeros((size, 10)), np.zeros((size, 10))
    np.add.at(counts, (group, spot), 1)
    np.add.at(sums, (group, spot), kept)
    drawn = rng.multinomial(size, np.full(size, 1 / size), BOOTSTRAPS)
    with np.errstate(invalid="ignore"):
        shares = (drawn @ sums) / (drawn @ counts)
    found = []
    for one in range(10):
        here = spot == one
        if here.any():
            low, high = np.nanquantile(shares[:, one], (0.025, 0.975))
            found.append(
                Tenth(one / 10, int(here.sum()), float(chance[here].mean()), float(kept[here].mean()), low, high)
            )
    return found


# -- the firm --------------------------------------------------------------------------


@dataclass
class Day:
    """One crew's day: which rows it has, as planned and as it was lived."""

    crew: Any
    day: dt.date
    rows: list[Any]
    visits: list[Any]
    lived: Any
    taps: list[Any]


class Firm:
    """A branch with crews and sites in a database of its own, and days of the world in it."""

    def __init__(self, seed: int) -> None:
        from jobs.models import CalendarRules, Job, Site, WorkingHours
        from jobs.schedule.travel import travel_between
        from tests.factories import make_branch, make_crew, make_customer, make_user

        self.rng = np.random.default_rng(seed)
        self.branch = make_branch()
        CalendarRules.objects.create(branch=self.branch, holiday_country="")
        self.by = make_user("dispatcher", branch=self.branch)
        self.crews = [make_crew(self.branch, hours="8:00 18:00") for _ in range(CREWS)]
        WorkingHours.objects.update(lunch_from=dt.time(11, 30), lunch_until=dt.time(14), lunch_min=30)
        customer = make_customer(self.branch)
        self.jobs = []
        for number in range(SITES):
            lat, lon = 41.87 + self.rng.normal(0, 0.05), -88.31 + self.rng.normal(0, 0.07)
            site = Site.objects.create(
                branch=self.branch, customer=customer, street=f"{number} Kiln Lane", town="Millrace",
                latitude=lat, longitude=lon,
            )  # fmt: skip
            job = Job.objects.create(
                branch=self.branch, number=f"P-{number}", customer=customer, site=site, created_by=self.by
            )
            self.jobs.append(job)
        points = [(self.branch.longitude, self.branch.latitude), *(job.site.point for job in self.jobs)]
        self.drives = travel_between(self.branch, points).seconds

    def moment(self, day: dt.date, seconds: float) -> dt.datetime:
        """Seconds from the branch's midnight of that day."""
        return dt.datetime.combine(day, dt.time(0), self.branch.tz) + dt.timedelta(seconds=round(seconds))

    def live(self, days: Sequence[dt.date]) -> list[Day]:
        """Plans these days for every crew, lives them, and stores what was planned; nobody has tapped yet."""
        from jobs.models import Appointment
        from tests.benchmarks.promises_world import live, plan_day, taps

        found = []
        for day in days:
            for crew in self.crews:
                places, visits = plan_day(self.rng, self.drives)
                rows = [
                    Appointment(
                        job=self.jobs[place - 1], purpose="measure", state="promised", crew=crew, day=day,
                        starts_at=self.moment(day, one.start), duration_min=one.service // 60,
                        duration_safe_min=round(one.service / 60 * 1.3), created_by=self.by,
                        promised_from=self.moment(day, one.begins), promised_until=self.moment(day, one.ends),
                    )
                    for place, one in zip(places, visits, strict=True)
                ]  # fmt: skip
                lived = live(self.rng, visits, 1)
                found.append(Day(crew, day, rows, visits, lived, taps(self.rng, lived)))
        Appointment.objects.bulk_create([row for one in found for row in one.rows])
        return found

    def tapped(self, one: Day, until: dt.datetime | None = None) -> Iterator[tuple[Any, dict[str, Any]]]:
        """Each row of a day with its state and times as the crew's taps have them, those after `until` left out."""
        names = ("on_the_way_at", "arrived_at", "done_at")
        for row, times in zip(one.rows, one.taps, strict=True):
            moments = [
                (name, self.moment(one.day, at)) for name, at in zip(names, times, strict=True) if at is not None
            ]
            known = {name: when for name, when in moments if until is None or when <= until}
            states = {"on_the_way_at": "on_the_way", "arrived_at": "arrived", "done_at": "done"}
            last = [states[name] for name in names if name in known]
            yield row, known | ({"state": last[-1]} if last else {})

    def store_taps(self, days: Sequence[Day]) -> None:
        """The taps of these days as they stand in the firm's books."""
        from jobs.models import Appointment

        rows = []
        for one in days:
            for row, values in self.tapped(one):
                for name, value in values.items():
                    setattr(row, name, value)
                rows.append(row)
        Appointment.objects.bulk_update(rows, ["state", "on_the_way_at", "arrived_at", "done_at"], batch_size=400)


def weekdays(first: dt.date, count: int, step: int) -> list[dt.date]:
    """So many days from Monday to Friday, forwards or backwards."""
    found, day = [], first
    while len(found) < count:
        if day.weekday() < 5:
            found.append(day)
        day += dt.timedelta(days=step)
    return found


def state_chances(firm: Firm, days: Sequence[Day], hour: int) -> tuple[Stated, Stated]:
    """
    What the program says of every promise still to come at that hour, by its own schedule and sampler.

    Aside those whose window is over with nobody tapped: a rule says that they are missed, not the sampler.
    """
    from jobs.schedule.chances import day_chances
    from jobs.schedule.day import read_schedule

    stated, over, group = Stated(), Stated(), 0
    for start in range(0, len(days), CREWS):
        several = days[start : start + CREWS]
        day, now = several[0].day, firm.moment(several[0].day, hour * 3600)
        schedule = read_schedule(firm.branch, firm.crews, [day])
        for one in several:
            group += 1
            as_tapped = {row.pk: values for row, values in firm.tapped(one, now)}
            read = schedule.days[one.crew.pk, day]
            read = read.of(each._replace(**as_tapped[each.pk]) for each in read.standing)
            found = day_chances(read, now)
            kept = one.lived.is_kept(one.visits)[:, 0]
            for row, was_kept in zip(one.rows, kept.tolist(), strict=True):
                if row.pk in found:
                    (over if row.promised_until < now else stated).add(found[row.pk].on_time, was_kept, group)
    return stated, over


def true_chances(days: Sequence[Day]) -> Stated:
    """What somebody states who knows how the world goes, though not how this day will."""
    from tests.benchmarks.promises_world import live

    rng, stated = np.random.default_rng(99), Stated()
    for group, one in enumerate(days):
        shares = live(rng, one.visits, KNOWN_DAYS).is_kept(one.visits).mean(axis=1)
        for share, kept in zip(shares.tolist(), one.lived.is_kept(one.visits)[:, 0].tolist(), strict=True):
            stated.add(share, kept, group)
    return stated


# -- the page --------------------------------------------------------------------------


@dataclass
class Found:
    """All that is measured: at seven in the morning and on the running day, and what the world allows."""

    visits: int
    crew_days: int
    known: Stated
    morning: dict[str, Stated]
    running: dict[str, Stated]
    over: Stated
    seconds: float = 0.0


def measure(crew_days: int, learning_days: int, seed: int) -> Found:
    """Lives the firm's days, has it learn, and asks for every chance before and after."""
    from jobs.services import learning as services

    began = time.monotonic()
    firm = Firm(seed)
    today = dt.datetime.now(firm.branch.tz).date()
    past = firm.live(weekdays(today - dt.timedelta(days=1), learning_days, -1))
    firm.store_taps(past)
    days = firm.live(weekdays(today + dt.timedelta(days=1), -(-crew_days // CREWS), 1))
    morning, running = {}, {}
    for key in ("before", "after"):
        if key == "after":
            services.learn_times(branch=firm.branch)
        morning[key], _ = state_chances(firm, days, 6)
        running[key], over = state_chances(firm, days, LATER_HOUR)
    known = true_chances(days)
    return Found(len(known.kept), len(days), known, morning, running, over, time.monotonic() - began)


def report(found: Found, asked: argparse.Namespace, load: tuple[float, ...]) -> str:
    """The page for docs."""
    cores = os.cpu_count() or 1
    quiet = "" if load[0] < 0.7 else " (the machine was shared)"
    known = scores(found.known)
    kept = float(np.mean(found.known.kept))
    names = {"before": "nothing learned (careful)", "after": f"after {asked.learning_days} days of taps"}
    lines = [_line("somebody who knows the world", known, known)]
    lines += [_line(f"the program, {names[key]}", scores(stated), known) for key, stated in found.morning.items()]
    last = list(found.morning)[-1]
    return f"""# Promises, measured

{dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M} UTC; {cores} cores, {platform.machine()}, Python {platform.python_version()};
load average at the start {load[0]:.1f}, {load[1]:.1f}, {load[2]:.1f}{quiet}; {found.seconds:.0f} s in all.
Made by `{_command(asked)}`.

{found.crew_days:,} days of a crew with {found.visits:,} promised visits, lived in a world that is not the program's own
(`tests/benchmarks/promises_world.py`): gamma drives on days of common traffic, heavy on some; late departures; visits
of two mixed shapes, one in 15 half an hour longer; a tenth of the taps forgotten, and some days' whole. {kept:.1%} of
the promises are kept.

## Stated in the morning, before anybody leaves

Brier score = miscalibration - discrimination + uncertainty, by isotonic recalibration (Dimitriadis, Gneiting, Jordan,
PNAS 118, 2021). Whoever knows the world knows its spreads, not the day to come: {KNOWN_DAYS:,} days of it a promise.

| chance stated by | Brier score | miscalibration | discrimination | uncertainty | above who knows |
| --- | --- | --- | --- | --- | --- |
{chr(10).join(lines)}

{_verdicts(found, known)}
{_table(found.morning[last], names[last])}
## Stated at {LATER_HOUR} on the running day, from the taps there are

{chr(10).join(_running(names[key], stated) for key, stated in found.running.items())}
- {len(found.over.kept):,} promises more, whose window is over with nobody tapped as there, are stated as missed by
  rule; of these {np.mean(found.over.kept):.0%} were kept and the tap forgotten, which is why the crew is asked.

{_table(found.running[last], names[last])}
{HISTORY}"""


def _command(asked: argparse.Namespace) -> str:
    days = f"--crew-days {asked.crew_days} --learning-days {asked.learning_days}"
    return f"python -m tests.benchmarks.promises {days} --seed {asked.seed}"


def _line(name: str, one: Scores, known: Scores) -> str:
    above = "" if one is known else f"{one.brier / known.brier - 1:.1%}"
    return (
        f"| {name} | {one.brier:.4f} | {one.miscalibration:.4f} | {one.discrimination:.4f} | "
        f"{one.uncertainty:.4f} | {above} |"
    )


def _running(name: str, stated: Stated) -> str:
    one = scores(stated)
    return (
        f"- {name}: {len(stated.kept):,} promises nobody has tapped as reached; Brier {one.brier:.4f}, miscalibration "
        f"{one.miscalibration:.4f}, discrimination {one.discrimination:.4f}."
    )


def _table(stated: Stated, name: str) -> str:
    rows = "\n".join(
        f"| {one.begin:.1f} to {one.begin + 0.1:.1f} | {one.count:,} | {one.stated:.3f} | {one.kept:.3f} | "
        f"{one.low:.3f} to {one.high:.3f} | {'' if one.count < 1000 else f'{(one.stated - one.kept) * 100:+.1f}'} |"
        for one in tenths(stated)
    )
    return f"""By tenths of what is stated, {name}; the interval (95 %) draws whole crew-days again; the difference in
points where a tenth has 1,000 promises:

| stated | promises | mean stated | kept | interval | stated less kept |
| --- | --- | --- | --- | --- | --- |
{rows}
"""


def _verdicts(found: Found, known: Scores) -> str:
    """What is asked beside what is measured."""
    last = found.morning[list(found.morning)[-1]]
    one, before = scores(last), scores(found.morning["before"])
    gap = max((abs(t.stated - t.kept) for t in tenths(last) if t.count >= 1000), default=0.0)
    rows = [
        ("crew-days", "5,000 or more", f"{found.crew_days:,}", found.crew_days >= 5000),
        ("miscalibration", "0.001 or less", f"{one.miscalibration:.4f}", one.miscalibration <= 0.001),
        (
            "discrimination", "not under what it was before it learned", f"{one.discrimination:.4f} "
            f"(before: {before.discrimination:.4f})", one.discrimination >= before.discrimination - 0.0002,
        ),
        ("Brier score above who knows", "2 % or less", f"{one.brier / known.brier - 1:.1%}",
         one.brier <= known.brier * 1.02),
        ("widest gap of a tenth of 1,000", "4 points", f"{gap * 100:.1f}", gap <= 0.04),
    ]  # fmt: skip
    lines = "\n".join(f"| {a} | {b} | {c} | {'yes' if ok else '**no**'} |" for a, b, c, ok in rows)
    return f"| figure | asked | measured | kept |\n| --- | --- | --- | --- |\n{lines}\n"


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--crew-days", type=int, default=5_000)
    parser.add_argument("--learning-days", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="400 crew-days, nothing written")
    parser.add_argument("--dry", action="store_true", help="print only")
    asked, _ = parser.parse_known_args()
    asked.crew_days = 400 if asked.quick else asked.crew_days
    load = os.getloadavg()
    with tempfile.TemporaryDirectory(prefix="jw-promises-") as folder:
        os.environ["JAMBWISE_DATA"] = folder
        os.environ["DATABASE_URL"] = f"sqlite:///{Path(folder) / 'firm.sqlite3'}"
        os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
        import django

        django.setup()
        from django.core.management import call_command

        call_command("migrate", verbosity=0)
        text = report(measure(asked.crew_days, asked.learning_days, asked.seed), asked, load)
    print(text)
    if not (asked.dry or asked.quick):
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
