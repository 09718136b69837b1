"""What the site runs on and how its long work stands."""

from __future__ import annotations

import datetime as dt
import logging
import platform
import shutil
import time
import zoneinfo
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from importlib.metadata import PackageNotFoundError, version
from typing import Final
from urllib.parse import urlsplit

import django
from django.conf import settings
from django.contrib.sessions.models import Session
from django.db import connection, models
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Count, Min
from django.utils import timezone

from shared import backup, broker, runs
from shared.celery import app
from shared.models import Run

log = logging.getLogger("jambwise")


def facts() -> list[tuple[str, str]]:
    """Name and value, for the owner's page."""
    return [
        ("Python", platform.python_version()),
        ("Django", django.get_version()),
        ("Database", f"{connection.display_name} {'.'.join(map(str, _database_version()))}"),
        ("Broker", "answers" if broker.is_there() else "does not answer; long work waits"),
        ("Time zones", f"{zone_data_version()}, {len(zoneinfo.available_timezones())} zones"),
        ("Data", str(settings.DATA_DIR)),
    ]


def _database_version() -> tuple[int, ...]:
    return tuple(connection.get_database_version())


def zone_data_version() -> str:
    """The tzdata the program uses."""
    try:
        return f"tzdata {version('tzdata')}"
    except PackageNotFoundError:
        return "the machine's own"


@runs.long_work("shared.answer", title="Does the worker answer?")
def answer(ctx: runs.Context) -> dict[str, object]:
    """A worker says who it is, and proves that it can make a PDF: the libraries for it are the system's."""
    ctx.progress(0, 1, "drawing a sheet")
    from weasyprint import HTML

    pdf = HTML(string="<p>35 3/8</p>").write_pdf()
    ctx.progress(1, 1)
    seconds = (timezone.now() - ctx.run.created_at).total_seconds()
    return {"host": platform.node(), "after_seconds": round(seconds, 1), "pdf_bytes": len(pdf)}


LEAST_FREE: Final = 500 * 1024 * 1024
"""Bytes on the disk under which the site says that it is not ready."""

LOOKED: Final = 5.0
"""Seconds that one look is good for: a probe every second must not keep the site busy."""

_looked: tuple[float, dict[str, bool]] = (float("-inf"), {})


def readiness() -> dict[str, bool]:
    """What the site needs, and whether it is there."""
    global _looked
    if time.monotonic() - _looked[0] > LOOKED:
        found = {name: _holds(look) for name, look in PARTS.items()}
        _looked = (time.monotonic(), found)
    return _looked[1]


def _holds(look: Callable[[], bool]) -> bool:
    try:
        return look()
    except Exception:
        log.exception("%s failed", look.__name__)
        return False


def database_writes() -> bool:
    """A row is written and kept."""
    row, _ = Session.objects.update_or_create(
        session_key="readyz", defaults={"session_data": "", "expire_date": timezone.now()}
    )
    return row.pk == "readyz"


def tables_are_current() -> bool:
    """No migration waits."""
    executor = MigrationExecutor(connection)
    return not executor.migration_plan(executor.loader.graph.leaf_nodes())


def worker_answers() -> bool:
    """Every queue has a worker that says it is there; asked only of a broker that is."""
    return broker.is_there() and set(settings.QUEUES) <= queues_heard()


def queues_heard() -> set[str]:
    """The queues of the workers that answer within a second."""
    answers = app.control.inspect(timeout=1.0).active_queues() or {}
    return {queue["name"] for queues in answers.values() for queue in queues}


def disk_has_room() -> bool:
    """There is room for photos, documents and the database."""
    return shutil.disk_usage(settings.DATA_DIR).free >= LEAST_FREE


PARTS: Final[dict[str, Callable[[], bool]]] = {
    "database": database_writes,
    "tables": tables_are_current,
    "broker": broker.is_there,
    "worker": worker_answers,
    "disk": disk_has_room,
}


@dataclass
class QueueStanding:
    """How one queue stands."""

    name: str
    waiting: int = 0
    under_way: int = 0
    oldest: dt.datetime | None = None
    is_heard: bool = False


def queues() -> list[QueueStanding]:
    """Every queue: runs that wait, since when, runs under way."""
    found = {name: QueueStanding(name) for name in settings.QUEUES}
    rows = Run.objects.active().order_by().values_list("kind", "state")
    for kind, state, count, since in rows.annotate(count=Count("pk"), since=Min("created_at")):
        queue = found[runs.queue_of(kind)]
        if state == Run.State.UNDER_WAY:
            queue.under_way += count
        else:
            queue.waiting += count
            queue.oldest = min(since, queue.oldest or since)
    return list(found.values())


def failed() -> models.QuerySet[Run]:
    """Runs that failed within a day."""
    return Run.objects.filter(state=Run.State.FAILED, ended_at__gte=timezone.now() - timedelta(days=1))


counts: Final[dict[str, tuple[str, Callable[[], int]]]] = {}
"""What else an operator watches, by higher apps: a name, what the page calls it, and how many there are."""


def work() -> dict[str, object]:
    """How long work stands, for the owner's page."""
    heard = queues_heard() if broker.is_there() else set()
    standing = queues()
    for queue in standing:
        queue.is_heard = queue.name in heard
    return {
        "queues": standing,
        "answer": Run.objects.filter(kind="shared.answer").first(),
        "failed": list(failed()[:20]),
        "counts": [(title, count()) for title, count in counts.values()],
    }


def kept() -> dict[str, object]:
    """The last backup, the disk and where mail and text messages leave, for the owner's page."""
    disk, mail = shutil.disk_usage(settings.DATA_DIR), urlsplit(settings.EMAIL_URL)
    return {
        "backup": backup.last(),
        "is_encrypted": bool(settings.BACKUP_KEY),
        "free": disk.free,
        "of": disk.total,
        "is_low": disk.free < LEAST_FREE,
        "mail": mail.hostname or mail.scheme,
        "texts": urlsplit(settings.TEXT_URL).hostname,
    }
