"""What the site runs on and how its long work stands."""

from __future__ import annotations

import platform
import zoneinfo
from datetime import timedelta
from importlib.metadata import PackageNotFoundError, version

import django
from django.conf import settings
from django.db import connection
from django.utils import timezone

from shared import broker, runs
from shared.models import Run


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


def work() -> dict[str, object]:
    """How much long work waits, is under way, and failed within a day."""
    day_ago = timezone.now() - timedelta(days=1)
    return {
        "waiting": Run.objects.filter(state=Run.State.WAITING).count(),
        "under_way": Run.objects.filter(state=Run.State.UNDER_WAY).count(),
        "answer": Run.objects.filter(kind="shared.answer").first(),
        "failed": list(Run.objects.filter(state=Run.State.FAILED, ended_at__gte=day_ago)[:20]),
    }
