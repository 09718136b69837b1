"""
A firm on eight machines, one after another of them taken away in mid-work.

``python -m tests.benchmarks.hosts``: two web and three worker hosts, each with a clock of its own, and one each for
database, broker and files, as network namespaces with addresses of their own (root and iproute2 needed). Papers are
asked for on both web hosts in turn; a worker host is cut off and joined again, another killed, the broker moved to
another machine, the database host cut off, a web host killed. Each step says how long it took until every paper
asked for was there; at its end the books must show each paper once.

``--out FILE`` writes the table there.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

PAPERS_A_STEP = 8


def main() -> int:
    """Go through the steps."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    from tests.hosts import network
    from tests.servers import postgres_programs

    if problem := network.why_not() or ("" if postgres_programs() else "no PostgreSQL server is installed"):
        print(f"skipped: {problem}")
        return 0
    from tests.hosts.firm import LEASE_SECONDS, firm, start_broker

    lines = [
        f"| what happens while {PAPERS_A_STEP} papers are made | all papers after, s | away, s |",
        "| --- | --- | --- |",
    ]
    with firm(webs=2, workers=3, visits=PAPERS_A_STEP * 7) as made:
        left = list(made.visits)
        asked: list[int] = []

        def step(
            what: str, harm: Callable[[], object], heal: Callable[[], object] | None = None, away: float = 0
        ) -> None:
            mine = [left.pop() for _ in range(PAPERS_A_STEP)]
            webs = [web for web in made.webs if web.processes]
            for number, visit in enumerate(mine):
                if number == PAPERS_A_STEP // 2:
                    harm()
                    webs = [web for web in made.webs if web.processes]
                while not made.print(webs[number % len(webs)], visit):
                    time.sleep(0.2)  # a press that was not taken is pressed again
            begun = time.monotonic()
            asked.extend(mine)
            if heal is not None:
                time.sleep(away)
                heal()
            made.until_printed(mine, seconds=300)
            lines.append(f"| {what} | {time.monotonic() - begun:.1f} | {away:g} |")
            print(lines[-1], flush=True)

        first, second, _ = made.workers
        broker, database, spare = made.net.hosts["mq"], made.net.hosts["db"], made.net.host("mq2")

        def move_broker() -> None:
            broker.die()
            made.net.hand_over(broker, spare)
            start_broker(spare, made.folder / "mq2", broker.address)

        def cut_database_and_join() -> None:
            database.cut()
            time.sleep(10)
            database.join()

        step("nothing", lambda: None)
        step("a worker host is cut off", first.cut, first.join, 15)
        step("it is back", lambda: None)
        step("another is killed", second.die)
        step("the broker is gone; an empty one takes its address", move_broker)
        step("the database host is cut off for 10 s", cut_database_and_join)
        step("a web host is killed", made.webs[0].die)
        books = made.books()
        right = (
            books["papers"] == [[visit, 1] for visit in sorted(asked)]
            and books["entries"] == len(asked)
            and set(books["states"]) == {"done"}  # type: ignore[call-overload]
        )
        print(f"lease {LEASE_SECONDS} s; books: {'each paper once' if right else books}")
    if chosen.out:
        chosen.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0 if right else 1


if __name__ == "__main__":
    sys.exit(main())
