"""
Packets of random days, parsed: the sizes of type, how full the pages are, every unit once, what stayed behind.

``python -m tests.benchmarks.packet_days``: 60 days of one to nine stops. A fault ends it with 1; the days are those
of the seed.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
from collections import Counter
from typing import Any

FAMILIES = ("roller", "slat", "vertical", "cellular", "roman", "sheer", "solar")
WIDTHS = ("18 1/2", "35 3/8", "49 3/8", "72 1/16", "96")
CONTROLS = ("cordless", "chain", "spring", "motor")
NOTES = ("", "Ring twice, the bell is weak.", "The dog is in the yard until ten. " * 4)


def random_day(chance: random.Random, number: int) -> tuple[Any, int]:
    """A crew's day with its load, which may have left without some of it; and how many stops it has."""
    from installs.services import loads
    from tests.factories import make_branch, make_job, make_user
    from tests.installs.makers import make_crew, make_unit, make_visit, stock_up, today

    branch = make_branch(name=f"Packet day {number}")
    by, crew = make_user("dispatcher", branch=branch, username=f"dora{number}"), make_crew(branch)
    stock_up(branch)
    stops = chance.choice((1, 2, 3, 3, 4, 4, 5, 6, 9))
    for hour in range(stops):
        job = make_job(branch, by=by)
        for _ in range(chance.choice((1, 1, 2, 3, 3, 4, 6))):
            family = chance.choice(FAMILIES)
            make_unit(
                job, family=family, product=family, width=chance.choice(WIDTHS), room=chance.choice(("Den", "Bath")),
                options={"control": chance.choice(CONTROLS)},
                opening={"substrate": chance.choice(("wood", "masonry", "tile", "unknown"))},
            )  # fmt: skip
        make_visit(job, crew, hour=6 + hour, note=chance.choice(NOTES))
    load = loads.refresh_load(crew=crew, day=today(branch), by=by)
    if chance.random() < 0.4:
        lines = [line for line in load.lines.all() if chance.random() < 0.8]
        loads.check_counts(load=load, counts={line.pk: line.quantity for line in lines}, by=by)
        loads.leave_yard(load=load, by=by, reason="it is not ready")
        load.refresh_from_db()
    return load, stops


def look(days: int, seed: int) -> int:
    """How many faults the packets of so many days have; each is printed."""
    from installs.documents import PACKET
    from shared.documents import kind_of, render
    from tests.installs.paper import faults

    chance, kind, found = random.Random(seed), kind_of(PACKET), 0
    sheets: Counter[int] = Counter()
    for number in range(days):
        load, stops = random_day(chance, number)
        content = kind.content(load)
        pdf, pages = render(kind, load, content, revision=1, by=None)
        sheets[stops] += pages
        for fault in faults(pdf, content.made_from):
            found += 1
            print(f"day {number}, {stops} stops, {pages} pages: {fault}")
    print(f"{days} days, seed {seed}: {sum(sheets.values())} pages, {found} faults")
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--seed", type=int, default=15)
    parser.add_argument("--quick", action="store_true", help="six days")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        os.environ |= {"JAMBWISE_DATA": folder, "DJANGO_SETTINGS_MODULE": "tests.settings"}
        os.environ["DATABASE_URL"] = f"sqlite:///{folder}/packets.sqlite3"
        import django

        django.setup()
        from django.core.management import call_command

        call_command("migrate", verbosity=0)
        return int(look(6 if asked.quick else asked.days, asked.seed) > 0)


if __name__ == "__main__":
    sys.exit(main())
