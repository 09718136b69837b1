"""
Every page and list of the API in a firm of many jobs: processor time, queries, bytes.

``python -m tests.benchmarks.scale [--jobs 10000] [--data FOLDER] [--only WORD] [--dry]`` loads the demo of so many jobs
into a SQLite file (or takes the one in FOLDER) and asks each address that opens by GET, as the first role that gets it:
lists, boards and days as they are, a page of one row for the fullest of its kind. Asked once to be warm, then three
times; the least processor time of the three counts, in which SQLite's own part is. ``docs/bench-scale.md`` is written
of it.
"""

from __future__ import annotations

import argparse
import logging
import os
import platform
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

ROOT: Final = Path(__file__).resolve().parents[2]
DOCUMENT: Final = ROOT / "docs" / "bench-scale.md"
MOST_MS, MOST_QUERIES, MOST_KB = 100, 40, 150
AS: Final = ("owner", "dispatcher", "workroom", "measurer", "installer")
SEARCHED: Final = ("J-4711", "kiln", "ada ash", "555-01")


@dataclass(frozen=True, slots=True)
class Measured:
    """What one address took."""

    address: str
    role: str
    ms: float
    queries: int
    kb: float

    @property
    def is_over(self) -> bool:
        """Whether it misses one of the aims."""
        return self.ms > MOST_MS or self.queries > MOST_QUERIES or self.kb > MOST_KB


def addresses() -> Iterator[str]:
    """All that opens by GET: as it is, and for the fullest row where it takes one number."""
    from django.urls import NoReverseMatch, reverse

    from tests.counting import addresses as bare

    yield from sorted({reverse(name) for name in bare()} | {"/account/", "/firm/", "/trail/"})
    for word in SEARCHED:
        yield f"/find/?q={word.replace(' ', '+')}"
    for name, rows in sorted(_numbered().items()):
        try:
            yield reverse(name, args=[rows])
        except NoReverseMatch:
            continue
    yield from _api()


def _numbered(patterns: Any = None, space: str = "", before: str = "") -> dict[str, int]:
    """Names of pages that take one number, with the row that has most."""
    from django.urls import URLPattern, get_resolver

    found: dict[str, int] = {}
    for one in get_resolver().url_patterns if patterns is None else patterns:
        route = before + str(one.pattern)
        if not isinstance(one, URLPattern):
            if (one.namespace or space) != "api" and not route.startswith(("api", "admin")):
                found |= _numbered(one.url_patterns, one.namespace or space, route)
        elif one.name and route.count("<") == 1 and "<int:" in route:
            row = _fullest(route)
            found |= {f"{space}:{one.name}" if space else one.name: row} if row is not None else {}
    return found


def _fullest(route: str) -> int | None:
    from django.db.models import Count

    from fabrication.models import Batch, CutPlan, Material, Purchase, StockItem
    from jobs.models import Appointment, Crew, Customer, Job, Site
    from measuring.models import Opening

    by: dict[str, tuple[type[Any], str]] = {
        "jobs": (Job, "openings"), "customers": (Customer, "jobs"), "sites": (Site, "jobs"),
        "crews": (Crew, "appointments"), "visits": (Appointment, ""), "stops": (Appointment, ""),
        "openings": (Opening, "readings"), "batches": (Batch, "makes"), "plans": (CutPlan, "cuts"),
        "materials": (Material, ""), "purchases": (Purchase, "lines"),
        "stock": (StockItem, "moves"),
    }  # fmt: skip
    parts = [part for part in route.split("/") if part in by]
    if not parts:
        return None
    model, many = by[parts[-1]]
    rows = model._default_manager.all()
    if many and many in {one.name for one in model._meta.get_fields()}:
        rows = rows.annotate(many=Count(many)).order_by("-many", "-pk")
    else:
        rows = rows.order_by("-pk")
    first = rows.values_list("pk", flat=True).first()
    return int(first) if isinstance(first, int) else None


def _api() -> Iterator[str]:
    from shared.api import build_router

    yield from sorted(f"/api/1/{prefix}/" for prefix, _, _ in build_router().registry if "(" not in prefix)


