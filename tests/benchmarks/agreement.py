"""
Random histories by the hundred, after each of which everything that shows the same fact must say the same.

    python -m tests.benchmarks.agreement [--histories 500] [--seed 1]

Plays `tests.agreement.histories` in a database of its own, ten to a seed; a seed that differs is printed with its
journal and plays again in the suite with ``JAMBWISE_AGREEMENT_SEED``. It prints; it writes no file. Every fact must
have been compared a hundred times at every place of the table, blanks left out.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time

A_SEED = 10
"""Histories to a seed."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--histories", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="20 histories")
    chosen, _ = parser.parse_known_args()  # the other benchmarks' arguments are none of ours
    with tempfile.TemporaryDirectory(prefix="jw-agreement-") as folder:
        os.environ["JAMBWISE_DATA"] = folder
        os.environ["DATABASE_URL"] = f"sqlite:///{folder}/agreement.sqlite3"
        os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
        return play(20 if chosen.quick else chosen.histories, chosen.seed)


def play(histories: int, first_seed: int) -> int:
    """1 when anything differs, or was compared too seldom."""
    import django

    django.setup()
    import time_machine
    from django.core.management import call_command
    from django.test.utils import setup_test_environment

    from tests.agreement.compare import Comparison
    from tests.agreement.expected import FLOOR, PLACES, unexpected
    from tests.agreement.firm import NOW
    from tests.agreement.histories import play, undone, whole_firm

    setup_test_environment()
    call_command("migrate", verbosity=0)
    comparison, bad, began = Comparison(), 0, time.monotonic()
    with undone():
        with time_machine.travel(NOW, tick=False):
            firm = whole_firm()
        for by_seed in range(first_seed, first_seed + -(-histories // A_SEED)):
            comparison.stories.clear()
            with undone():
                play(firm, comparison, histories=A_SEED, by_seed=by_seed)
            for found, journal in comparison.stories:
                if new := unexpected(found):
                    bad += 1
                    print(f"seed {by_seed}:", *new, *journal, sep="\n  ")
    print(comparison.table())
    print(f"{histories} histories in {time.monotonic() - began:.0f} s, {bad} with a difference")
    seldom = sorted(pair for pair in PLACES if comparison.counts[pair] < FLOOR)
    if histories >= 500 and seldom:
        print(f"compared less than {FLOOR} times:", *seldom, sep="\n  ")
        return 1
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
