"""Long work that only tests ask for; a real worker under test settings knows it too."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import Any

from shared import audit, runs


@runs.long_work("tests.add", title="Add two numbers")
def add(ctx: runs.Context) -> dict[str, Any]:
    """Adds, saying which process did it."""
    ctx.progress(1, 2, "adding")
    return {"sum": ctx.params["a"] + ctx.params["b"], "pid": os.getpid()}


@runs.long_work("tests.plan", title="Add two numbers in the queue of plans", queue="plans")
def plan(ctx: runs.Context) -> dict[str, Any]:
    """The same where plans are made."""
    return {"sum": ctx.params["a"] + ctx.params["b"]}


@runs.long_work("tests.slow_write", title="Write one entry, slowly")
def slow_write(ctx: runs.Context) -> None:
    """Leaves a mark that it began, takes its time, then writes one audit entry with its result."""
    with Path(ctx.params["begun"]).open("a") as file:
        file.write(f"{os.getpid()}\n")
    seconds = ctx.params["seconds"] if ctx.run.attempts == 1 else 0.1
    for step in range(int(seconds * 20)):
        time.sleep(0.05)
        ctx.progress(step + 1, int(seconds * 20), "writing")
        ctx.raise_if_stopped()
    with ctx.finishing() as result:
        audit.record(by=ctx.by, action="wrote once", subject=ctx.run)
        result["pid"] = os.getpid()


@runs.long_work("tests.solve", title="Ask a solver")
def solve(ctx: runs.Context) -> dict[str, Any]:
    """Runs ``tests/shared/solver.py`` as a process."""
    return runs.run_process(ctx, [sys.executable, "-m", "tests.shared.solver"], ctx.params)
