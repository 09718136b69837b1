"""
Time and memory of ``manage.py size`` on many openings.

Run as ``python -m tests.benchmarks.sizing [--openings 100000] [--dry]``; the
figures go to docs/bench-sizing.md. Each run is a process of its own, start-up included.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from measuring.rules.families import DIAGONALS, FAMILIES, HEIGHTS, WIDTHS, shown
from tests.benchmarks.misreads import SLIPS, Model, readings, slipped

ROOT = Path(__file__).resolve().parents[2]
DOCUMENT = ROOT / "docs" / "bench-sizing.md"


def openings(count: int, share_slipped: float, unit: str = "in") -> Iterator[dict]:
    """Openings of every family and mount, fully read; a share of them with one slip."""
    rng, model = random.Random(1), Model()
    for number in range(count):
        taken = readings(rng, model, unit)
        if rng.random() < share_slipped:
            wrong = slipped(taken, rng.choice(list(SLIPS.values())), (rng.choice(list(taken)),), rng, unit)
            taken = wrong if min(wrong.values()) > 0 else taken
        text = {spot: shown(ticks, unit) for spot, ticks in taken.items()}
        document = {
            "id": f"o{number}",
            "family": FAMILIES[number % len(FAMILIES)],
            "mount": ("inside", "outside")[number // len(FAMILIES) % 2],
            "widths": {spot.partition(".")[2]: text[spot] for spot in WIDTHS},
            "heights": {spot.partition(".")[2]: text[spot] for spot in HEIGHTS},
            "depth": shown(rng.randrange(4, 40) * 1016, unit),
            "diagonals": [text[spot] for spot in DIAGONALS],
        }
        if document["mount"] == "outside":
            document["cover"] = dict.fromkeys(("left", "right", "top", "bottom"), "3" if unit == "in" else "75")
        yield document


def write(document: Path, lines: Path, given: Iterator[dict]) -> None:
    """Both forms, one opening at a time: a child's memory counts from its parent's at the fork."""
    with document.open("w") as whole, lines.open("w") as one_by_one:
        whole.write('{"unit": "in", "openings": [')
        for number, one in enumerate(given):
            text = json.dumps(one)
            whole.write((", " if number else "") + text)
            one_by_one.write(text + "\n")
        whole.write("]}")


def measured(name: str, *arguments: str) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and largest memory in MB of one call."""
    began = time.monotonic()
    command = [sys.executable, "manage.py", "size", name, *arguments]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.monotonic() - began
    assert status == 0, "manage.py size failed"
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def report(count: int) -> Iterator[str]:
    yield "# Sizing many openings\n"
    yield "Written by `python -m tests.benchmarks.sizing`; do not edit by hand.\n"
    yield f"Python {platform.python_version()}, one process on one core, start-up included. Openings of every"
    yield "family and mount with eight readings and a depth; findings and doubts about readings are worked out"
    yield "for each. The aim: 100,000 in under a minute, under 1 GB, and flat memory with `--lines`."
    yield "Processor time is the figure to trust: wall time also counts what else the machine was busy with.\n"
    yield "| openings | of them with a slip | form | wall s | processor s | ms each | memory, MB |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    with tempfile.TemporaryDirectory() as folder:
        for share in (0.0, 0.1, 1.0):
            document, lines = Path(folder) / "openings.json", Path(folder) / "openings.jsonl"
            write(document, lines, openings(count, share))
            for form, arguments in (("one document", [str(document)]), ("--lines", [str(lines), "--lines"])):
                wall, processor, memory = measured(*arguments)
                each = 1000 * processor / count
                figures = f"{wall:.1f} | {processor:.1f} | {each:.2f} | {memory:.0f}"
                yield f"| {count} | {100 * share:.0f} % | {form} | {figures} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--openings", type=int, default=100_000)
    parser.add_argument("--dry", action="store_true", help=f"leave docs/{DOCUMENT.name} as it is")
    options, _ = parser.parse_known_args()
    lines = []
    for line in report(options.openings):
        print(line, flush=True)
        lines.append(line)
    if not options.dry:
        DOCUMENT.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
