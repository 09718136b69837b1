"""
The pipeline: a legal plan at once, then better ones until the time is up.

Every plan an engine hands over is verified before it may replace the best one.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Final

from jobs.rules.routing.arrays import Arrays, arrays_of
from jobs.rules.routing.linked_stops import explain_linked_stops, held_as, put_in
from jobs.rules.routing.model import Plan, Problem
from jobs.rules.routing.regret import fill, make_room, regret_plan
from jobs.rules.routing.timing import assemble, orders_of, plan_of
from jobs.rules.routing.verify import verify
from jobs.rules.routing.why import explain

if TYPE_CHECKING:
    from jobs.rules.routing.search import Search

Orders = dict[int, list[int]]


@dataclass(frozen=True, slots=True)
class Progress:
    """A better plan than before: by which engine, after how many seconds."""

    seconds: float
    engine: str
    plan: Plan


@dataclass(slots=True)
class Best:
    """The best verified plan so far, and who made it."""

    problem: Problem
    began: float
    progress: Callable[[Progress], None] | None = None
    plan: Plan | None = None
    engine: str = ""
    refused: list[str] = field(default_factory=list)

    def offer(self, plan: Plan | None, engine: str) -> bool:
        """Takes the plan if it is better and verifies; True when taken."""
        if plan is None or (self.plan is not None and plan.rank >= self.plan.rank):
            return False
        faults = verify(self.problem, plan)
        if faults:
            self.refused.append(f"{engine}: {faults[0].text}")
            return False
        self.plan, self.engine = plan, engine
        if self.progress is not None:
            self.progress(Progress(time.monotonic() - self.began, engine, plan))
        return True


def solve(
    problem: Problem,
    seconds: float = 10,
    seed: int = 0,
    start: Plan | None = None,
    progress: Callable[[Progress], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
    engines: dict[str, str] | None = None,
) -> Plan:
    """
    The best plan found within `seconds` of wall time; always verified.

    Parameters
    ----------
    start
        A plan to begin from; one that breaks a bound is not used.
    progress
        Called with every better plan.
    should_stop
        Asked often; True ends the search with the best plan so far.
    engines
        Filled with what each engine did: "used", or why it was not.
    """
    engines = {} if engines is None else engines
    if problem.linked_stops:
        return _solve_linked_stops(problem, seconds, seed, start, progress, should_stop, engines)
    best = Best(problem, time.monotonic(), progress)
    deadline = best.began + seconds
    best.offer(start, "start")
    arrays = arrays_of(problem)
    is_late = _late(deadline, should_stop)
    best.offer(regret_plan(problem, arrays=arrays, should_stop=is_late), "regret")
    if best.plan is not None and best.plan is start and start.unplaced:
        best.offer(fill(problem, start, arrays, is_late), "regret")
    engines["regret"] = "used"
    if problem.stops and problem.days and deadline > time.monotonic():
        _Improver(best, arrays, seed, deadline, should_stop, engines).run()
    if best.refused:
        engines["refused"] = best.refused[0]
    assert best.plan is not None
    return explain(problem, best.plan, is_late)


LATE_S: Final = 0.5
"""How long after its time a plan may still be filled, and be told why it leaves stops out."""


def _late(deadline: float, should_stop: Callable[[], bool] | None) -> Callable[[], bool]:
    ends = [deadline]  # and when it was asked to stop, once it is known

    def is_late() -> bool:
        now = time.monotonic()
        if should_stop is not None and now < ends[0] and should_stop():
            ends[0] = now
        return now > ends[0] + LATE_S

    return is_late


TURNS: Final = 3
"""How often linked stops are put in anew and searched around; each time has half the time left, the last all."""


def _solve_linked_stops(
    problem: Problem,
    seconds: float,
    seed: int,
    start: Plan | None,
    progress: Callable[[Progress], None] | None,
    should_stop: Callable[[], bool] | None,
    engines: dict[str, str],
) -> Plan:
    """`solve` where stops hang together: a search around them as they are held, in turns with moving them."""
    best = Best(problem, time.monotonic(), progress)
    is_late = _late(best.began + seconds, should_stop)
    best.offer(start, "start")
    best.offer(regret_plan(problem, should_stop=is_late), "regret")
    assert best.plan is not None
    if not is_late():
        best.offer(make_room(problem, best.plan, is_late), "regret")
    if best.plan is start and start.unplaced:
        best.offer(fill(problem, start, None, is_late), "regret")
    for turn in range(TURNS):
        left = best.began + seconds - time.monotonic()
        if is_late() or (turn and (left <= 0 or (should_stop is not None and should_stop()))):
            break
        share = max(0.0, left) * (0.5 if turn < TURNS - 1 else 1)

        def on_step(step: Progress) -> None:
            best.offer(assemble(problem, step.plan.routes), step.engine)

        solve(held_as(problem, best.plan), share, seed + turn, best.plan, on_step, should_stop, engines)
        if not is_late():
            best.offer(put_in(problem, make_room(problem, best.plan, is_late), should_stop=is_late), "regret")
    if best.refused:
        engines["refused"] = best.refused[0]
    return explain_linked_stops(problem, best.plan, is_late)


PATIENCE_S: Final = 1.5
"""Where the search was still being compiled at the end of more seconds than this, that goes on without it."""

SMALL: Final = 30
"""Up to this many stops, `ENOUGH` steps without a better plan end the search before its time."""

ENOUGH: Final = 100_000
"""Five times the steps after which the whole time found nothing better on random branches (tests/jobs/routing)."""


class _Improver:
    """The search in this process until the deadline."""

    def __init__(
        self,
        best: Best,
        arrays: Arrays,
        seed: int,
        deadline: float,
        should_stop: Callable[[], bool] | None,
        engines: dict[str, str],
    ) -> None:
        self.best, self.arrays, self.seed, self.deadline = best, arrays, seed, deadline
        self.should_stop, self.engines = should_stop, engines
        self.began = time.monotonic()
        self.search: Search | None = None
        self.steps_at_best = 0

    def run(self) -> None:
        """Improves the best plan, where numba is installed."""
        if find_spec("numba") is None:
            self.engines["ruin"] = "numba is not installed"
            return
        from jobs.rules.routing.search import Search, processors  # numba takes a while to load

        assert self.best.plan is not None
        orders = orders_of(self.best.problem, self.best.plan)
        search = Search(self.arrays, self.best.problem.objective, orders, self.seed)
        self.search = search
        try:
            search.run(self.began, self.deadline, processors(), self._from_search, lambda: not self._goes_on())
        except Exception as failure:  # a compiler at odds with this machine must not cost the plan
            self.engines["ruin"] = f"failed: {type(failure).__name__}"
        if search.steps:
            self.engines["ruin"] = "used"
        elif "ruin" not in self.engines:
            self.engines["ruin"] = "was still being compiled"
            if self.deadline - self.began > PATIENCE_S:
                compile_later()

    def _from_search(self, orders: Orders) -> None:
        if self.best.offer(plan_of(self.best.problem, orders), "ruin") and self.search is not None:
            self.steps_at_best = self.search.steps

    def _goes_on(self) -> bool:
        stopped = self.should_stop is not None and self.should_stop()
        return not stopped and not self._is_exhausted() and time.monotonic() < self.deadline

    def _is_exhausted(self) -> bool:
        """Whether a small problem was searched long enough since its plan last became better."""
        if self.search is None or len(self.best.problem.stops) > SMALL:
            return False
        return self.search.steps - self.steps_at_best > ENOUGH


def compile_later() -> None:
    """Leaves the compiling that a short run could not finish to a process that ends by itself."""
    with contextlib.suppress(OSError):
        subprocess.Popen(
            [sys.executable, "-m", "jobs.rules.routing", "--compile"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=Path(__file__).resolve().parents[3],
            start_new_session=True,
        )
