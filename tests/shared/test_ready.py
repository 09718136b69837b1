"""Whether a site is alive and ready, what an error page needs, which request a line of the log is of."""

from __future__ import annotations

import json
import logging
import urllib.error
import urllib.request
from io import StringIO

import pytest
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client, override_settings

from shared import status
from shared.models import User
from shared.request_id import RequestIdFilter
from tests import servers

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def look_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(status, "LOOKED", -1.0)


def parts(client: Client) -> dict[str, bool]:
    answer = client.get("/readyz")
    assert answer.status_code == (200 if all(answer.json()["parts"].values()) else 503)
    return dict(answer.json()["parts"])


def test_without_a_worker_a_site_is_alive_and_not_ready(client: Client, owner: User) -> None:
    """It said ok: plans and papers then waited for ever."""
    assert client.get("/healthz").json() == {"ok": True}
    assert parts(client) == {"database": True, "tables": True, "broker": True, "worker": False, "disk": True}


def test_a_database_that_keeps_nothing_is_not_ready() -> None:
    if connection.vendor != "sqlite":
        pytest.skip("told to SQLite by a pragma")
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA query_only = ON")
    try:
        assert not status._holds(status.database_writes)
    finally:
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA query_only = OFF")


def test_tables_of_an_older_release_and_a_full_disk_are_not_ready(
    client: Client, owner: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    MigrationRecorder.Migration.objects.filter(app="shared").last().delete()  # type: ignore[union-attr]
    monkeypatch.setattr(status, "LEAST_FREE", 2**62)

    found = parts(client)

    assert (found["tables"], found["disk"]) == (False, False)


@pytest.mark.slow
@pytest.mark.page
def test_a_whole_site_is_ready_until_its_worker_and_broker_go() -> None:
    site = servers.start_site("sqlite", worker=True)

    def asked() -> dict[str, bool]:
        try:
            with urllib.request.urlopen(f"{site.url}/readyz", timeout=10) as response:
                return dict(json.load(response)["parts"])
        except urllib.error.HTTPError as error:
            return dict(json.load(error)["parts"])

    try:
        servers.until(lambda: all(asked().values()), what="the site to be ready")
        assert site.worker is not None
        site.worker.stop()
        servers.until(lambda: not asked()["worker"], what="the site to miss its worker")
        assert [name for name, there in asked().items() if not there] == ["worker"]
        site.broker.stop()
        servers.until(lambda: not asked()["broker"], what="the site to miss its broker")
    finally:
        site.stop()


@override_settings(
    STORAGES={
        "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.ManifestStaticFilesStorage"},
    }
)
def test_an_error_page_needs_no_table_of_static_files(client: Client, owner: User) -> None:
    """Without the table every error page, that of a missing page too, was an empty 500."""
    client.raise_request_exception = False
    client.force_login(owner)

    answer = client.get("/nowhere/")

    assert answer.status_code == 404
    assert "Not Found" in answer.content.decode()


def test_a_line_of_the_log_names_its_request_and_the_answer_too(client: Client, owner: User) -> None:
    written = StringIO()
    handler = logging.StreamHandler(written)
    handler.addFilter(RequestIdFilter())
    handler.setFormatter(logging.Formatter("{request_id} {message}", style="{"))
    logger = logging.getLogger("django.request")
    logger.addHandler(handler)
    level = logger.level
    logger.setLevel(logging.WARNING)
    try:
        client.force_login(owner)
        own = client.get("/nowhere/")["X-Request-ID"]
        given = client.get("/nowhere/", headers={"X-Request-ID": "from-the-proxy-1"})["X-Request-ID"]
        foul = client.get("/nowhere/", headers={"X-Request-ID": "a b\tc"})["X-Request-ID"]
    finally:
        logger.removeHandler(handler)
        logger.setLevel(level)

    assert given == "from-the-proxy-1"
    assert len({own, given, foul}) == 3
    assert [line.partition(" ")[0] for line in written.getvalue().splitlines()] == [own, given, foul]
