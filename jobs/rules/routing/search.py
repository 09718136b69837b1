"""
Drives the compiled search: several searchers side by side, cooling with the clock.

Each searcher is a thread with tables of its own; the compiled steps hold no interpreter
lock. Now and then the one that lags takes over the best plan.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from jobs.rules.routing import ruin
from jobs.rules.routing.arrays import Arrays
from jobs.rules.routing.model import Objective

Orders = dict[int, list[int]]
Rank = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Cooling:
    """
    How a searcher cools, in parts of the cost of one average stop.

    Parameters
    ----------
    hot, cold
        First and last temperature.
    size
        Stops torn out by one step on average.
    look
        From this many stops on, places are looked for near at hand first.
    slice_s
        Seconds of one uninterrupted stretch of steps.
    meetings
        How often searchers take over the best plan.
    """

    hot: float = 0.3
    cold: float = 0.01
    size: float = 10.0
    look: int = 150
    near: int = 40
    slice_s: float = 0.05
    meetings: int = 4

    def __post_init__(self) -> None:
        if not 0 < self.cold <= self.hot:
            raise ValueError(f"cold {self.cold} must be above 0 and at most hot ({self.hot})")


class Search:
    """
    One search of a problem from a plan; `run` returns when the time is up.

    `offer` is called from the calling thread with every better plan's orders.
    """

    def __init__(
        self, arrays: Arrays, objective: Objective, start: Orders, seed: int, cooling: Cooling | None = None
    ) -> None:
        cooling = cooling or Cooling()
        self.arrays, self.objective, self.seed, self.cooling = arrays, objective, seed, cooling
        self.best: Orders = start
        self.rank: Rank | None = None
        self.steps = 0
        self.failure: BaseException | None = None
        self._lock = threading.Lock()
        self._changed = threading.Event()
        self._halt = False

    def run(
        self,
        began: float,
        deadline: float,
        threads: int,
        offer: Callable[[Orders], object],
        should_stop: Callable[[], bool] | None = None,
    ) -> None:
        """Searches until `deadline` (of `time.monotonic`); temperatures fall from `began` on."""
        workers = [
            threading.Thread(target=self._guarded, args=(number, began, deadline), daemon=True)
            for number in range(threads)
        ]
        for worker in workers:
            worker.start()
        shown = None
        while any(worker.is_alive() for worker in workers):
            self._changed.wait(0.05)
            self._changed.clear()
            if should_stop is not None and should_stop():
                self._halt = True
            if self.rank is not None and self.rank != shown and time.monotonic() < deadline:
                with self._lock:
                    shown, orders = self.rank, self.best
                offer(orders)
        for worker in workers:
            worker.join()
        if self.rank != shown:
            offer(self.best)
        if self.failure is not None:
            raise self.failure

    def take(self, orders: Orders, rank: Rank) -> None:
        """A plan from elsewhere; searchers take it over at their next meeting."""
        with self._lock:
            if self.rank is None or rank < self.rank:
                self.best, self.rank = orders, rank

    def _guarded(self, number: int, began: float, deadline: float) -> None:
        try:
            self._work(number, began, deadline)
        except Exception as failure:
            self.failure = failure
            self._halt = True

    def _work(self, number: int, began: float, deadline: float) -> None:
        cooling, o = self.cooling, self.objective
        n = len(self.arrays.service)
        look = cooling.near if n >= cooling.look else 0
        late = o.late if o.grace else 0
        data = ruin.data_of(
            self.arrays, (o.drive, o.paid, o.overtime, late), self.seed * 1009 + number, look, size=cooling.size
        )
        ruin.set_orders(data, self.best)
        work = data.work[0]
        unit = max(1.0, _search_cost(data) / max(1, n))
        count, mark, meeting = 100, (int(work["best_left"]), int(work["best_cost"])), 1
        while not self._halt:
            now = time.monotonic()
            if now >= deadline:
                return
            span = max(deadline - began, 1e-6)
            heats = [_heat(cooling, unit, (at - began) / span) for at in (now, now + cooling.slice_s)]
            ruin.run_steps(data, count, *heats)
            self.steps += count
            taken = max(time.monotonic() - now, 1e-4)
            count = max(1, int(count * min(3.0, min(cooling.slice_s, max(deadline - now, 0.01)) / taken)))
            rank = (int(work["best_left"]), int(work["best_cost"]))
            if rank < mark:
                mark = rank
                self._tell(data, rank)
            if (now - began) / span >= meeting / (cooling.meetings + 1):
                meeting += 1
                mark = self._meet(data, mark)

    def _tell(self, data: ruin.Data, rank: Rank) -> None:
        with self._lock:
            if self.rank is None or rank < self.rank:
                self.best, self.rank = ruin.best_orders(data), rank
                self._changed.set()

    def _meet(self, data: ruin.Data, mark: Rank) -> Rank:
        """Takes over the best plan of all, if it is better than its own."""
        with self._lock:
            best, rank = self.best, self.rank
        if rank is None or rank >= mark:
            return mark
        ruin.set_orders(data, best)
        return rank


def polish(arrays: Arrays, objective: Objective, start: Orders, *, seconds: float, seed: int) -> Orders:
    """The best orders near `start` that one cold searcher finds in `seconds` of wall time."""
    began = time.monotonic()
    late = objective.late if objective.grace else 0
    weights = (objective.drive, objective.paid, objective.overtime, late)
    data = ruin.data_of(arrays, weights, seed, 0, neighbours=60, size=6.0)
    ruin.set_orders(data, start)
    heat = max(1.0, 0.002 * _search_cost(data) / max(1, len(arrays.service)))
    count = 20
    while True:
        now = time.monotonic()
        left = seconds - (now - began)
        if left < 0.0005:
            return ruin.best_orders(data)
        ruin.run_steps(data, count, heat, heat)
        count = max(1, int(count * min(4.0, 0.5 * left / max(time.monotonic() - now, 1e-5))))


def _search_cost(data: ruin.Data) -> float:
    """The part of the plan's cost that is driving and pay, which temperatures are measured by."""
    return float(data.work[0]["cost"])


def _heat(cooling: Cooling, unit: float, part: float) -> float:
    part = min(max(part, 0.0), 1.0)
    return unit * cooling.hot * float((cooling.cold / cooling.hot) ** part)


def processors() -> int:
    """How many processors this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # pragma: no cover - not on Linux
        return os.cpu_count() or 1
