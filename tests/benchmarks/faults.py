"""
What becomes of a site when disk, database, broker, clock, phones or a process fail: ``./run bench faults [NAME …]``.

Each scenario of `tests.faults.scenarios` starts servers of its own (root for a disk of its own, faketime for the
clock), and fails if anything is half, lost or doubled. Its line in ``docs/bench-faults.md`` is written anew; those not
played stay. ``--part`` plays a small part of each and writes nothing.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

DOCUMENT: Final = Path(__file__).resolve().parents[2] / "docs" / "bench-faults.md"
HEAD: Final = f"""# Faults, played

Made by `./run bench faults`; {os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}. Each
line is of the time it was last played; the machine was shared, so seconds are upper figures. Recovery counts from the
moment at which what had failed was there again. Every scenario fails where anything is half, lost or doubled.

| what | what was seen | recovery | played, UTC |
| --- | --- | --- | --- |
"""


def main() -> int:
    """Play, and write the lines."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    from tests.faults.scenarios import ALL

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*")
    parser.add_argument("--part", action="store_true")
    chosen = parser.parse_args()
    failed = 0
    for name in chosen.names or ALL:
        begun = time.monotonic()
        try:
            seen = ALL[name](chosen.part)
        except AssertionError as error:
            print(f"{name}: FAILED: {error}", flush=True)
            failed += 1
            continue
        print(f"{name}, {time.monotonic() - begun:.0f} s: {seen}", flush=True)
        if not chosen.part:
            write(f"| {seen.what} | {seen.done} | {seen.recovery} | {datetime.now(UTC):%Y-%m-%d %H:%M} |")
    return 1 if failed else 0


def write(line: str) -> None:
    """This line in the place of the one of the same scenario."""
    what = line.split("|")[1]
    old = DOCUMENT.read_text(encoding="utf-8") if DOCUMENT.exists() else HEAD
    table, _, after = old.partition("--- |\n")[2].partition("\n\n")
    kept = [one for one in table.splitlines() if one.startswith("|") and one.split("|")[1] != what]
    DOCUMENT.write_text(HEAD + "\n".join([*kept, line]) + "\n" + (f"\n{after}" if after else ""), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
