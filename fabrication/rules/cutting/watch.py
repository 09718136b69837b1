"""Time, stopping and progress of one solve: the only place that looks at a clock."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from time import monotonic

STEPS_A_SECOND = 1_000_000
"""Steps that a quiet machine of 2026 takes in a second, about."""

LATE_S = 0.4
"""How long after its time a search may still try quick rules one after another."""


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a solve is: its phase, the share of its time used, and what it has so far (ticks)."""

    phase: str
    done: float
    cost: Fraction | None = None
    bound: Fraction | None = None


class Meter:
    """The steps that one solve has taken, whoever took them."""

    def __init__(self) -> None:
        self.steps = 0


class Watch:
    """
    Knows how much time is left, whether somebody asked to stop, and whom to tell.

    Where `steps` are allowed, time is what the steps taken need on a quiet machine: the same
    problem ends at the same plan on every machine that takes them within the `seconds`, which are
    then the ceiling for all phases alike.
    """

    def __init__(
        self,
        seconds: float,
        *,
        steps: int | None = None,
        started: float | None = None,
        progress: Callable[[Progress], None] | None = None,
        should_stop: Callable[[], bool] | None = None,
    ) -> None:
        self._started = monotonic() if started is None else started
        self._seconds = seconds
        self._progress = progress
        self._should_stop = should_stop
        self._meter = None if steps is None else Meter()
        self._first = 0
        self._allowed = seconds if steps is None else steps / STEPS_A_SECOND

    def _phase(self, seconds: float) -> Watch:
        """A watch for so much of the time, under the same ceiling where steps are counted."""
        if self._meter is None:
            return Watch(seconds, should_stop=self._should_stop)
        phase = Watch(self._seconds, started=self._started, should_stop=self._should_stop)
        phase._meter, phase._first, phase._allowed = self._meter, self._meter.steps, seconds
        return phase

    def spend(self, steps: float) -> None:
        """Takes note of so many steps; one is about a microsecond of a quiet machine."""
        if self._meter is not None:
            self._meter.steps += int(steps)

    def elapsed(self) -> float:
        """Seconds since the start."""
        return monotonic() - self._started

    def used(self) -> float:
        """What was used of the time that is allowed: seconds, or what the steps take on a quiet machine."""
        return self.elapsed() if self._meter is None else (self._meter.steps - self._first) / STEPS_A_SECOND

    def ceiling(self) -> float:
        """Seconds of wall time left, 0 when stopped: what a solver is given that counts no steps."""
        return 0.0 if self.stopped() else max(0.0, self._seconds - self.elapsed())

    def left(self) -> float:
        """Time left, as it is counted; 0 when stopped or beyond the ceiling."""
        return max(0.0, self._allowed - self.used()) if self.ceiling() > 0 else 0.0

    def stopped(self) -> bool:
        """Whether somebody asked to stop."""
        return self._should_stop is not None and self._should_stop()

    def out(self) -> bool:
        """Whether to come to an end now."""
        return self.left() <= 0

    def late(self) -> bool:
        """Whether time has been out for a while: what is tried for a better plan can't go on."""
        return self.stopped() or self.elapsed() > self._seconds + LATE_S or self.used() > self._allowed + LATE_S

    def share(self, part: float, most: float = float("inf")) -> Watch:
        """A watch for one phase: `part` of the time left, at most `most` seconds."""
        return self._phase(min(self.left() * part, most))

    def after(self, most: float) -> Watch:
        """A watch for what comes last: at most `most` seconds of those left, or a little late; 0 when stopped."""
        if self._meter is not None:
            return self._phase(0.0 if self.stopped() else most)
        last = max(self.left(), min(LATE_S, 0.1 * self._seconds))
        return self._phase(0.0 if self.stopped() else min(most, last))

    def tell(self, phase: str, cost: Fraction | None = None, bound: Fraction | None = None) -> None:
        """Reports progress."""
        if self._progress is not None:
            done = min(1.0, self.used() / self._allowed) if self._allowed > 0 else 1.0
            self._progress(Progress(phase, done, cost, bound))
