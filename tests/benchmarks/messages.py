"""
Messages through a killed worker and a gateway that is down for a minute: ``python -m tests.benchmarks.messages``.

It runs `tests/faults/test_messages.py`, which asserts what is asked, with a thousand messages instead of twelve, and
writes what it printed to docs/bench-messages.md. ``--messages N`` for fewer (the gateway is then not down).
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import platform
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DOCUMENT = ROOT / "docs" / "bench-messages.md"
SAID = re.compile(r"^(\d+) sent, (\d+) unsure, (\d+) s$", re.MULTILINE)


def measure(messages: int) -> tuple[int, int, int]:
    """Accepted once, not known, and the seconds until nothing waited; ends where the test failed."""
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "tests/faults/test_messages.py", "-q", "-s"],
        cwd=ROOT, env={**os.environ, "JAMBWISE_MESSAGES": str(messages)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    found = SAID.search(run.stdout)
    if run.returncode or found is None:
        sys.exit(f"{run.stdout}\n{run.stderr}")
    sent, unsure, seconds = map(int, found.groups())
    return sent, unsure, seconds


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=1000)
    parser.add_argument("--dry", action="store_true", help="print only")
    asked, _ = parser.parse_known_args()
    load = os.getloadavg()
    sent, unsure, seconds = measure(asked.messages)
    text = f"""# Messages through faults

{dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M} UTC; {os.cpu_count()} cores, {platform.machine()}, Python
{platform.python_version()}; load average at the start {load[0]:.1f}, {load[1]:.1f}, {load[2]:.1f}. Made by
`./run bench messages`: {asked.messages:,} text messages are queued, the worker that sends them is killed after a third,
another takes its place, and the gateway answers 503 for the first minute of that. Each request carries the message's
own key, by which the gateway counts.

| | asked | seen |
| --- | --- | --- |
| accepted | at least 995 of 1,000 | {sent:,} of {asked.messages:,} |
| nothing waits any more, after the gateway's return | within 15 min | {seconds} s |
| taken twice | none | none |
| may have gone, not sent again, on the list of decisions | each | {unsure} of {unsure} |
"""
    print(text)
    if not asked.dry:
        DOCUMENT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
