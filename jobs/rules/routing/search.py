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

import numpy as np

from jobs.rules.routing import ruin_and_recreate
from jobs.rules.routing.arrays import Arrays, arrays_of, has_long_routes, part_of
from jobs.rules.routing.model import Crew, Objective, Problem, Stop

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
    large_hot, large_cold
        The same from `look` stops on, where there are too few steps for each stop to wander far.
    long_hot, long_cold
        The same up to `vast` stops where `has_long_routes`: most places near at hand are in time there.
    size, string
        Stops torn out by one step on average, and the longest string of one route among them.
    long_size, long_string
        The same where `has_long_routes`: small holes in them fill up as they were.
    look
        From this many stops on, places are looked for near at hand first.
    slice_s
        Seconds of one uninterrupted stretch of steps.
    meetings
        How often searchers take over the best plan.
    apart
        From this many stops on, each searcher has a part of the map of its own, drawn
        anew `rounds` times.
    """

    hot: float = 1.0
    cold: float = 0.01
    large_hot: float = 0.3
    large_cold: float = 0.03
    long_hot: float = 1.0
    long_cold: float = 0.05
    vast: int = 600
    size: float = 10.0
    string: float = 10.0
    long_size: float = 15.0
    long_string: float = 20.0
    look: int = 300
    near: int = 50
    slice_s: float = 0.05
    meetings: int = 4
    apart: int = 300
    rounds: int = 16

    def __post_init__(self) -> None:
        for cold, hot in (
            (self.cold, self.hot),
            (self.large_cold, self.large_hot),
            (self.long_cold, self.long_hot),
        ):
            if not 0 < cold <= hot:
                raise ValueError(f"cold {cold} must be above 0 and at most hot ({hot})")


@dataclass(slots=True)
class _Part:
    """Stops and crew-days of one searcher, their plan in the part's own numbers, and what was found."""

    stops: np.ndarray
    days: np.ndarray
    arrays: Arrays
    orders: Orders
    found: Orders | None = None


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
        self._round = 0
        self._deadline = 0.0
        self._parts: list[_Part | None] = []
        self._long = len(arrays.service) >= cooling.look and has_long_routes(start)

    def run(
        self,
        began: float,
        deadline: float,
        threads: int,
        offer: Callable[[Orders], object],
        should_stop: Callable[[], bool] | None = None,
    ) -> None:
        """Searches until `deadline` (of `time.monotonic`); temperatures fall from `began` on."""
        self._deadline = deadline
        apart = threads > 1 and len(self.arrays.service) >= self.cooling.apart
        if apart:
            self._barrier = threading.Barrier(threads, action=self._divide)
            self._parts = [None] * threads
        workers = [
            threading.Thread(target=self._guarded, args=(number, began, deadline, apart), daemon=True)
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
            if self.steps == 0 and (self._halt or time.monotonic() >= deadline):
                self._halt = True  # still compiling, and no time left: its thread ends by itself
                return
            if self.rank is not None and self.rank != shown and time.monotonic() < deadline:
                with self._lock:
                    shown, orders = self.rank, self.best
                offer(orders)
        if self.rank != shown:
            offer(self.best)
        if self.failure is not None:
            raise self.failure

    def _guarded(self, number: int, began: float, deadline: float, apart: bool) -> None:
        try:
            if apart:
                self._work_apart(number, began, deadline)
            else:
                self._work(number, began, deadline)
        except threading.BrokenBarrierError:
            pass  # the other one has told why
        except Exception as failure:
            self.failure = failure
            self._halt = True
            if apart:
                self._barrier.abort()

    # -- each on a part of the map --------------------------------------------

    def _work_apart(self, number: int, began: float, deadline: float) -> None:
        """Rounds of searching a part each; between them the parts are put together and drawn anew."""
        span = max(deadline - began, 1e-6)
        unit = 0.0
        while True:
            self._barrier.wait()
            part = self._parts[number]
            if part is None:
                return
            if not len(part.stops) or not len(part.days):
                part.found = part.orders
                continue
            data = self._data(part.arrays, number)
            ruin_and_recreate.set_orders(data, part.orders)
            unit = unit or self._unit(data)
            until = min(deadline, time.monotonic() + max(0.25, span / self.cooling.rounds))
            self._search_until(data, unit, began, span, until)
            part.found = ruin_and_recreate.best_orders(data)

    def _divide(self) -> None:
        """Puts the parts' plans together and draws new parts; runs while all searchers wait."""
        if all(part is not None and part.found is not None for part in self._parts):
            self._join()
        if self._halt or time.monotonic() >= self._deadline:  # decided here alone, so that all leave together
            self._parts = [None] * len(self._parts)
            return
        self._round += 1
        self._parts = _draw_parts(self.arrays, self.best, len(self._parts), self.seed * 7919 + self._round)

    def _join(self) -> None:
        orders: Orders = {}
        for part in self._parts:
            if part is None or part.found is None:
                raise AssertionError("parts are joined before all of them are there")
            for day, order in part.found.items():
                orders[int(part.days[day])] = [int(part.stops[stop]) for stop in order]
        data = self._data(self.arrays, 0)
        ruin_and_recreate.set_orders(data, orders)
        rank = self._rank(data)
        with self._lock:
            if self.rank is None or rank < self.rank:
                self.best, self.rank = orders, rank
                self._changed.set()

    # -- all on the whole map ---------------------------------------------------

    def _work(self, number: int, began: float, deadline: float) -> None:
        data = self._data(self.arrays, number)
        ruin_and_recreate.set_orders(data, self.best)
        span = max(deadline - began, 1e-6)
        unit = self._unit(data)
        mark: Rank | None = self._rank(data)
        for meeting in range(1, self.cooling.meetings + 2):
            until = min(deadline, began + span * meeting / (self.cooling.meetings + 1))
            mark = self._search_until(data, unit, began, span, until, mark)
            mark = self._meet(data, mark)

    def _search_until(
        self,
        data: ruin_and_recreate.Data,
        unit: float,
        began: float,
        span: float,
        until: float,
        mark: Rank | None = None,
    ) -> Rank | None:
        """Steps until then; with a `mark`, every plan that beats it is told to all."""
        cooling, count = self.cooling, 50
        while not self._halt:
            now = time.monotonic()
            if now >= until:
                break
            heats = [unit * self._heat((at - began) / span) for at in (now, now + cooling.slice_s)]
            ruin_and_recreate.run_steps(data, count, *heats)
            self.steps += count
            taken = max(time.monotonic() - now, 1e-4)
            count = max(1, int(count * min(3.0, min(cooling.slice_s, max(until - now, 0.01)) / taken)))
            if mark is not None and self._rank(data) < mark:
                mark = self._rank(data)
                self._tell(data, mark)
        return mark

    def _data(self, arrays: Arrays, number: int) -> ruin_and_recreate.Data:
        cooling, o = self.cooling, self.objective
        look = cooling.near if len(arrays.service) >= cooling.look else 0
        late = o.late if o.grace else 0
        seed = self.seed * 1009 + number + 31 * self._round
        weights = (o.drive, o.paid, o.overtime, late)
        size, string = (cooling.long_size, cooling.long_string) if self._long else (cooling.size, cooling.string)
        return ruin_and_recreate.data_of(arrays, weights, seed, look, neighbours=200, size=size, string=string)

    def _heat(self, part: float) -> float:
        """The temperature when that part of the time is gone."""
        c, stops = self.cooling, len(self.arrays.service)
        hot, cold = (c.large_hot, c.large_cold) if stops >= c.look else (c.hot, c.cold)
        if self._long and stops <= c.vast:
            hot, cold = c.long_hot, c.long_cold
        return hot * float((cold / hot) ** min(max(part, 0.0), 1.0))

    @staticmethod
    def _unit(data: ruin_and_recreate.Data) -> float:
        """What temperatures are measured by: the cost of an average stop."""
        return max(1.0, float(data.work[0]["cost"]) / max(1, len(data.stops)))

    @staticmethod
    def _rank(data: ruin_and_recreate.Data) -> Rank:
        return int(data.work[0]["best_left"]), int(data.work[0]["best_cost"])

    def _tell(self, data: ruin_and_recreate.Data, rank: Rank) -> None:
        with self._lock:
            if self.rank is None or rank < self.rank:
                self.best, self.rank = ruin_and_recreate.best_orders(data), rank
                self._changed.set()

    def _meet(self, data: ruin_and_recreate.Data, mark: Rank | None) -> Rank | None:
        """Takes over the best plan of all, if it is better than its own."""
        with self._lock:
            best, rank = self.best, self.rank
        if rank is None or mark is None or rank >= mark:
            return mark
        ruin_and_recreate.set_orders(data, best)
        return rank


def compile_all() -> None:
    """Compiles every loop of the search for later runs: some seconds the first time, none after."""
    problem = Problem((Crew("c", 0, 0, ((0, 99),)),), (Stop("a", 0, 1),), np.zeros((1, 1), dtype=np.int64))
    data = ruin_and_recreate.data_of(arrays_of(problem), (1, 0, 0, 0), 0)
    ruin_and_recreate.set_orders(data, {0: [0]})
    ruin_and_recreate.run_steps(data, 1, 1.0, 1.0)


def polish(arrays: Arrays, objective: Objective, start: Orders, *, seconds: float, seed: int) -> Orders:
    """The best orders near `start` that one cold searcher finds in `seconds` of wall time."""
    began = time.monotonic()
    late = objective.late if objective.grace else 0
    weights = (objective.drive, objective.paid, objective.overtime, late)
    data = ruin_and_recreate.data_of(arrays, weights, seed, 0, neighbours=60, size=6.0)
    ruin_and_recreate.set_orders(data, start)
    heat = max(1.0, 0.002 * _search_cost(data) / max(1, len(arrays.service)))
    count = 20
    while True:
        now = time.monotonic()
        left = seconds - (now - began)
        if left < 0.0005:
            return ruin_and_recreate.best_orders(data)
        ruin_and_recreate.run_steps(data, count, heat, heat)
        count = max(1, int(count * min(4.0, 0.5 * left / max(time.monotonic() - now, 1e-5))))


def _draw_parts(arrays: Arrays, orders: Orders, count: int, seed: int) -> list[_Part | None]:
    """
    Cuts the routes into `count` parts like slices of a cake, from a random direction on.

    Where a stop is, is told by how far it is from two far corners of the map: the travel
    table is all there is. Empty crew-days and stops in no route are dealt out in turn.
    """
    pick = np.random.default_rng(seed)
    n, m = len(arrays.service), len(arrays.begin)
    away = arrays.travel[:n, :n]
    corner = int(away[int(pick.integers(n))].argmax())
    other = int(away[corner].argmax())
    at = np.stack([away[corner], away[other]], axis=1).astype(float)
    used = [day for day in orders if orders[day]]
    if not used:
        return [_cut(arrays, {}, np.arange(n) % count == part, np.arange(m) % count == part) for part in range(count)]
    middle = np.array([at[orders[day]].mean(axis=0) for day in used])
    angle = pick.uniform(0, 2 * np.pi)
    along = middle @ np.array([np.cos(angle), np.sin(angle)])
    part_of_day = np.zeros(m, dtype=np.int64)
    sizes = np.array([len(orders[day]) for day in used])
    ranked = np.argsort(along, kind="stable")
    share = (np.cumsum(sizes[ranked]) - sizes[ranked] / 2) / max(1, sizes.sum())
    part_of_day[np.array(used)[ranked]] = np.minimum((share * count).astype(np.int64), count - 1)
    empty = np.setdiff1d(np.arange(m), used)
    part_of_day[empty] = np.arange(len(empty)) % count
    part_of_stop = np.arange(n) % count
    for day in used:
        part_of_stop[orders[day]] = part_of_day[day]
    return [_cut(arrays, orders, part_of_stop == part, part_of_day == part) for part in range(count)]


def _cut(arrays: Arrays, orders: Orders, is_stop: np.ndarray, is_day: np.ndarray) -> _Part:
    stops, days = np.flatnonzero(is_stop), np.flatnonzero(is_day)
    stop_number, day_number = np.cumsum(is_stop) - 1, np.cumsum(is_day) - 1
    own = {int(day_number[day]): [int(stop_number[stop]) for stop in orders[day]] for day in orders if is_day[day]}
    return _Part(stops, days, part_of(arrays, stops, days), own)


def _search_cost(data: ruin_and_recreate.Data) -> float:
    """The part of the plan's cost that is driving and pay, which temperatures are measured by."""
    return float(data.work[0]["cost"])


def processors() -> int:
    """How many processors this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # pragma: no cover - not on Linux
        return os.cpu_count() or 1
