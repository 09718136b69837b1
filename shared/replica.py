"""
Reads on a copy of the database that follows it (PostgreSQL's streaming replication), where the settings name one.

A page that reads much and writes nothing asks the copy, and only where the copy has all that was written before the
page was asked for: nobody sees on one page what another no longer says. Where the copy is behind or away, the
database itself answers.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from typing import Any

from django.conf import settings
from django.db import DatabaseError, InterfaceError, connection, connections, models
from django.http.response import HttpResponseBase

from shared.access import SignedInRequest, View

ALIAS = "replica"
PATIENCE_S = 0.1
"""How long a page waits for the copy to have what stands in the database."""
AWAY_S = 5.0
"""How long a copy that did not answer is not asked again by this process."""

log = logging.getLogger(__name__)
_asked: ContextVar[bool] = ContextVar("replica_asked", default=False)
_away_until = 0.0


class ReplicaRouter:
    """Sends reads to the copy while a page is under `on_replica`; every write goes to the database itself."""

    def db_for_read(self, model: type[models.Model], **hints: Any) -> str:
        return ALIAS if _asked.get() else "default"

    def db_for_write(self, model: type[models.Model], **hints: Any) -> str:
        return "default"

    def allow_relation(self, one: models.Model, other: models.Model, **hints: Any) -> bool:
        return True

    def allow_migrate(self, db: str, app_label: str, **hints: Any) -> bool:
        return db == "default"


@contextmanager
def on_replica() -> Iterator[None]:
    """What is read in here is read from the copy."""
    token = _asked.set(True)
    try:
        yield
    finally:
        _asked.reset(token)


def reads_on_replica(view: View) -> View:
    """Have a page that only reads read from the copy, if there is one that has everything; else as ever."""

    @wraps(view)
    def seen(request: SignedInRequest, *args: object, **kwargs: object) -> HttpResponseBase:
        if ALIAS not in settings.DATABASES or not has_everything():
            return view(request, *args, **kwargs)
        try:
            with on_replica():
                return view(request, *args, **kwargs)
        except (DatabaseError, InterfaceError) as error:
            if connections[ALIAS].is_usable():
                raise  # the page's own fault
            _is_away(error)
        return view(request, *args, **kwargs)

    return seen


def has_everything() -> bool:
    """Whether the copy answers, and has all that was committed before now, or has it a tenth of a second later."""
    if time.monotonic() < _away_until:
        return False
    try:
        # Where the next entry goes: past every commit, also one that a server set to answer early has not flushed.
        written = _position(connection, "pg_current_wal_insert_lsn()")
        until = time.monotonic() + PATIENCE_S
        while _behind(written):
            if time.monotonic() >= until:
                return False
            time.sleep(0.01)
    except (DatabaseError, InterfaceError) as error:
        connections[ALIAS].close()
        _is_away(error)
        return False
    return True


def _position(link: Any, of: str) -> str:
    with link.cursor() as cursor:
        cursor.execute(f"SELECT {of}::text")
        (found,) = cursor.fetchone()
    return str(found)


def _behind(written: str) -> bool:
    with connections[ALIAS].cursor() as cursor:
        # A copy that was made the database itself follows nothing any more.
        cursor.execute("SELECT NOT pg_is_in_recovery() OR pg_last_wal_replay_lsn() < %s::pg_lsn", [written])
        (behind,) = cursor.fetchone()
    return bool(behind)


def _is_away(error: Exception) -> None:
    global _away_until
    _away_until = time.monotonic() + AWAY_S
    log.warning("The replica is away, the database itself is read: %s", error)
