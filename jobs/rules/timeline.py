"""
One crew's day as it will go: who is pushed by how much when a stop comes in between.

Times are whole seconds on any one axis. The order is given; the planner proper, which
chooses orders, is `jobs.rules.routing`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

LONG: Final = 3 * 3600
"""Seconds of a visit from which on the crew eats within it; common practice, no published source."""


@dataclass(frozen=True, slots=True)
class Pause:
    """
    Lunch: begins within [earliest, latest], lasts `length`; between stops, or within a long one.

    Examples
    --------
    From two to half past comes before a stop at 10,200 that is ten minutes away, not before one at 9,000:

    >>> noon = Pause(7200, 8000, 1800)
    >>> noon.is_before(7200, 600, 10_200), noon.is_before(7200, 600, 9000)
    (True, False)

    Of four hours around it half an hour is lunch; an hour is not left for it:

    >>> noon.within(3600, 14_400), noon.within(7200, 3600)
    (1800, 0)
    """

    earliest: int
    latest: int
    length: int

    def is_before(self, free: int | None, drive: int, start: int) -> bool:
        """Whether it fits before a stop, the drive before or after it; without `free`, before the crew sets out."""
        if free is None:
            return start - drive >= self.earliest + self.length
        begin = max(free, self.earliest)
        return begin <= self.latest and begin + self.length + drive <= start

    def within(self, start: int, service: int) -> int:
        """Seconds that a visit lasts longer for it: all of it where a long one is under way at its latest."""
        return self.length if service >= LONG and start <= self.latest < start + service else 0


@dataclass(frozen=True, slots=True)
class Planned:
    """
    One stop as planned.

    Parameters
    ----------
    place
        Row of the travel table; -1 where the site has no coordinates (no drive is counted).
    start
        When the work is planned to begin.
    promised
        Both edges of the window the customer was given; None where nothing was promised.
    is_fixed
        Locked, or already begun: it does not give way.
    at_van
        Seconds of the way to it that are spent standing, at the van of a crew that is out.
    """

    key: Any
    place: int
    service: int
    start: int
    promised: tuple[int, int] | None = None
    is_fixed: bool = False
    at_van: int = 0


@dataclass(frozen=True, slots=True)
class Timed:
    """
    One stop as it will go: the drive to it, arrival, start, end.

    `pushed` is by how many seconds it begins after its planned start; `early` and `late` by how
    many it begins before or after its promised window; `at_van` are seconds of the drive that are spent
    standing, where goods are taken over on the way.
    """

    key: Any
    place: int
    drive: int
    arrive: int
    start: int
    leave: int
    pushed: int
    early: int
    late: int
    is_fixed: bool
    at_van: int = 0
    lunch: int = 0
    """Seconds of its time that are the crew's lunch."""

    @property
    def driving(self) -> int:
        """Seconds of the drive that are driven."""
        return self.drive - self.at_van

    @property
    def wait(self) -> int:
        """Seconds at the door before the work begins: an early crew waits."""
        return self.start - self.arrive


@dataclass(frozen=True, slots=True)
class Timeline:
    """A day: its stops, when the crew leaves its base and is back, seconds driven in all, whether it gets to eat."""

    stops: tuple[Timed, ...]
    depart: int
    back: int
    drive: int
    has_lunch: bool = True

    @property
    def at_van(self) -> int:
        """Seconds at the vans of crews that are out."""
        return sum(stop.at_van for stop in self.stops)

    @property
    def paid(self) -> int:
        """Seconds from leaving the base to being back."""
        return self.back - self.depart


def drive_on(
    stops: Iterable[Planned],
    travel: Sequence[Sequence[int]],
    *,
    at: int,
    free: int | None,
    pause: Pause | None = None,
) -> tuple[Timed, ...]:
    """
    The stops in order of their planned start, from a place where the crew is free at `free`.

    A stop begins when it was planned to, since the customer was told it and an early crew waits;
    or when the crew can be there. Without `free` the crew arrives at the first just in time. A long
    visit lasts longer by the `pause` where that falls into it and found no place before.

    Examples
    --------
    >>> travel = [[0, 600], [600, 0]]
    >>> [stop.start for stop in drive_on([Planned("b", 1, 1800, 3600)], travel, at=0, free=4000)]
    [4600]
    >>> [stop.wait for stop in drive_on([Planned("b", 1, 1800, 3600)], travel, at=0, free=0)]
    [3000]
    """
    done: list[Timed] = []
    is_fed = pause is None
    for stop in sorted(stops, key=lambda one: one.start):
        drive = leg(travel, at, stop.place)
        arrive = stop.start if free is None else free + drive
        start = max(stop.start, arrive)
        early, late = (0, 0) if stop.promised is None else (stop.promised[0] - start, start - stop.promised[1])
        is_fed = is_fed or (pause is not None and pause.is_before(free, drive, start))
        lunch = 0 if is_fed or pause is None else pause.within(start, stop.service)
        free, is_fed = start + stop.service + lunch, is_fed or lunch > 0
        at = stop.place if stop.place >= 0 else at
        done.append(
            Timed(stop.key, at, drive, arrive, start, free, start - stop.start, max(0, early), max(0, late),
                  stop.is_fixed, min(drive, stop.at_van), lunch)
        )  # fmt: skip
    return tuple(done)


def drive_day(
    stops: Iterable[Planned], travel: Sequence[Sequence[int]], base: int, pause: Pause | None = None
) -> Timeline:
    """
    Drives the stops in order of their planned start, from the base and back to it.

    Parameters
    ----------
    travel
        Seconds, row to column.
    base
        Row of the crew's base.

    Examples
    --------
    Two stops ten minutes apart; the first takes an hour, so the second is pushed by ten:

    >>> travel = [[0, 300, 300], [300, 0, 600], [300, 600, 0]]
    >>> day = [Planned("a", 1, 3600, 0), Planned("b", 2, 1800, 3600, promised=(0, 3900))]
    >>> [(stop.start, stop.pushed, stop.late) for stop in drive_day(day, travel, 0).stops]
    [(0, 0, 0), (4200, 600, 300)]
    """
    done = drive_on(stops, travel, at=base, free=None, pause=pause)
    if not done:
        return Timeline((), 0, 0, 0)
    home = leg(travel, done[-1].place, base)
    drive = sum(stop.driving for stop in done) + home
    return Timeline(done, done[0].start - done[0].drive, done[-1].leave + home, drive, _has_lunch(done, pause))


def _has_lunch(stops: Sequence[Timed], pause: Pause | None) -> bool:
    """Whether the pause fits: after the last stop, within a long one, or before one."""
    if pause is None or stops[-1].leave <= pause.latest or any(stop.lunch for stop in stops):
        return True
    frees = (None, *(stop.leave for stop in stops))
    return any(pause.is_before(free, stop.drive, stop.start) for free, stop in zip(frees, stops, strict=False))


def leg(travel: Sequence[Sequence[int]], a: int, b: int) -> int:
    """Seconds from one place to another; none where one of them is not known."""
    return 0 if a < 0 or b < 0 else int(travel[a][b])
