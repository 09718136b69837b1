"""A document on its engine from a shell: how long it takes and how much memory, its helpers counted."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
MOST_GIB = 2.0
LATE_S = 2.0
ENDED_S = 300.0
"""After so long a process is ended."""


@dataclass(frozen=True, slots=True)
class Took:
    """
    What an answer took, from the start of its process to the end.

    Seconds by the clock and of the processor, and the most memory that the process and its children held at once.
    """

    asked_s: float
    wall_s: float
    processor_s: float
    memory_gib: float
    out: str
    error: str
    code: int

    @property
    def late_s(self) -> float:
        """Seconds beyond those asked; of the processor where that is less, as others may have had the machine."""
        return min(self.wall_s, self.processor_s) - self.asked_s

    @property
    def wrong(self) -> str:
        """What the answer owes the contract; "" for nothing."""
        if self.code:
            return f"ended with {self.code}: {self.error[-300:]}"
        if self.late_s > LATE_S:
            return f"{self.late_s:.1f} s late"
        return f"{self.memory_gib:.1f} GiB" if self.memory_gib > MOST_GIB else ""


def through_the_shell(engine: str, asked: dict[str, Any]) -> Took:
    """The document through ``manage.py``, without a database."""
    environment = {**os.environ, "DATABASE_URL": "postgres://nobody@127.0.0.1:1/none"}
    text = json.dumps(asked, separators=(",", ":")).encode()
    began, before = time.monotonic(), _processor()
    process = subprocess.Popen(
        [sys.executable, "manage.py", engine], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        cwd=ROOT, env=environment,
    )  # fmt: skip
    held: list[float] = [0.0]
    ended = threading.Event()
    watcher = threading.Thread(target=_watch, args=(process.pid, held, ended))
    watcher.start()
    out, error = process.communicate(text)
    wall, processor = time.monotonic() - began, _processor() - before
    ended.set()
    watcher.join()
    return Took(asked["seconds"], wall, processor, held[0], out.decode(), error.decode(), process.returncode)


def _processor() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _watch(pid: int, held: list[float], ended: threading.Event) -> None:
    """Notes what is held, and ends what would take the machine's memory, or never ends."""
    began = time.monotonic()
    while not ended.wait(0.02):
        family = _family(pid)
        held[0] = max(held[0], sum(map(_held, family)))
        if held[0] > 2 * MOST_GIB or time.monotonic() - began > ENDED_S:
            for each in family:
                with contextlib.suppress(OSError):
                    os.kill(each, signal.SIGKILL)


def _family(pid: int) -> list[int]:
    found, waiting = [], [pid]
    while waiting:
        each = waiting.pop()
        found.append(each)
        try:
            for task in os.listdir(f"/proc/{each}/task"):
                waiting += map(int, Path(f"/proc/{each}/task/{task}/children").read_text().split())
        except OSError:  # it has ended
            continue
    return found


def _held(pid: int) -> float:
    """GiB of memory of one process that is in use."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except (OSError, IndexError):
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 1024**3
