"""From a problem to a checked plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from fabrication.rules.cutting.bars import planning as bar_planning
from fabrication.rules.cutting.problem import BarProblem, Plan, Problem
from fabrication.rules.cutting.rolls import planning as roll_planning
from fabrication.rules.cutting.verify import verify
from fabrication.rules.cutting.watch import Progress, Watch


def solve(
    problem: Problem,
    seconds: float = 10.0,
    seed: int = 0,
    *,
    steps: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
    on_plan: Callable[[Plan], None] | None = None,
    started: float | None = None,
) -> Plan:
    """
    The cheapest plan found in the time, with a bound on what any plan costs.

    Parameters
    ----------
    problem
        Bars or rolls. Pieces that no stock holds are left out and named in `unplaced`.
    seconds
        Wall time, counted from `started` (a `time.monotonic` value) or from the call. The
        search ends earlier when the plan is proven.
    steps
        Search steps, about a million for each second of a quiet machine; then the same problem
        and seed give the same plan on every machine that takes them within the seconds.
    seed
        Of all randomness.
    progress
        Called with the phase, the share of the time used, the cost and the bound.
    should_stop
        Asked often; once true the best plan so far is returned.
    on_plan
        Called with every better plan, checked, as it is found.

    Returns
    -------
    Plan
        Checked by `verify`, which shares no code with the search.

    Examples
    --------
    >>> from fabrication.rules.cutting import BarPiece, BarProblem, BarStock
    >>> from shared.lengths import Length
    >>> pieces = (BarPiece("a", Length(50), 4), BarPiece("b", Length(60), 2))
    >>> problem = BarProblem((BarStock("s", Length(110)),), pieces)
    >>> plan = solve(problem)
    >>> plan.proven, plan.material.ticks, [(pattern.times, len(pattern.cuts)) for pattern in plan.patterns]
    (True, 330, [(2, 2), (1, 2)])
    """
    watch = Watch(seconds, steps=steps, started=started, progress=progress, should_stop=should_stop)

    def checked(plan: Plan) -> Plan:
        plan = replace(plan, seconds=watch.elapsed())
        verify(problem, plan)
        return plan

    def report(plan: Plan) -> None:
        if on_plan is not None:
            on_plan(checked(plan))

    if isinstance(problem, BarProblem):
        return checked(bar_planning.plan(problem, watch, seed, report))
    return checked(roll_planning.plan(problem, watch, seed, report))


def first_fit(problem: Problem) -> Plan:
    """
    The plan of the plain rule, for comparison.

    Bars: longest piece first into the first open bar with room; else the shortest offcut
    (or other limited stock) that holds it is opened, else the longest endless stock. Rolls:
    best-fit decreasing shelves (longest drop first, the lay with least width left over that
    holds it), on the stock with the least price per area.
    """
    plan = bar_planning.baseline(problem) if isinstance(problem, BarProblem) else roll_planning.baseline(problem)
    verify(problem, plan)
    return plan
