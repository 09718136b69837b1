"""Reads on a copy that follows the database: what it serves, and what happens while it is behind, or gone."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator

import psycopg
import pytest

from tests.servers import ROOT, Postgres, clean_environment, migrated, postgres_programs, until

SCRIPT = """
import sys
from django.conf import settings
from django.db import connections
from django.test import Client
from django.test.utils import CaptureQueriesContext
from shared.models import Branch, User
from tests.factories import make_branch, make_user

settings.ALLOWED_HOSTS.append("testserver")
owner = make_user("owner", branch=make_branch(name="Harbor"))
client = Client()
client.force_login(owner)

def asked(path):
    with CaptureQueriesContext(connections["replica"]) as there, CaptureQueriesContext(connections["default"]) as here:
        answer = client.get(path)
    named = Branch.objects.get().name in answer.content.decode()
    read = [sum(' FROM "jobs_' in query["sql"] for query in link.captured_queries) for link in (there, here)]
    print(answer.status_code, named, *("read" if n else "-" for n in read), flush=True)

for line in sys.stdin:
    what, _, rest = line.strip().partition(" ")
    if what == "get":
        asked(rest)
    else:
        Branch.objects.update(name=rest)
        print("renamed", flush=True)
"""


@pytest.fixture
def servers() -> Iterator[tuple[Postgres, Postgres]]:
    """A server of its own with the tables, and the one that follows it."""
    found = postgres_programs()
    if found is None:
        pytest.skip("no PostgreSQL server is installed")
    programs = (found / "initdb").resolve().parent
    first = Postgres.start()
    url = first.new_database()
    dump = subprocess.Popen([programs / "pg_dump", "-Fc", migrated("postgresql")], stdout=subprocess.PIPE)
    subprocess.run([programs / "pg_restore", "-d", url], stdin=dump.stdout, check=True)
    assert dump.wait() == 0
    second = first.copy()
    try:
        yield first, second
    finally:
        second.stop()
        first.stop()


def test_a_page_reads_the_copy_only_while_it_has_everything(servers: tuple[Postgres, Postgres]) -> None:
    """Figures of a branch that has just been renamed, the copy following, held back, and stopped."""
    first, second = servers
    name = f"jambwise_{os.getpid()}_1"
    env = {
        **clean_environment(),
        "JAMBWISE_DEBUG": "on",  # no static files were collected
        "DATABASE_URL": first.url(name),
        "DATABASE_REPLICA_URL": second.url(name),
    }
    person = subprocess.Popen(
        [sys.executable, "manage.py", "shell", "-v", "0", "-c", SCRIPT],
        cwd=ROOT, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert person.stdin is not None
    assert person.stdout is not None

    def says(line: str) -> str:
        print(line, file=person.stdin, flush=True)
        return person.stdout.readline().strip()  # type: ignore[union-attr]

    try:
        until(lambda: says("get /figures/") == "200 True read -", seconds=20, what="the copy asked")
        with psycopg.connect(second.url("postgres"), autocommit=True) as link:
            link.execute("SELECT pg_wal_replay_pause()")
            held = "SELECT pg_get_wal_replay_pause_state() = 'paused'"
            until(lambda: link.execute(held).fetchone() == (True,), what="the copy held back")
            assert says("rename Quarry") == "renamed"
            assert says("get /figures/") == "200 True - read", "the copy has the old name, and is not asked"
            link.execute("SELECT pg_wal_replay_resume()")
        assert says("rename Millpond") == "renamed"
        until(lambda: says("get /figures/") == "200 True read -", seconds=20, what="the copy asked again")
        second.stop()
        assert says("get /figures/") == "200 True - read", "it is gone, and the page goes on"
    finally:
        person.kill()
        person.wait()
