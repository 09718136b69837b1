"""
An engine in a process beside the search: ``python -m jobs.rules.routing.engine_process``.

Some solvers hold the interpreter lock for all of their run, so they get an interpreter of
their own. The parent writes one pickle (they share the code) and reads one per better
plan; the child ends when the parent closes its input or goes away.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import struct
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

from jobs.rules.routing.model import Problem

Orders = dict[int, list[int]]

ROOT: Final = Path(__file__).resolve().parents[3]


class EngineProcess:
    """One engine at work on a problem in its own process; `tell` is called from a thread."""

    def __init__(
        self,
        engine: str,
        problem: Problem,
        start: Orders,
        seconds: float,
        seed: int,
        tell: Callable[[Orders], object],
    ) -> None:
        self.failure = ""
        self._tell = tell
        self._process = subprocess.Popen(
            [sys.executable, "-m", "jobs.rules.routing.engine_process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            cwd=ROOT,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        task = pickle.dumps((engine, _bare(problem), start, seconds, seed))
        threading.Thread(target=self._write, args=(task,), daemon=True).start()

    @property
    def is_running(self) -> bool:
        """Whether the engine is still at work."""
        return self._reader.is_alive()

    def close(self) -> None:
        """Ends the engine, if it has not ended by itself."""
        self._process.kill()
        self._process.wait()
        self._reader.join(1.0)
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()

    def _write(self, task: bytes) -> None:
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):  # the child has gone: the reader sees it
            self._process.stdin.write(struct.pack(">Q", len(task)) + task)
            self._process.stdin.flush()

    def _read(self) -> None:
        assert self._process.stdout is not None
        while head := self._process.stdout.read(8):
            kind, message = pickle.loads(self._process.stdout.read(struct.unpack(">Q", head)[0]))
            if kind == "plan":
                self._tell(message)
            else:
                self.failure = str(message)


def compile_later() -> None:
    """Leaves the compiling that a short run could not finish to a process that ends by itself."""
    with contextlib.suppress(OSError):
        subprocess.Popen(
            [sys.executable, "-m", "jobs.rules.routing", "--compile"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=ROOT,
            start_new_session=True,
        )


def _bare(problem: Problem) -> dict[str, object]:
    """The problem without what it has worked out: that is quicker made again than sent."""
    return {name: getattr(problem, name) for name in ("crews", "stops", "travel", "objective", "previous")}


def _main() -> None:
    size = struct.unpack(">Q", _exactly(8))[0]
    engine, fields, start, seconds, seed = pickle.loads(_exactly(size))
    out = os.dup(1)
    os.dup2(2, 1)  # whatever a solver prints must not get between the plans
    threading.Thread(target=_watch, daemon=True).start()
    try:
        _run(engine, Problem(**fields), start, seconds, seed, lambda orders: _send(out, ("plan", orders)))
    except Exception as error:
        _send(out, ("failure", f"{type(error).__name__}: {error}"))


def _run(
    engine: str, problem: Problem, start: Orders, seconds: float, seed: int, tell: Callable[[Orders], object]
) -> None:
    if engine == "pyvrp":
        from jobs.rules.routing.polish import polish_with_pyvrp

        polish_with_pyvrp(problem, start, seconds, seed, tell)
    else:
        raise ValueError(f"no engine {engine}")


def _exactly(count: int) -> bytes:
    parts = []
    while count:
        part = os.read(0, min(count, 1 << 20))
        if not part:
            os._exit(0)
        parts.append(part)
        count -= len(part)
    return b"".join(parts)


def _send(out: int, message: tuple[str, object]) -> None:
    packed = pickle.dumps(message)
    packed = struct.pack(">Q", len(packed)) + packed
    while packed:
        try:
            packed = packed[os.write(out, packed) :]
        except OSError:
            os._exit(0)


def _watch() -> None:
    while os.read(0, 4096):
        pass
    os._exit(0)  # the parent has gone or wants no more


if __name__ == "__main__":
    _main()
