"""
Ten thousand hostile documents an engine: ``./run bench fuzz`` (``--quick``: 500; ``--from N``: other seeds).

Counts answers, refusals, tracebacks and answers later than asked and 2 s, with the memory used; then the
largest documents of the contract from a shell, each with few seconds and with many (``--extremes``: these alone).
"""

from __future__ import annotations

import argparse
import faulthandler
import resource
import sys
from collections import Counter
from collections.abc import Sequence

from tests.fuzz.bounds import through_the_shell
from tests.fuzz.extremes import cuts, routes
from tests.fuzz.trying import tried

MOST = 10_000
HANGS_S = 60
"""A document that takes longer ends the run with a trace of where it hangs."""


def main() -> int:
    """Prints a line an engine; exit code 1 when any document went wrong."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--quick", action="store_true")
    words.add_argument("--extremes", action="store_true")
    words.add_argument("--from", dest="first", type=int, default=0)
    asked = words.parse_args()
    wrong = 0 if asked.extremes else hostile(asked.first, 500 if asked.quick else MOST)
    wrong += extremes((0.1,) if asked.quick else (0.1, 2, 20))
    return 1 if wrong else 0


def hostile(first: int, count: int) -> int:
    """How many of so many documents an engine went wrong."""
    wrong = 0
    for engine in ("cut", "route", "size"):
        became: Counter[str] = Counter()
        slowest = 0.0
        for seed in range(first, first + count):
            faulthandler.dump_traceback_later(HANGS_S, exit=True)
            done = tried(engine, seed)
            became[done.became] += 1
            slowest = max(slowest, done.seconds)
            if done.wrong:
                wrong += 1
                print(f"{engine} {seed}: {done.wrong}", flush=True)
        faulthandler.cancel_dump_traceback_later()
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
        told = ", ".join(f"{number} {word}" for word, number in sorted(became.items()))
        print(f"{engine}: {count} documents, {told}; slowest {slowest:.2f} s; {memory:.2f} GiB at most", flush=True)
    return wrong


def extremes(seconds: Sequence[float]) -> int:
    """A line for each of the largest documents; how many went wrong."""
    wrong = 0
    print("asked, by the clock and of the processor in seconds; GiB")
    for engine, documents in (("cut", cuts()), ("route", routes())):
        for name, make in documents.items():
            for each in seconds:
                took = through_the_shell(engine, make() | {"seconds": each})
                figures = f"{each:4} {took.wall_s:6.2f} {took.processor_s:6.2f} {took.memory_gib:5.2f}"
                print(f"{engine} {name:38} {figures} {took.wrong}", flush=True)
                wrong += bool(took.wrong)
    return wrong


if __name__ == "__main__":
    sys.exit(main())
