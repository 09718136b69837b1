"""
The pipeline: a legal plan at once, then better ones until the time is up.

Every plan an engine hands over is verified before it may replace the best one.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.util import find_spec

from jobs.rules.routing.arrays import Arrays, arrays_of
from jobs.rules.routing.model import Plan, Problem
from jobs.rules.routing.regret import regret_plan
from jobs.rules.routing.timing import orders_of, plan_of
from jobs.rules.routing.verify import verify
from jobs.rules.routing.why import explain


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
    best = Best(problem, time.monotonic(), progress)
    deadline = best.began + seconds
    best.offer(start, "start")
    arrays = arrays_of(problem)
    best.offer(regret_plan(problem, arrays=arrays), "regret")
    if best.plan is not None and best.plan is start and start.unplaced:
        best.offer(regret_plan(problem, orders_of(problem, start), arrays), "regret")
    engines["regret"] = "used"
    if problem.stops and problem.days:
        _ruin(best, arrays, seed, deadline, should_stop, engines)
    if best.refused:
        engines["refused"] = best.refused[0]
    assert best.plan is not None
    return explain(problem, best.plan)


def _ruin(
    best: Best,
    arrays: Arrays,
    seed: int,
    deadline: float,
    should_stop: Callable[[], bool] | None,
    engines: dict[str, str],
) -> None:
    if find_spec("numba") is None:
        engines["ruin"] = "numba is not installed"
        return
    from jobs.rules.routing.search import Search, processors  # numba takes a while to load

    problem = best.problem
    assert best.plan is not None
    search = Search(arrays, problem.objective, orders_of(problem, best.plan), seed)
    engines["ruin"] = "used"
    search.run(time.monotonic(), deadline, processors(), lambda o: best.offer(plan_of(problem, o), "ruin"), should_stop)
