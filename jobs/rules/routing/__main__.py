"""
One solve in a process of its own: ``python -m jobs.rules.routing``.

Reads one document, as ``manage.py route`` takes it, on one line of standard input;
writes one JSON object a line: ``{"progress": {..}}`` for every better plan, and last the
answer. It ends, with the best plan so far, when its input closes: keep the pipe open.
A document it can't use goes to standard error as the contract's error, exit code 2.

``python -m jobs.rules.routing --compile`` compiles the search once and keeps it beside the
code, and does so with the packages it loads where an installer left their source alone;
without it the first solve compiles, and answers with the plan by insertion where that takes all its time.
"""

from __future__ import annotations

import contextlib
import json
import os
import py_compile
import sys
import threading
from collections.abc import Iterable
from importlib.util import find_spec
from types import ModuleType

from jobs.rules.routing.command import answer_alone, leave, process_age
from jobs.rules.routing.pipeline import Progress
from shared.contracts import run_command


def main() -> None:
    if sys.argv[1:] == ["--compile"]:
        _compile()
        return
    line = _line()
    closed = threading.Event()
    threading.Thread(target=_watch, args=(closed,), daemon=True).start()
    answer_alone(line, _write, _report, closed.is_set)


def _compile() -> None:
    if find_spec("numba") is not None:
        from jobs.rules.routing.search import compile_all

        compile_all()
    keep_bytecode(list(sys.modules.values()))


def keep_bytecode(modules: Iterable[ModuleType]) -> None:
    """Writes the bytecode of these modules where there is none: else every process makes it anew, for a second."""
    for module in modules:
        source, cached = getattr(module, "__file__", None), getattr(module, "__cached__", None)
        if source and cached and source.endswith(".py") and not os.path.exists(cached):
            with contextlib.suppress(OSError, py_compile.PyCompileError):  # a folder that can't be written to
                py_compile.compile(source, cached, doraise=True)


def _line() -> bytes:
    """The first line of standard input, unbuffered: the watcher must not share a buffer's lock."""
    parts = []
    while part := os.read(0, 1 << 20):
        parts.append(part)
        if b"\n" in part:
            break
    return b"".join(parts)


def _watch(closed: threading.Event) -> None:
    while os.read(0, 4096):
        pass
    closed.set()


def _report(progress: Progress) -> None:
    plan = progress.plan
    left_out = f", {len(plan.unplaced)} unplaced" if plan.unplaced else ""
    progress_line: dict[str, object] = {
        "message": f"cost so far {plan.cost:,}{left_out}",
        "seconds": round(process_age(), 3),
        "engine": progress.engine,
        "unplaced": len(plan.unplaced),
        "travel": plan.travel,
        "cost": plan.cost,
    }
    _write({"progress": progress_line})


def _write(document: dict[str, object]) -> None:
    try:
        sys.stdout.write(json.dumps(document, ensure_ascii=False) + "\n")
        sys.stdout.flush()
    except BrokenPipeError:  # whoever asked has gone: the watcher ends the search
        sys.stdout = open("/dev/null", "w")  # noqa: SIM115


if __name__ == "__main__":
    leave(run_command(main))
