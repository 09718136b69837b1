"""
Every unit of a large demo through the hardware rules: no rule fails, no list is incomplete.

    python -m tests.benchmarks.hardware [--jobs 10000]

Loads a demo whose every job keeps its parts into a database of its own, works out each unit's
hardware and asks `tests.installs.completeness.incomplete` of each. It prints; it writes no file.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=10_000)
    parser.add_argument("--quick", action="store_true", help="500 jobs")
    chosen, _ = parser.parse_known_args()  # the other benchmarks' arguments are none of ours
    jobs = 500 if chosen.quick else chosen.jobs
    with tempfile.TemporaryDirectory(prefix="jw-hardware-") as folder:
        os.environ["JAMBWISE_DATA"] = folder
        os.environ["DATABASE_URL"] = f"sqlite:///{Path(folder) / 'demo.sqlite3'}"
        os.environ["DJANGO_SETTINGS_MODULE"] = "shared.settings"
        return check(jobs)


def check(jobs: int) -> int:
    """Loads the demo and looks at every unit; 1 when one fails or lacks something."""
    import django

    django.setup()
    from django.core.management import call_command

    import fabrication.demo
    from installs.adapters.evaluation import UNIT_NEEDS, rules_of, work_out
    from measuring.models import Unit
    from shared.models import Branch
    from tests.installs.completeness import incomplete

    fabrication.demo.LIVING = jobs
    began = time.monotonic()
    call_command("migrate", verbosity=0)
    call_command("load_demo", jobs=jobs)
    loaded = time.monotonic() - began
    rules = rules_of(Branch.objects.get())
    units = Unit.objects.filter(make__isnull=False).select_related(*UNIT_NEEDS).order_by("pk")
    found: Counter[str] = Counter()
    began = time.monotonic()
    keys = list(units.values_list("pk", flat=True))
    for start in range(0, len(keys), 1000):
        for worked in work_out(units.filter(pk__in=keys[start : start + 1000]), rules):
            found["units"] += 1
            if worked.hardware is None:
                found["failed"] += 1
                print("failed:", worked.problem)
            elif lacks := incomplete(worked.hardware, worked.read, rules):
                found["incomplete"] += 1
                print("incomplete:", worked.unit.code, lacks[0])
    seconds = time.monotonic() - began
    print(
        f"{jobs} jobs loaded in {loaded:.0f} s; hardware of {found['units']} units in {seconds:.0f} s: "
        f"{found['failed']} failed, {found['incomplete']} incomplete"
    )
    return 1 if found["failed"] or found["incomplete"] or not found["units"] else 0


if __name__ == "__main__":
    sys.exit(main())
