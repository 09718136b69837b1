"""
What a Prometheus server reads: worked out from the database and the disk when it asks, so right over all processes.

References
----------
.. [1] Prometheus, "Exposition formats", text-based format 0.0.4.
       https://prometheus.io/docs/instrumenting/exposition_formats/
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from hmac import compare_digest
from ipaddress import ip_address
from typing import Final

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone

from shared import backup, status

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
FORWARDED: Final = ("X-Forwarded-For", "Forwarded", "Via")
"""Headers of a request that came through a proxy, so not from where it seems to."""

Values = Mapping[str, float]
"""A number for each value of the label; one without a label has the value of an empty text."""


def may_read(request: HttpRequest) -> bool:
    """Who says the token; where there is none, this machine alone and not through a proxy."""
    if settings.METRICS_TOKEN:
        said = request.headers.get("Authorization", "")
        return compare_digest(said.encode(), f"Bearer {settings.METRICS_TOKEN}".encode())
    if any(name in request.headers for name in FORWARDED):
        return False
    try:
        return ip_address(str(request.META.get("REMOTE_ADDR", ""))).is_loopback
    except ValueError:
        return False  # a Unix socket: a proxy's


def exposition() -> str:
    """Every metric with its help, in the text format."""
    return "".join(_lines())


def _lines() -> Iterator[str]:
    for name, label, help_text, values in _metrics():
        yield f"# HELP jambwise_{name} {help_text}\n# TYPE jambwise_{name} gauge\n"
        for value, number in values.items():
            labels = f'{{{label}="{value}"}}' if label else ""
            yield f"jambwise_{name}{labels} {number:.15g}\n"


def _metrics() -> Iterator[tuple[str, str, str, Values]]:
    now, queues, last = timezone.now(), status.queues(), backup.last()
    ready = {name: float(there) for name, there in status.readiness().items()}
    yield "ready", "part", "1 where a part that the site needs is there.", ready
    yield "runs_waiting", "queue", "Long work that waits.", {one.name: one.waiting for one in queues}
    yield "runs_under_way", "queue", "Long work that is done now.", {one.name: one.under_way for one in queues}
    oldest = {one.name: (now - one.oldest).total_seconds() if one.oldest else 0.0 for one in queues}
    yield "oldest_waiting_seconds", "queue", "How long the oldest waits.", oldest
    yield "runs_failed", "", "Long work that failed within a day.", {"": status.failed().count()}
    yield "disk_free_bytes", "", "Room on the disk of the data.", {"": shutil.disk_usage(settings.DATA_DIR).free}
    if last is not None:
        yield "last_backup_timestamp_seconds", "", "When the last backup was made.", {"": last[0].timestamp()}
        yield "last_backup_bytes", "", "Its size.", {"": last[2]}
    for name, (title, count) in status.counts.items():
        yield name, "", f"{title}.", {"": count()}
