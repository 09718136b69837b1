"""
Makes a kept release: ``python -m tests.kept.make NAME``, with the code of that release.

Into ``tests/kept/NAME/`` go the firm's database for SQLite and the same rows for PostgreSQL, the questions
and the answers this release gives. It takes an empty database at ``DATABASE_URL`` (SQLite) and needs a
PostgreSQL server's programs.
"""

from __future__ import annotations

import lzma
import os
import re
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.kept.asking import environment, write

HERE = Path(__file__).parent
PRICED = 2


def main(name: str) -> None:
    """Database, dump, questions, answers."""
    os.environ |= environment(os.environ["DATABASE_URL"])
    import django

    django.setup()
    from django.core.management import call_command

    from tests.kept import firm

    folder = HERE / name
    folder.mkdir(exist_ok=True)
    call_command("migrate", verbosity=0)
    firm.make()
    questions = ask_what()
    write(folder / "questions.json.xz", questions)
    keep_databases(folder)
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch) / "firm.sqlite3"
        copy.write_bytes(lzma.decompress((folder / "firm.sqlite3.xz").read_bytes()))
        asked(f"sqlite:///{copy}", folder, folder / "answers.json.xz")


def asked(url: str, folder: Path, out: Path) -> None:
    """The questions put to a database in a process of its own."""
    asking = [sys.executable, "-m", "tests.kept.asking", str(folder), str(out)]
    subprocess.run(asking, check=True, env=environment(url))


# -- the databases ---------------------------------------------------------------------------------

SAME_ROWS = """
import sys
from django.core.management import call_command
call_command("migrate", verbosity=0)
call_command("flush", verbosity=0, interactive=False, inhibit_post_migrate=True)
call_command("loaddata", sys.stdin.read(), verbosity=0)
"""


def keep_databases(folder: Path) -> None:
    """The rows there are in a database of each kind, packed: a SQLite file, and SQL that psql takes."""
    from django.core.management import call_command

    from tests import servers

    with tempfile.TemporaryDirectory() as scratch:
        rows, lean = Path(scratch) / "rows.json", Path(scratch) / "firm.sqlite3"
        call_command("dumpdata", all=True, output=str(rows), verbosity=0)
        url = servers.the_postgres().new_database()
        for database in (f"sqlite:///{lean}", url):
            filling = [sys.executable, "manage.py", "shell", "-v0", "-c", SAME_ROWS]
            subprocess.run(filling, input=str(rows).encode(), check=True, env=environment(database))
        with sqlite3.connect(lean) as link:
            link.execute("VACUUM")
        link.close()
        (folder / "firm.sqlite3.xz").write_bytes(lzma.compress(lean.read_bytes(), preset=9))
    dump = ["pg_dump", "--no-owner", "--no-privileges", url]
    text = subprocess.run(dump, check=True, capture_output=True, text=True).stdout
    text = re.sub(r"(?m)^\\(un)?restrict .*\n", "", text)  # an older psql knows no such line
    (folder / "firm.sql.xz").write_bytes(lzma.compress(text.encode(), preset=9))


# -- the questions ------------------------------------------------------------------------------------


def ask_what() -> dict[str, Any]:
    """Every GET route with some rows of each, offers, effects, days, and the phones' queues."""
    from jobs.ics import feed_token
    from jobs.models import Appointment, CalendarFeed
    from tests.kept import firm, queue

    reads = [*_paths(), "/calendar/?day=2026-11-24&format=csv", "/stuck/?format=csv"]
    reads += [f"/feeds/{feed_token(feed)}.ics" for feed in CalendarFeed.objects.order_by("pk")]
    visits = list(Appointment.objects.filter(job__title=firm.ASKS).order_by("pk").values_list("pk", flat=True))
    days = [str(firm.TODAY + firm.dt.timedelta(days=n)) for n in range(4)]
    questions: dict[str, Any] = {
        "moment": firm.MOMENT.isoformat(), "reads": reads, "offers": visits, "effects": _effects(visits),
        "days": days, "phones": [phone.kept() for phone in queue.phones()],
    }  # fmt: skip
    questions["afterwards"] = _afterwards()
    return questions


def _effects(visits: list[int]) -> list[dict[str, Any]]:
    """Crew and start of the best offers, to be priced by the board too."""
    import time_machine

    from tests.kept import asking, firm

    with time_machine.travel(firm.MOMENT, tick=False):
        offers = asking._offers(visits)
    return [
        {"appointment": int(where.split()[1]), "crew": one["crew"], "starts_at": one["starts_at"]}
        for where, answer in offers.items()
        for one in answer["body"]["offers"][:PRICED]
    ]


def _afterwards() -> list[str]:
    """What the phones' queues changed."""
    from installs.models import Load
    from jobs.models import Appointment
    from measuring.models import Opening
    from tests.kept.firm import TODAY, crew_of

    visit = Appointment.objects.get(job__number="J-1012", purpose="measure")
    load = Load.objects.get(crew=crew_of("installer"), day=TODAY)
    stop = Appointment.objects.filter(crew=load.crew, day=TODAY).order_by("starts_at")[0]
    last = Opening.objects.order_by("-pk")[0].pk
    return [
        f"/api/appointments/{visit.pk}/", f"/api/jobs/{visit.job_id}/", f"/api/jobs/{visit.job_id}/sizes/",
        f"/api/measure-visits/?appointment={visit.pk}", f"/api/openings/{last + 1}/", f"/api/openings/{last + 2}/",
        *(f"/api/openings/{pk}/" for pk in Opening.objects.filter(job=visit.job).values_list("pk", flat=True)),
        f"/api/loads/{load.pk}/", f"/api/stops/{stop.pk}/", f"/api/jobs/{stop.job_id}/", "/api/returns/",
    ]  # fmt: skip


def _paths() -> list[str]:
    """Every GET route of the API; for one row each of the list, or of the table, some."""
    from django.urls import get_resolver

    found: list[str] = []
    for pattern, callback in _routes(get_resolver()):
        view, actions = getattr(callback, "cls", None), getattr(callback, "actions", None)
        if view is None or not actions or "get" not in actions or "format" in pattern:
            continue
        path = "/" + pattern.replace("^", "").replace("$", "")
        if "(?P<pk>" not in path:
            found.append(path)
            continue
        keys = _keys(view, path)
        found += [re.sub(r"\(\?P<pk>.*?\)(?=/)", str(key), path) for key in keys]
    return [f"{path}?day=2026-11-25" if path.endswith("/day/") and "crews" in path else path for path in found]


def _routes(resolver: Any, before: str = "") -> Any:
    for one in resolver.url_patterns:
        if hasattr(one, "url_patterns"):
            yield from _routes(one, before + str(one.pattern))
        else:
            yield before + str(one.pattern), one.callback


def _keys(view: Any, path: str) -> list[Any]:
    """The first and the middle one."""
    rows = getattr(view, "queryset", None)
    if rows is None:
        from jobs.models import Appointment, Job

        rows = (Job if "sizes" in path else Appointment).objects.all()
    keys = list(rows.order_by("pk").values_list("pk", flat=True))
    return sorted({keys[0], keys[len(keys) // 2]}) if keys else []


if __name__ == "__main__":
    main(sys.argv[1])
