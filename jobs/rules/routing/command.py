"""From a planning document to its answer, within the seconds it asks for."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable
from typing import Any, Final, NoReturn

from jobs.rules.routing.bound import SECONDS_EACH, cost_bound
from jobs.rules.routing.documents import Request, plan_document, read_request
from jobs.rules.routing.model import Plan
from jobs.rules.routing.pipeline import LATE_S, Progress, solve
from jobs.rules.routing.regret import drivable
from jobs.rules.routing.repair import fit_in
from jobs.rules.routing.timing import assemble, plan_of
from jobs.rules.routing.verify import verify
from jobs.rules.routing.why import explain

GRACE_S: Final = 1.0
"""How long after its time a search may go on before it is answered for."""
LEAST_S: Final = 0.3
"""What a search has at the least, where reading its document has taken all its time."""
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
    return _answered(read_request(text), began, progress, should_stop)


def answer_alone(
    text: str | bytes,
    send: Callable[[dict[str, object]], None],
    progress: Callable[[Progress], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> None:
    """`answer` in a process that does nothing else, sent in time, or the best verified plan there is by then."""
    began = time.monotonic() - process_age()
    request = read_request(text)
    talk = _Talk(request, began, send, progress)
    threading.Thread(target=talk.wait_for_the_end_of_time, daemon=True).start()
    talk.end(_answered(request, began, talk.progress, should_stop))


class _Talk:
    """What goes out while a plan is searched: progress, and the answer once and last."""

    def __init__(
        self,
        request: Request,
        began: float,
        send: Callable[[dict[str, object]], None],
        tell: Callable[[Progress], None] | None,
    ) -> None:
        self._request, self._began, self._send, self._tell = request, began, send, tell
        self._lock = threading.Lock()
        self._best = assemble(request.problem, ())
        self._ended = False

    def progress(self, progress: Progress) -> None:
        """A better plan."""
        with self._lock:
            self._best = progress.plan
            if self._tell is not None and not self._ended:
                self._tell(progress)

    def end(self, document: dict[str, object]) -> None:
        """The answer."""
        with self._lock:
            if not self._ended:
                self._ended = True
                self._send(document)

    def wait_for_the_end_of_time(self) -> None:
        """Runs beside the search; answers for it, and ends the process, if it does not come to its end."""
        now = time.monotonic()
        time.sleep(max(LEAST_S, self._began + self._request.seconds + GRACE_S - now))
        plan = explain(self._request.problem, self._best, lambda: True)
        self.end(plan_document(plan, time.monotonic() - self._began))
        leave(0)


def _answered(
    request: Request,
    began: float,
    progress: Callable[[Progress], None] | None,
    should_stop: Callable[[], bool] | None,
) -> dict[str, object]:
    engines: dict[str, str] = {}
    start = _start(request, began, progress)
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


def _start(request: Request, began: float, progress: Callable[[Progress], None] | None) -> Plan | None:
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

    def is_late() -> bool:
        return time.monotonic() > began + request.seconds + LATE_S

    bare = plan_of(problem, drivable(problem, orders, is_late))  # what it is, before anything is put in
    if progress is not None and bare is not None and not verify(problem, bare):
        progress(Progress(time.monotonic() - began, "start", bare))
    return fit_in(problem, orders, is_late)
