"""
Where one more stop fits into a day that stands, and what the day then costs more.

The others keep their planned starts; those that the crew can't reach in time begin later, within
their bounds. So what is priced here is the day as `jobs.rules.timeline` drives it afterwards.
Times are whole seconds on one axis, and a new stop begins on a full minute of it; costs are whole
numbers as `jobs.rules.routing.Objective` has them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from jobs.rules.routing.model import Objective, Span
from jobs.rules.timeline import Pause, Timed, Timeline, leg

MINUTE: Final = 60


@dataclass(frozen=True, slots=True)
class Slot:
    """A start for the new stop, and what the day costs more with it."""

    cost: int
    start: int


@dataclass(frozen=True, slots=True)
class StandingDay:
    """
    A crew's day that one more stop may come into.

    Parameters
    ----------
    latest
        Per stop of the timeline the latest it may begin; its own start where it does not give way.
    shifts
        (from, until) per shift, overtime in `until`; the crew leaves its base and is back within.
    end
        When the last shift ends without overtime.
    now
        Nobody sets out to the new stop before.
    """

    timeline: Timeline
    latest: tuple[int, ...]
    travel: Sequence[Sequence[int]]
    base: int
    shifts: tuple[Span, ...]
    end: int
    pause: Pause | None
    prices: Objective
    now: int = 0

    @property
    def is_drivable(self) -> bool:
        """Whether the day can be driven as it stands; nothing is put into one that can't."""
        stops = self.timeline.stops
        kept = all(stop.start <= latest for stop, latest in zip(stops, self.latest, strict=True))
        return kept and self.timeline.has_lunch

    def best(self, wanted: Span, service: int, into: Sequence[int], out_of: Sequence[int]) -> Slot | None:
        """
        The cheapest start within `wanted`, the soonest of equals; None when there is none.

        `into` and `out_of` are seconds from every place of the travel table to the stop, and back.
        """
        found = None
        for shift in self.shifts:
            if shift[0] <= wanted[1] and shift[1] >= wanted[0] + service:
                for node in range(len(self.timeline.stops) + 1):
                    slot = self._at(node, shift, wanted, service, into, out_of)
                    if slot is not None and (found is None or (slot.cost, slot.start) < (found.cost, found.start)):
                        found = slot
        return found

    def near(self, wanted: Span, service: int, into: Sequence[int], out_of: Sequence[int], most: int) -> list[Slot]:
        """Every start that is tried and costs no more than `most`, the cheapest first."""
        found: set[Slot] = set()
        for shift in self.shifts:
            for node in range(len(self.timeline.stops) + 1):
                for start in self._tried(node, shift, wanted, service, into, out_of):
                    slot = self._priced(node, shift, start, service, into, out_of)
                    if slot is not None and slot.cost <= most:
                        found.add(slot)
        return sorted(found, key=lambda slot: (slot.cost, slot.start))

    def _at(
        self, node: int, shift: Span, wanted: Span, service: int, into: Sequence[int], out_of: Sequence[int]
    ) -> Slot | None:
        """The cheapest start before stop number `node`."""
        priced = (
            self._priced(node, shift, start, service, into, out_of)
            for start in self._tried(node, shift, wanted, service, into, out_of)
        )
        return next((slot for slot in priced if slot is not None), None)

    def _tried(
        self, node: int, shift: Span, wanted: Span, service: int, into: Sequence[int], out_of: Sequence[int]
    ) -> Iterator[int]:
        """The starts before stop number `node` that may be had, the best first."""
        stops = self.timeline.stops
        before = stops[node - 1] if node else None
        after = stops[node] if node < len(stops) else None
        first = max(wanted[0], self.now + into[self.base if before is None else before.place])
        if before is None or before.leave <= shift[0]:
            first = max(first, shift[0] + into[self.base])
        if before is not None:
            first = max(first, before.leave + into[before.place])
        last = min(wanted[1], shift[1] - service)
        if after is None or after.start >= shift[1]:
            last = min(last, shift[1] - service - out_of[self.base])
        if after is not None:
            last = min(last, after.start - 1)  # a start that is not before the next one's comes after it
        first = _full(first)
        if first <= last:
            yield from self._starts(first, last, before, after, service, into, out_of)

    def _starts(
        self, first: int, last: int, before: Timed | None, after: Timed | None, service: int,
        into: Sequence[int], out_of: Sequence[int],
    ) -> Iterator[int]:  # fmt: skip
        """
        Starts to try, the best first.

        The first stop of a day begins as late as the next one allows, so that nobody is paid for
        waiting, but no later than half through its time: a crew that is late then still keeps it.
        """
        if before is None and after is not None:
            half = (first + last) // 2
            yield max(first, min(after.start - out_of[after.place] - service, half) // MINUTE * MINUTE)
        yield first
        if self.pause is not None:
            place, free = (self.base, 0) if before is None else (before.place, before.leave)
            fed = _full(max(free, self.pause.earliest) + self.pause.length + into[place])
            if first < fed <= last:
                yield fed

    def _priced(
        self, node: int, shift: Span, start: int, service: int, into: Sequence[int], out_of: Sequence[int]
    ) -> Slot | None:
        """The day with the stop there; None when a stop after it, lunch or the way home does not fit any more."""
        stops, base, pause = self.timeline.stops, self.base, self.pause
        before, after = (stops[node - 1].place if node else base), (stops[node].place if node < len(stops) else base)
        old = leg(self.travel, before, after) if stops else 0
        drive = into[before] + out_of[after] - old
        left = stops[node - 1].leave if node else None
        is_fed = pause is None or self._is_fed(node) or pause.is_before(left, into[before], start)
        lunch = 0 if is_fed or pause is None else pause.within(start, service)
        free, way, is_fed = start + service + lunch, out_of[after], is_fed or lunch > 0
        if free > shift[1]:
            return None
        for number in range(node, len(stops)):
            stop = stops[number]
            begin = max(stop.start, free + way)
            if begin > self.latest[number]:
                return None
            lasts = stop.leave - stop.start - stop.lunch
            if pause is not None and not is_fed:
                is_fed = pause.is_before(free, way, begin)
                lunch = 0 if is_fed else pause.within(begin, lasts)
                lasts, is_fed = lasts + lunch, is_fed or lunch > 0
            free = begin + lasts
            way = stops[number + 1].drive if number + 1 < len(stops) else leg(self.travel, stop.place, base)
        back = free + way
        depart = start - into[base] if not node else self.timeline.depart
        if back > self.shifts[-1][1] or not (is_fed or (pause is not None and free <= pause.latest)):
            return None
        o, now = self.prices, self.timeline
        over = max(0, back - self.end) - (max(0, now.back - self.end) if stops else 0)
        return Slot(o.drive * drive + o.paid * (back - depart - now.paid) + o.overtime * over, start)

    def _is_fed(self, count: int) -> bool:
        """Whether the crew has eaten before it leaves the last of the first `count` stops."""
        assert self.pause is not None
        free = None
        for stop in self.timeline.stops[:count]:
            if stop.lunch or self.pause.is_before(free, stop.drive, stop.start):
                return True
            free = stop.leave
        return False


class Gap(NamedTuple):
    """A day that one more stop may come into, with seconds from every place to the stop, and back."""

    day: StandingDay
    into: Sequence[int]
    out_of: Sequence[int]


def cost_of_bounds(gaps: Sequence[Gap], service: int, free: Sequence[Span], bound: Sequence[Span]) -> int | None:
    """
    What it costs more to begin a stop within `bound` than within `free`, the others where they stand.

    The cheapest of all days each time, in the objective's units; None where it fits into none within `bound`.
    """

    def least(spans: Sequence[Span]) -> int | None:
        slots = (gap.day.best(span, service, gap.into, gap.out_of) for gap in gaps for span in spans)
        return min((slot.cost for slot in slots if slot is not None), default=None)

    kept, cheapest = least(bound), least([*free, *bound])
    return None if kept is None or cheapest is None else kept - cheapest


def _full(at: int) -> int:
    """The first full minute from there on."""
    return -(-at // MINUTE) * MINUTE
