"""Periodic Celery tasks: thin shells, safe to run twice. The one that does a run stands in `shared.runs`."""

from __future__ import annotations

from celery import shared_task
from celery.signals import worker_ready

from shared import files, idempotency, runs, signins
from shared.devices import entries


@shared_task(name="shared.tasks.sweep")
def sweep() -> int:
    """Send stale runs again."""
    return runs.sweep()


@shared_task(name="shared.tasks.forget_answers")
def forget_answers() -> int:
    """Delete the answers to idempotent requests that were kept for a day, and sign-ins nobody uses."""
    return idempotency.forget_old() + signins.forget_old()


@worker_ready.connect
def sweep_at_start(**kwargs: object) -> None:
    """A worker that comes up looks at once for what was left lying."""
    sweep.delay()


@shared_task(name="shared.tasks.retry_entries")
def retry_entries() -> int:
    """Run parked entries of phones again."""
    return entries.retry()


@shared_task(name="shared.tasks.sweep_files")
def sweep_files() -> int:
    """Delete photos and papers that no row names any more."""
    return files.sweep()
