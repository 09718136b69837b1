"""``./run``: plain POSIX shell that says what it does."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.servers import ROOT


@pytest.mark.parametrize("script", ["run", ".ci/run"])
def test_scripts_are_posix_shell(script: str) -> None:
    shell = shutil.which("dash") or shutil.which("sh")
    assert shell

    assert subprocess.run([shell, "-n", str(ROOT / script)], capture_output=True).returncode == 0
    assert os.access(ROOT / script, os.X_OK)


def test_an_unknown_command_says_what_there_is() -> None:
    done = subprocess.run([str(ROOT / "run"), "dance"], capture_output=True, text=True)

    assert done.returncode == 1
    assert "usage: ./run serve | demo | test" in done.stderr


def test_without_packages_somebody_who_is_not_root_gets_the_exact_line(tmp_path: Path) -> None:
    """Runs the script with a PATH on which apt-get exists, libraries cannot be found and we are nobody."""
    tools = {
        "id": "echo 1000",
        "apt-get": "exit 1",
        "ldconfig": "exit 0",
        "uname": "echo Linux",
        "python3": "exec " + (shutil.which("python3") or "python3") + ' "$@"',
    }
    for name, body in tools.items():
        (tmp_path / name).write_text(f"#!/bin/sh\n{body}\n")
        (tmp_path / name).chmod(0o755)
    for name in ("sh", "dirname", "sort", "tr", "grep", "cat", "ls", "cksum", "printf", "basename", "env"):
        if found := shutil.which(name):
            (tmp_path / name).symlink_to(found)

    done = subprocess.run(
        ["/bin/sh", str(ROOT / "run"), "setup"], env={"PATH": str(tmp_path)}, capture_output=True, text=True
    )

    assert done.returncode == 1
    assert "sudo apt-get install -y --no-install-recommends" in done.stderr
    assert "libpango-1.0-0" in done.stderr
