"""Celery tasks: thin shells, safe to run twice."""

from __future__ import annotations

from celery import shared_task

from jobs.services import entries


@shared_task(name="jobs.tasks.retry_entries")
def retry_entries() -> int:
    """Run parked entries of phones again."""
    return entries.retry()
