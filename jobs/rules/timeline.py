"""
One crew's day as it will go: who is pushed by how much when a stop comes in between.

Times are whole seconds on any one axis. The order is given; the planner proper, which
chooses orders, is `jobs.rules.routing`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


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
    latest
        The end of its promised window; None where nothing was promised.
    is_fixed
        Locked, or already begun: it does not give way.
    """

    key: Any
    place: int
    service: int
    start: int
    latest: int | None = None
    is_fixed: bool = False


@dataclass(frozen=True, slots=True)
class Timed:
    """One stop as it will go: drive to it, arrival, start, end; seconds past its planned start and its promise."""

    key: Any
    drive: int
    arrive: int
    start: int
    leave: int
    pushed: int
    late: int
    is_fixed: bool


@dataclass(frozen=True, slots=True)
class Timeline:
    """A day: its stops, when the crew leaves its base and is back, seconds driven in all."""

    stops: tuple[Timed, ...]
    depart: int
    back: int
    drive: int

    @property
    def paid(self) -> int:
        """Seconds from leaving the base to being back."""
        return self.back - self.depart


def drive_day(
    stops: Sequence[Planned], travel: Sequence[Sequence[int]], base: int, *, push: bool = True
) -> Timeline:
    """
    Drives the stops in order of their planned start, from the base and back to it.

    Parameters
    ----------
    travel
        Seconds, row to column.
    base
        Row of the crew's base.
    push
        A stop that can't be reached in time starts when it can be; False leaves it at its
        planned start and only says how late the crew would be.

    Examples
    --------
    Two stops ten minutes apart; the first takes an hour, so the second is pushed by ten:

    >>> travel = [[0, 300, 300], [300, 0, 600], [300, 600, 0]]
    >>> day = [Planned("a", 1, 3600, 0), Planned("b", 2, 1800, 3600, latest=3900)]
    >>> [(stop.start, stop.pushed, stop.late) for stop in drive_day(day, travel, 0).stops]
    [(0, 0, 0), (4200, 600, 300)]
    """
    done: list[Timed] = []
    at, free, driven = base, None, 0
    for stop in sorted(stops, key=lambda one: one.start):
        drive = _leg(travel, at, stop.place)
        arrive = stop.start if free is None else free + drive
        start = max(stop.start, arrive) if push else stop.start
        pushed = max(0, arrive - stop.start)
        late = max(0, (start if push else max(start, arrive)) - stop.latest) if stop.latest is not None else 0
        free = start + stop.service
        done.append(Timed(stop.key, drive, arrive, start, free, pushed, late, stop.is_fixed))
        driven += drive
        at = stop.place if stop.place >= 0 else at
    if not done:
        return Timeline((), 0, 0, 0)
    home = _leg(travel, at, base)
    return Timeline(tuple(done), done[0].start - done[0].drive, done[-1].leave + home, driven + home)


def _leg(travel: Sequence[Sequence[int]], a: int, b: int) -> int:
    return 0 if a < 0 or b < 0 else int(travel[a][b])


def expect_day(
    stops: Sequence[Planned], travel: Sequence[Sequence[int]], *, at: int, free: int
) -> tuple[Timed, ...]:
    """
    When the stops still to come will begin, from where the crew is and when it is free there.

    A crew that is early waits for the planned start, since the customer was told it.

    Examples
    --------
    >>> travel = [[0, 600], [600, 0]]
    >>> [stop.start for stop in expect_day([Planned("b", 1, 1800, 3600)], travel, at=0, free=4000)]
    [4600]
    """
    done: list[Timed] = []
    for stop in sorted(stops, key=lambda one: one.start):
        drive = _leg(travel, at, stop.place)
        arrive = free + drive
        start = max(stop.start, arrive)
        late = max(0, start - stop.latest) if stop.latest is not None else 0
        free = start + stop.service
        done.append(Timed(stop.key, drive, arrive, start, free, max(0, arrive - stop.start), late, stop.is_fixed))
        at = stop.place if stop.place >= 0 else at
    return tuple(done)
