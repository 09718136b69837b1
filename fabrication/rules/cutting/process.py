"""
A solve as a process of its own: ``python -m fabrication.rules.cutting``.

The problem comes in as one JSON document on standard input, which then stays open: once it
closes (the parent has lost interest, or died) the best plan so far is printed and the
process ends. Out come JSON lines: ``{"progress": {"done", "total", "message", "cost",
"bound"}}``, and as the last line the answer. ``manage.py cut`` answers the same document without progress.
"""

from __future__ import annotations

import json
import os
import sys
from fractions import Fraction
from threading import Event, Lock, Thread
from time import monotonic
from typing import Any

from fabrication.rules.cutting.problem import Plan
from fabrication.rules.cutting.reading import Request, plan_json, read_request
from fabrication.rules.cutting.watch import Progress
from shared.contracts import LARGEST_DOCUMENT, run_command

GRACE_S = 1.0
"""How long a search may take to notice that its input closed, or its time, before it is cut short."""


def answer(request: Request, started: float, **hooks: Any) -> dict[str, Any]:
    """The answer object of one request; `hooks` as those of `solve`."""
    from fabrication.rules.cutting.solving import solve

    plan = solve(request.problem, request.seconds, request.seed, steps=request.steps, started=started, **hooks)
    return plan_json(request.problem, plan)


def process_started() -> float:
    """When this process began, as a monotonic time; now where the system won't say."""
    now = monotonic()
    try:
        with open("/proc/self/stat", encoding="ascii", errors="replace") as file:
            ticks = int(file.read().rpartition(")")[2].split()[19])
        began = ticks / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, IndexError):
        return now
    return began if 0 <= now - began <= 30 else now


class Talk:
    """What goes out on standard output, one line at a time, the answer once and last."""

    def __init__(self, request: Request) -> None:
        self._request = request
        self._lock = Lock()
        self._best: Plan | None = None
        self._ended = False
        self.closed = Event()

    def progress(self, progress: Progress) -> None:
        """One progress line."""
        with self._lock:
            if not self._ended:
                sent = {
                    "done": round(progress.done * 100),
                    "total": 100,
                    "message": progress.phase,
                    "cost": self._units(progress.cost),
                    "bound": self._units(progress.bound),
                }
                self._write({"progress": sent})

    def better(self, plan: Plan) -> None:
        """Remembers the best plan, for the case that we must end at once."""
        self._best = plan

    def end(self, answer: dict[str, object]) -> None:
        """The answer."""
        with self._lock:
            if not self._ended:
                self._ended = True
                self._write(answer)

    def wait_for_the_end_of_input(self) -> None:
        """Runs beside the search; stops it, and ends the process if it does not heed."""
        while os.read(0, 65536):
            pass
        self.closed.set()
        Event().wait(GRACE_S)
        self._end_with_the_best()

    def wait_for_the_end_of_time(self, started: float) -> None:
        """The same once the seconds asked for are over, from when there is a plan."""
        Event().wait(max(0.0, started + self._request.seconds + GRACE_S - monotonic()))
        while self._best is None:
            Event().wait(0.05)
        self._end_with_the_best()

    def _end_with_the_best(self) -> None:
        if self._best is not None:
            self.end(plan_json(self._request.problem, self._best))
        os._exit(0)

    def _units(self, ticks: Fraction | None) -> float | None:
        from fabrication.rules.cutting.problem import ticks_per_unit

        return None if ticks is None else float(ticks / ticks_per_unit(self._request.problem.unit))

    def _write(self, line: dict[str, object]) -> None:
        try:
            os.write(1, (json.dumps(line, ensure_ascii=False) + "\n").encode())
        except OSError:  # nobody listens any more
            os._exit(0)


def answer_alone(request: Request, started: float) -> None:
    """The answer on standard output and nothing else; in a process that does nothing else."""
    talk = Talk(request)
    Thread(target=talk.wait_for_the_end_of_time, args=(started,), daemon=True).start()
    talk.end(answer(request, started, on_plan=talk.better))


def read_document() -> bytes:
    """Standard input up to the end of its first JSON document (or of the input)."""
    text = b""
    while len(text) <= LARGEST_DOCUMENT:
        chunk = os.read(0, 1 << 20)
        text += chunk
        if not chunk or (text.rstrip().endswith(b"}") and _is_whole(text)):
            break
    return text


def _is_whole(text: bytes) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    except RecursionError:
        return True
    return True


def main() -> int:
    """The process; exit code 2 and an error object on standard error for a bad document."""
    started = process_started()

    def run() -> int:
        request = read_request(read_document())
        talk = Talk(request)
        Thread(target=talk.wait_for_the_end_of_input, daemon=True).start()
        Thread(target=talk.wait_for_the_end_of_time, args=(started,), daemon=True).start()
        hooks = {"progress": talk.progress, "should_stop": talk.closed.is_set, "on_plan": talk.better}
        talk.end(answer(request, started, **hooks))
        return 0

    code = run_command(run)
    sys.stderr.flush()
    os._exit(code)  # the thread on standard input would hold an ordinary exit up
