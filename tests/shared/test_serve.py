"""The site as ``./run serve`` leaves it to `shared.serve`: broker, worker with its clock and web, up and down."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from shared.serve import Crew
from tests import servers
from tests.servers import ROOT, free_port, launch, unit_commands, until

pytestmark = pytest.mark.worker


def test_a_firms_site_comes_up_with_a_code_and_goes_down_whole(tmp_path: Path) -> None:
    laid, _ = servers.laid("sqlite", 0)
    shutil.copytree(laid, tmp_path, dirs_exist_ok=True)
    port, log = free_port(), tmp_path / "out"
    env = {**servers.clean_environment(), "JAMBWISE_DATA": str(tmp_path), "JAMBWISE_PORT": str(port)}
    begun = time.monotonic()
    with log.open("w") as out:
        site = launch([*unit_commands("jambwise.service")[0], "--processes", "1"], cwd=ROOT, env=env, stdout=out)
        until(lambda: "One-time code: " in log.read_text(), what="the code of the set-up", seconds=60)
        with urllib.request.urlopen(f"http://localhost:{port}/jobs/") as answer:
            page = answer.read().decode()
        took = time.monotonic() - begun
        until(lambda: _worker_answers(port), what="a worker for every queue")
        mine = _of_this_site(tmp_path)
        killed = _of_this_site(tmp_path, "documents-")
        for process in killed:
            os.kill(int(process), signal.SIGKILL)
        until(lambda: not _worker_answers(port), what="the site misses its worker")
        until(lambda: _of_this_site(tmp_path, "documents-"), what="the worker is started again", seconds=60)
        until(lambda: _worker_answers(port), what="the worker is there again", seconds=60)
        again = _of_this_site(tmp_path, "documents-")
        site.send_signal(signal.SIGTERM)
        site.wait(timeout=60)

    assert "One-time code" in page
    assert took < 60
    assert len(mine) >= 6  # itself, broker, three workers, web
    assert again
    assert not set(killed) & set(again)
    assert _of_this_site(tmp_path) == []
    assert site.returncode == 0


def _worker_answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://localhost:{port}/readyz") as answer:
            return bool(json.load(answer)["parts"]["worker"])
    except urllib.error.HTTPError as error:
        return bool(json.load(error)["parts"]["worker"])


def _of_this_site(folder: Path, word: str = "") -> list[str]:
    """Processes with this data folder in their environment, and this word in their command."""
    mark = f"JAMBWISE_DATA={folder}".encode()
    found = []
    for process in Path("/proc").iterdir():
        if process.name.isdigit():
            try:
                of_us = mark in (process / "environ").read_bytes().split(b"\0")
                if of_us and word.encode() in (process / "cmdline").read_bytes():
                    found.append(process.name)
            except OSError:
                continue  # ended meanwhile
    return found


ENDLESS = """
import sys, time
from shared.serve import Crew
crew = Crew()
crew.start("one", ["sleep", "600"], {})
print(crew.running["one"].process.pid, flush=True)
time.sleep(600)
"""


def test_nothing_outlives_a_site_that_is_killed() -> None:
    """Its workers went on: one for 22 minutes."""
    site = launch([sys.executable, "-c", ENDLESS], cwd=ROOT, stdout=subprocess.PIPE)
    assert site.stdout is not None
    child = Path(f"/proc/{int(site.stdout.readline())}")
    assert child.exists()

    site.kill()
    site.wait(timeout=10)

    until(lambda: not child.exists() or "\nState:\tZ" in (child / "status").read_text(), what="the child ends")


def test_what_keeps_ending_is_started_again_later_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    now, crew = [100.0], Crew()
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    crew.start("one", ["true"], {})
    starts = []
    for _ in range(400):
        before = crew.running["one"].process
        before.wait(timeout=10)
        crew.look()
        if crew.running["one"].process is not before:
            starts.append(now[0] - 100)
        now[0] += 0.5
    crew.running["one"].process.wait(timeout=10)

    assert starts[:7] == [1, 3.5, 8, 16.5, 33, 63.5, 94]  # after 1, 2, 4, 8, 16, 30 and 30 s, seen every half


def test_a_taken_port_is_said_and_nothing_is_started(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        env = {**os.environ, "JAMBWISE_DATA": str(tmp_path), "JAMBWISE_ENV": ""}
        done = subprocess.run(
            [sys.executable, "-m", "shared.serve", "--firm", "--port", port],
            cwd=ROOT, env=env, capture_output=True, text=True, timeout=60,
        )  # fmt: skip

    assert done.returncode == 1
    assert f"port {port} is taken" in done.stderr
