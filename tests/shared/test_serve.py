"""The site as ``./run serve`` leaves it to `shared.serve`: broker, worker with its clock and web, up and down."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from tests import servers
from tests.servers import ROOT, free_port, launch, until

pytestmark = pytest.mark.worker


def test_a_firms_site_comes_up_with_a_code_and_goes_down_whole(tmp_path: Path) -> None:
    laid, _ = servers._laid("sqlite", 0)
    shutil.copytree(laid, tmp_path, dirs_exist_ok=True)
    port, log = free_port(), tmp_path / "out"
    env = {**servers._clean_environment(), "JAMBWISE_DATA": str(tmp_path), "JAMBWISE_PORT": str(port)}
    begun = time.monotonic()
    with log.open("w") as out:
        site = launch(
            [sys.executable, "-m", "shared.serve", "--firm", "--processes", "1"], cwd=ROOT, env=env, stdout=out
        )
        until(lambda: "One-time code: " in log.read_text(), what="the code of the set-up", seconds=60)
        with urllib.request.urlopen(f"http://localhost:{port}/jobs/") as answer:
            page = answer.read().decode()
        took = time.monotonic() - begun
        mine = _of_this_site(tmp_path)
        site.send_signal(signal.SIGTERM)
        site.wait(timeout=60)

    assert "One-time code" in page
    assert took < 60
    assert len(mine) >= 4  # itself, broker, worker, web
    assert _of_this_site(tmp_path) == []
    assert site.returncode == 0


def _of_this_site(folder: Path) -> list[str]:
    """Processes with this data folder in their environment."""
    mark = f"JAMBWISE_DATA={folder}".encode()
    found = []
    for process in Path("/proc").iterdir():
        if process.name.isdigit():
            try:
                if mark in (process / "environ").read_bytes().split(b"\0"):
                    found.append(process.name)
            except OSError:
                continue  # ended meanwhile
    return found


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
