"""From a planning document to its answer, within the seconds it asks for."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Callable
from typing import Any, Final, NoReturn

from jobs.rules.routing.bound import SECONDS_EACH, cost_bound
from jobs.rules.routing.documents import Request, plan_document, read_request
from jobs.rules.routing.model import Plan
from jobs.rules.routing.pipeline import Progress, solve
from jobs.rules.routing.repair import fit_in

PROOF: Final = 0.02
"""The share of the time that the bound may take; where it takes more there is none."""


def answer(
    text: str | bytes,
    progress: Callable[[Progress], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
    *,
    spent: float = 0.0,
) -> dict[str, Any]:
    """
    Plans a document within the seconds it asks for, of which `spent` are gone already.

    A process that does nothing else passes its `process_age`, so that its start-up counts.

    Raises
    ------
    ContractError
        When the document can't be used.
    """
    began = time.monotonic() - spent
    request = read_request(text)
    engines: dict[str, str] = {}
    start = _start(request)
    problem = request.problem
    proving = SECONDS_EACH * len(problem.stops) ** 2
    is_quick = proving <= PROOF * request.seconds
    left = max(0.0, request.seconds - (time.monotonic() - began) - (proving if is_quick else 0))
    plan = solve(problem, left, request.seed, start, progress, should_stop, engines)
    bound = cost_bound(problem) if is_quick and problem.stops and not plan.unplaced else None
    return plan_document(plan, time.monotonic() - began, engines, bound)


def leave(code: int) -> NoReturn:
    """Ends the process once all is written; taking the compiler down in good order takes 0.4 s nobody needs."""
    with contextlib.suppress(OSError):  # whoever asked has gone
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(code)


def process_age() -> float:
    """Wall seconds since this process began; since this module was loaded where that is unknown."""
    try:
        with open("/proc/self/stat", "rb") as file:
            ticks = int(file.read().rpartition(b")")[2].split()[19])
        return max(0.0, time.clock_gettime(time.CLOCK_BOOTTIME) - ticks / os.sysconf("SC_CLK_TCK"))
    except (OSError, AttributeError, ValueError, IndexError):
        return time.monotonic() - _LOADED


_LOADED = time.monotonic()


def _start(request: Request) -> Plan | None:
    """The previous plan as far as it can still be driven: stops that are gone or don't fit are left out."""
    if not request.previous:
        return None
    problem = request.problem
    orders: dict[int, list[int]] = {}
    seen: set[int] = set()
    for key, ids in request.previous.items():
        if key in problem.day_number:
            kept = dict.fromkeys(problem.stop_number[i] for i in ids if i in problem.stop_number)
            orders[problem.day_number[key]] = [n for n in kept if n not in seen]
            seen.update(kept)
    return fit_in(problem, orders)
