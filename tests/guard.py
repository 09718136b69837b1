"""
Ends what a run of the suite started, however the run ends: ``python -m tests.guard FIFO``.

Every process of the run holds the pipe open and writes lines to it: ``group PID``, ``server PID``, ``folder PATH``,
``namespace NAME``, and ``ended PID`` of what it has stopped itself. When the last of them is gone, by a signal or a
power button too, the pipe ends; what is left is killed and the folders are removed.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path


def watch(lines: Iterable[str]) -> None:
    """Keep the list until the lines end, then end what is on it."""
    groups: dict[int, bool] = {}
    folders: list[Path] = []
    namespaces: list[str] = []
    for line in lines:
        what, _, value = line.rstrip("\n").partition(" ")
        if what == "folder":
            folders.append(Path(value))
        elif what == "namespace":
            namespaces.append(value)
        elif what == "ended":
            groups.pop(int(value), None)
        else:
            groups[int(value)] = what == "group"
    for pid, is_group in groups.items():
        with suppress(ProcessLookupError):
            if is_group:
                os.killpg(pid, signal.SIGKILL)
            else:
                os.kill(pid, signal.SIGQUIT)  # PostgreSQL's immediate shutdown, of its children too
    for namespace in namespaces:
        subprocess.run(["ip", "netns", "del", namespace], stderr=subprocess.DEVNULL, check=False)
    for folder in folders:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    with Path(sys.argv[1]).open() as pipe:
        print("ready", flush=True)
        watch(pipe)
