"""
Random histories by the hundred, after each of which everything that shows the same fact must say the same.

    python -m tests.benchmarks.agreement [--histories 500] [--seed 1] [--processes 2] [--kept FILE]

Plays `tests.agreement.histories` in a database of its own a process, ten to a seed; each seed's outcome is printed as
it comes, and one that differs with its journal: it plays again in the suite with ``JAMBWISE_AGREEMENT_SEED``. With
``--kept`` the counts of every seed played are kept in that file, and a seed that is in it is not played again, so what
was broken off goes on where it stopped. Every fact must have been compared a hundred times at every place of the
table, blanks left out.
"""

from __future__ import annotations

import argparse
import gc
import json
import multiprocessing
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

A_SEED = 10
"""Histories to a seed."""


@dataclass
class Played:
    """What one seed came to: how often each fact was compared at each place, and the stories that differ."""

    seed: int
    seconds: float
    counts: list[tuple[str, str, int]]
    stories: list[list[str]]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--histories", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1, help="the first seed")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--kept", type=Path, help="a file of what was played, to go on from")
    parser.add_argument("--quick", action="store_true", help="20 histories")
    chosen, _ = parser.parse_known_args()  # the other benchmarks' arguments are none of ours
    histories = 20 if chosen.quick else chosen.histories
    seeds = range(chosen.seed, chosen.seed + -(-histories // A_SEED))
    kept = read_kept(chosen.kept)
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="jw-agreement-") as folder:
        for played in play([one for one in seeds if one not in kept], chosen.processes, folder):
            kept[played.seed] = played
            done = sum(one in kept for one in seeds)
            said = f"seed {played.seed}: {len(played.stories)} with a difference, {played.seconds:.0f} s"
            print(f"{said} ({done} of {len(seeds)} seeds)", flush=True)
            for story in played.stories:
                print(*story, sep="\n  ", flush=True)
            if chosen.kept:
                chosen.kept.write_text(json.dumps([asdict(one) for one in kept.values()]))
    return tell([kept[one] for one in seeds], time.monotonic() - began)


def read_kept(path: Path | None) -> dict[int, Played]:
    if path is None or not path.exists():
        return {}
    return {row["seed"]: Played(**row) for row in json.loads(path.read_text())}


def tell(played: Sequence[Played], seconds: float) -> int:
    """Prints the table; 1 when anything differs, or was compared too seldom."""
    from tests.agreement.expected import FLOOR, PLACES

    counts: Counter[tuple[str, str]] = Counter()
    for one in played:
        for fact, place, count in one.counts:
            counts[fact, place] += count
    for (fact, place), count in sorted(counts.items()):
        print(f"{count:6} {fact} @ {place}")
    histories, bad = A_SEED * len(played), sum(len(one.stories) for one in played)
    print(f"{histories} histories, {bad} with a difference; {seconds:.0f} s now", flush=True)
    seldom = sorted(pair for pair in {*PLACES, *counts} if counts[pair] < FLOOR)
    if histories >= 500 and seldom:
        print(f"compared less than {FLOOR} times:", *seldom, sep="\n  ", flush=True)
        return 1
    return 1 if bad else 0


# -- in a process of its own -------------------------------------------------------------------


def play(seeds: Sequence[int], processes: int, folder: str) -> Iterator[Played]:
    """Each seed as it is done."""
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, spawn, initializer=found, initargs=(folder,)) as pool:
        for done in as_completed([pool.submit(play_seed, one) for one in seeds]):
            yield done.result()


_here: dict[str, Any] = {}
"""The process's own firm, and what was shown of it; what holds its transaction open."""


def found(folder: str) -> None:
    """A database of this process with the firm that every history begins from."""
    own = tempfile.mkdtemp(dir=folder)
    os.environ["JAMBWISE_DATA"] = own
    os.environ["DATABASE_URL"] = f"sqlite:///{own}/agreement.sqlite3"
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    import time_machine
    from django.core.management import call_command
    from django.test.utils import setup_test_environment

    from tests.agreement.firm import NOW
    from tests.agreement.histories import undone, whole_firm
    from tests.agreement.memory import Memory

    setup_test_environment()
    call_command("migrate", verbosity=0)
    _here["open"] = ExitStack()
    _here["open"].enter_context(undone())
    with time_machine.travel(NOW, tick=False):
        _here["firm"] = whole_firm()
        _here["memory"] = Memory(_here["firm"])
    gc.freeze()  # pages that are kept have many parts: an eighth of the time went by looking them through
    gc.set_threshold(50_000)


def play_seed(by_seed: int) -> Played:
    from tests.agreement.compare import Comparison
    from tests.agreement.expected import unexpected
    from tests.agreement.histories import play, undone

    comparison, began = Comparison(), time.monotonic()
    with undone():
        play(_here["firm"], _here["memory"], comparison, histories=A_SEED, by_seed=by_seed)
    stories = [[*map(str, new), *journal] for seen, journal in comparison.stories if (new := unexpected(seen))]
    counts = [(fact, place, count) for (fact, place), count in comparison.counts.items()]
    return Played(by_seed, time.monotonic() - began, counts, stories)


if __name__ == "__main__":
    sys.exit(main())