def measure(address: str) -> Measured | None:
    """An address, as whoever gets it first; nothing for what is no page."""
    from contextlib import ExitStack

    from django.db import connections

    taken: list[str] = []

    def note(execute: Any, sql: Any, *rest: Any) -> Any:
        taken.append(str(sql))
        return execute(sql, *rest)

    for role, client in clients.items():
        answer = client.get(address)
        if answer.status_code != 200 or answer.streaming:
            continue
        if answer.headers["content-type"].partition(";")[0] not in {"text/html", "application/json"}:
            return None
        taken.clear()
        with ExitStack() as noting:
            for connection in connections.all():
                noting.enter_context(connection.execute_wrapper(note))
            answer = client.get(address)
        best = float("inf")
        for _ in range(3):
            begun = time.process_time()
            client.get(address)
            best = min(best, time.process_time() - begun)
        return Measured(address, role, 1000 * best, len(taken), len(answer.content) / 1024)
    return None


clients: dict[str, Any] = {}


def sign_in() -> None:
    """Somebody of each role, in the branch with most jobs."""
    from django.db.models import Count
    from django.test import Client

    from shared import roles
    from shared.models import Branch, User

    branch = Branch.objects.annotate(many=Count("jobs")).order_by("-many").first()
    for role in AS:
        people = [one for one in User.objects.filter(is_active=True) if one.has_role(getattr(roles, role.upper()))]
        mine = [one for one in people if one.branch_id == branch.pk] or people  # type: ignore[union-attr]
        clients[role] = Client(raise_request_exception=False)
        clients[role].force_login(mine[0])


def table(rows: list[Measured]) -> list[str]:
    """As the document shows them."""
    lines = ["| address | as | processor ms | queries | KB |", "| --- | --- | --- | --- | --- |"]
    for row in rows:
        marks = [
            f"**{value}**" if over else value
            for value, over in (
                (f"{row.ms:.0f}", row.ms > MOST_MS),
                (str(row.queries), row.queries > MOST_QUERIES),
                (f"{row.kb:.0f}", row.kb > MOST_KB),
            )
        ]
        lines.append(f"| `{row.address}` | {row.role} | {' | '.join(marks)} |")
    return lines


def main() -> int:
    """Load, ask, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=10_000)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--only", default="")
    parser.add_argument("--dry", action="store_true")
    chosen = parser.parse_args()
    if chosen.data is None:
        from tests.servers import laid

        chosen.data = laid("sqlite", chosen.jobs)[0]
    os.environ.update(JAMBWISE_DATA=str(chosen.data), JAMBWISE_DEBUG="off", JAMBWISE_ENV="")
    os.environ["DATABASE_URL"] = f"sqlite:///{chosen.data}/jambwise.sqlite3"
    os.environ["DJANGO_SETTINGS_MODULE"] = "shared.settings"
    os.environ["ALLOWED_HOSTS"] = "testserver"
    subprocess.run([sys.executable, "manage.py", "migrate", "-v0"], cwd=ROOT, check=True)
    import django

    django.setup()
    logging.disable(logging.WARNING)  # a role that may not, an address that takes no GET
    sign_in()
    found: list[Measured] = []
    for address in addresses():
        if chosen.only in address and (row := measure(address)) is not None:
            found.append(row)
            if row.is_over:
                print(
                    f"{row.ms:7.0f} ms {row.queries:4} queries {row.kb:6.0f} KB  {row.address} {row.role}", flush=True
                )
    found.sort(key=lambda row: -max(row.ms / MOST_MS, row.queries / MOST_QUERIES, row.kb / MOST_KB))
    over = [row for row in found if row.is_over]
    print(f"{len(found)} addresses, {len(over)} over an aim")
    if not chosen.dry:
        DOCUMENT.write_text("\n".join(document(found, over)) + "\n", encoding="utf-8")
    return 0


def document(found: list[Measured], over: list[Measured]) -> list[str]:
    """The page of docs."""
    from jobs.models import Appointment, Job
    from shared.models import AuditEntry

    return [
        "# Pages in a firm of many jobs, measured",
        "",
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC; {os.cpu_count()} cores, {platform.machine()}, Python "
        f"{platform.python_version()}, SQLite; the machine was shared, so processor time is given, not seconds.",
        f"Made by `./run bench scale`: the demo's firm of {Job.objects.count():,} jobs, "
        f"{Appointment.objects.count():,} visits, {AuditEntry.objects.count():,} lines of history. Every address that "
        "opens by GET, as the first role that gets it; the page of one row for the fullest of its kind. The least of "
        "three, SQLite's part in it.",
        "",
        f"The aims: {MOST_MS} ms, {MOST_QUERIES} queries, {MOST_KB} KB. Of {len(found)} addresses "
        f"{len(found) - len(over)} keep all three; these {len(over)} do not (what misses is **bold**):",
        "",
        *table(over),
        "",
        "The next twenty:",
        "",
        *table([row for row in found if not row.is_over][:20]),
    ]


if __name__ == "__main__":
    sys.exit(main())
