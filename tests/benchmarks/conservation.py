"""
Nothing is lost on the bench, at length: many random histories of saw, rack and office, in ticks.

``python -m tests.benchmarks.conservation [--histories 300] [--first 0]`` plays `tests/fabrication/test_conservation.py`
so often, from that seed on.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time

TEST = "tests/fabrication/test_conservation.py::test_bars_add_up_to_the_tick_whatever_is_done"


def main() -> None:
    """Play, and say how long it took; the exit code is pytest's."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--histories", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    asked, _ = parser.parse_known_args()
    began = time.monotonic()
    end = asked.first + asked.histories
    chosen = [f"{TEST}[{seed}]" for seed in range(asked.first, end)]
    command = [sys.executable, "-m", "pytest", *chosen, "-q", "-p", "no:cacheprovider"]
    done = subprocess.run(command, env=os.environ | {"JAMBWISE_DAYS": str(end)}, check=False)
    print(f"{asked.histories} histories from {asked.first} on, {time.monotonic() - began:.0f} s")
    sys.exit(done.returncode)


if __name__ == "__main__":
    main()
