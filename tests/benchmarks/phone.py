"""
Random queues of a phone by the thousand, on the phone's model in Chromium and at the office: 0 differences expected.

    python -m tests.benchmarks.phone [--queues 1000] [--seed 1]

Plays `tests.agreement.phone_queues` in a database of its own, a hundred to a seed; a seed that differs plays again
in the suite with ``JAMBWISE_PHONE_SEED``. It prints; it writes no file.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter

A_SEED = 100
"""Queues to a seed, as in the suite."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--queues", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="20 queues")
    chosen, _ = parser.parse_known_args()  # the other benchmarks' arguments are none of ours
    with tempfile.TemporaryDirectory(prefix="jw-phone-") as folder:
        os.environ["JAMBWISE_DATA"] = folder
        os.environ["DATABASE_URL"] = f"sqlite:///{folder}/phone.sqlite3"
        os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
        os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"  # the browser's driver runs a loop in this thread
        return play(20 if chosen.quick else chosen.queues, chosen.seed)


def play(queues: int, first_seed: int) -> int:
    """1 when phone and office differ anywhere, or something was played too seldom."""
    import django

    django.setup()
    from django.core.management import call_command
    from django.test.utils import setup_test_environment
    from playwright.sync_api import sync_playwright

    from shared.devices.receiver import kinds
    from tests.agreement import phone_queues
    from tests.agreement.phones import pages
    from tests.conftest import CHROMIUM, CHROMIUM_ARGS
    from tests.factories import make_branch

    setup_test_environment()
    call_command("migrate", verbosity=0)
    seen: Counter[str] = Counter()
    differing, began = 0, time.monotonic()
    worlds = phone_queues.make_worlds(make_branch())
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGS)
        with pages(browser) as page:
            for at in range(queues):
                seed, number = first_seed + at // A_SEED, at % A_SEED
                found = phone_queues.play(page, worlds, seed, number, seen)
                differing += bool(found)
                for line in found[:5]:
                    print(line, flush=True)
                if (at + 1) % 20 == 0 or at + 1 == queues:
                    spent = time.monotonic() - began
                    print(f"seed {seed}: {at + 1} of {queues} queues, {differing} differ, {spent:.0f} s", flush=True)
        browser.close()
    for name, times in sorted(seen.items()):
        print(f"  {name}: {times}")
    lacking = phone_queues.lacking(seen, kinds(), least=20 * queues // 100)
    if lacking:
        print(f"too seldom: {lacking}")
    print(f"{queues} queues of {phone_queues.ENTRIES} entries from seed {first_seed}: {differing} differ")
    return 1 if differing or lacking else 0


if __name__ == "__main__":
    sys.exit(main())
