"""What a run of the suite started ends with it, however it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests import servers

RUN = """
import signal, subprocess, sys, time
from tests import servers
signal.signal(signal.SIGINT, signal.default_int_handler)  # what a shell starts in the background ignores it
server = servers.launch([sys.executable, "-c", "import os, time; os.fork(); time.sleep(300)"])
broker = servers.new_broker()
broker.start()
if servers.postgres_programs():
    servers.the_postgres()
print(servers.ground(), broker.folder, server.pid, broker.process.pid, flush=True)
time.sleep(300)
"""


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_run_that_is_ended_leaves_no_process_and_no_folder(how: signal.Signals) -> None:
    env = {name: value for name, value in os.environ.items() if not name.startswith("JAMBWISE_")}
    run = subprocess.Popen(
        [sys.executable, "-c", RUN], cwd=servers.ROOT, env=env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        text=True,
    )  # fmt: skip
    assert run.stdout is not None
    ground, broker, *groups = run.stdout.readline().split()
    known = Path(ground, "postgres")
    left = [Path(ground), Path(broker)]
    left += [Path(known.read_text().partition(" ")[2])] if known.exists() else []
    assert all(folder.is_dir() for folder in left)
    assert all(lives(int(group)) for group in groups)

    run.send_signal(how)
    run.communicate()

    servers.until(lambda: not any(folder.exists() for folder in left), seconds=60, what="no folder")
    servers.until(lambda: not any(lives(int(group)) for group in groups), seconds=60, what="no process")


def lives(group: int) -> bool:
    """Whether a process of the group is left."""
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True
