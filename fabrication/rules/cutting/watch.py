"""Time, stopping and progress of one solve: the only place that looks at a clock."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from time import monotonic

LATE_S = 0.4
"""How long after its time a search may still try quick rules one after another."""


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a solve is: its phase, the share of its time used, and what it has so far (ticks)."""

    phase: str
    done: float
    cost: Fraction | None = None
    bound: Fraction | None = None


class Watch:
    """Knows how much time is left, whether somebody asked to stop, and whom to tell."""

    def __init__(
        self,
        seconds: float,
        *,
        started: float | None = None,
        progress: Callable[[Progress], None] | None = None,
        should_stop: Callable[[], bool] | None = None,
    ) -> None:
        self._started = monotonic() if started is None else started
        self._seconds = seconds
        self._progress = progress
        self._should_stop = should_stop

    def elapsed(self) -> float:
        """Seconds since the start."""
        return monotonic() - self._started

    def left(self) -> float:
        """Seconds left, 0 when stopped."""
        if self.stopped():
            return 0.0
        return max(0.0, self._seconds - self.elapsed())

    def stopped(self) -> bool:
        """Whether somebody asked to stop."""
        return self._should_stop is not None and self._should_stop()

    def out(self) -> bool:
        """Whether to come to an end now."""
        return self.left() <= 0

    def late(self) -> bool:
        """Whether time has been out for a while: what is tried for a better plan can't go on."""
        return self.stopped() or self.elapsed() > self._seconds + LATE_S

    def share(self, part: float, most: float = float("inf")) -> Watch:
        """A watch for one phase: `part` of the time left, at most `most` seconds."""
        return Watch(min(self.left() * part, most), should_stop=self._should_stop)

    def after(self, most: float) -> Watch:
        """A watch for what comes last: at most `most` seconds of those left, or a little late; 0 when stopped."""
        last = max(self.left(), min(LATE_S, 0.1 * self._seconds))
        return Watch(0.0 if self.stopped() else min(most, last), should_stop=self._should_stop)

    def tell(self, phase: str, cost: Fraction | None = None, bound: Fraction | None = None) -> None:
        """Reports progress."""
        if self._progress is not None:
            done = min(1.0, self.elapsed() / self._seconds) if self._seconds > 0 else 1.0
            self._progress(Progress(phase, done, cost, bound))
