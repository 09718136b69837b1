"""
Spreads what lost its crew, in a process of its own: ``python -m jobs.rules.spread``.

One planning document on one line of standard input, as ``manage.py route`` takes it: its
`previous` plan is what stands, and the stops that are in none of its routes lost their crew.
The answer is a plan document with ``kept``, the share of standing stops that keep crew and
shift, and ``moved``, the ids of those that do not. It ends when its input closes.
"""

from __future__ import annotations

import json
import sys
import threading
from typing import Any

from jobs.rules.routing import Plan, crew_drops_out, fit_in, orders_of, plan_of
from jobs.rules.routing.__main__ import _line, _watch
from jobs.rules.routing.command import process_age
from jobs.rules.routing.documents import Request, plan_document, read_request
from shared.contracts import run_command


def main() -> None:
    line = _line()
    closed = threading.Event()
    threading.Thread(target=_watch, args=(closed,), daemon=True).start()
    sys.stdout.write(json.dumps(spread(line, closed), ensure_ascii=False) + "\n")


def spread(text: str | bytes, closed: threading.Event | None = None) -> dict[str, Any]:
    """
    The answer to one document.

    Raises
    ------
    ContractError
        When the document can't be used.
    """
    request = read_request(text)
    left = max(0.5, request.seconds - process_age())
    found = crew_drops_out(
        request.problem, standing(request), request.problem.crews[0].id, (), seconds=left, seed=request.seed,
        should_stop=closed.is_set if closed is not None else None,
    )  # fmt: skip
    return plan_document(found.plan, process_age()) | {"kept": found.kept, "moved": list(found.moved)}


def standing(request: Request) -> Plan:
    """The previous plan as far as it can be driven, with nothing else put in."""
    problem = request.problem
    orders = {
        problem.day_number[key]: [problem.stop_number[stop] for stop in ids]
        for key, ids in request.previous.items()
        if key in problem.day_number
    }
    plan = plan_of(problem, orders)
    if plan is not None:
        return plan
    old = {stop for order in orders.values() for stop in order}
    fitted = orders_of(problem, fit_in(problem, orders))
    return plan_of(problem, {day: [stop for stop in order if stop in old] for day, order in fitted.items()}) or Plan(
        routes=(), unplaced=(), travel=0, cost=0, placed=0, required_left=0
    )


if __name__ == "__main__":
    sys.exit(run_command(main))
