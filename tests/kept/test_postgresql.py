"""A kept PostgreSQL firm, loaded by psql and migrated to today: every row is there, the queues go in."""

from __future__ import annotations

import lzma
import shutil
import subprocess
from typing import Any

import psycopg
import pytest
from psycopg.rows import dict_row

from tests.kept.asking import read
from tests.kept.changes import CHANGES, ROWS
from tests.kept.comparing import Rows, lost_rows, undeclared
from tests.kept.test_sqlite import HERE, RELEASES, Firm, none, run
from tests.servers import Postgres

GROUPS = ("entry", "day")


@pytest.fixture(scope="module", params=RELEASES)
def firm(request: pytest.FixtureRequest, postgres_server: Postgres, tmp_path_factory: pytest.TempPathFactory) -> Firm:
    if shutil.which("psql") is None:
        pytest.skip("no psql is installed")
    folder, answers = HERE / request.param, tmp_path_factory.mktemp("kept") / "answers.json.xz"
    url = postgres_server.new_database()
    dump = lzma.decompress((folder / "firm.sql.xz").read_bytes())
    loading = ["psql", "-q", "-X", "-v", "ON_ERROR_STOP=1", url]
    subprocess.run(loading, input=dump, check=True, stdout=subprocess.DEVNULL)
    before = rows_of(url)
    run(url, "manage.py", "migrate", "-v0")
    after = rows_of(url)
    run(url, "-m", "tests.kept.asking", str(folder), str(answers), *GROUPS)
    return Firm(request.param, before, after, read(folder / "answers.json.xz"), read(answers), url)


def rows_of(url: str) -> Rows:
    """Every row of every table, by its primary key."""
    with psycopg.connect(url, row_factory=dict_row) as link:
        tables = link.execute(
            "SELECT c.relname AS table, a.attname AS key FROM pg_index i JOIN pg_class c ON c.oid = i.indrelid "
            "JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_attribute a ON a.attrelid = c.oid "
            "AND a.attnum = i.indkey[0] WHERE i.indisprimary AND n.nspname = 'public'"
        ).fetchall()
        return {
            one["table"]: {row[one["key"]]: row for row in _rows(link, one["table"])}
            for one in tables
            if one["table"] != "django_migrations"
        }


def _rows(link: psycopg.Connection[dict[str, Any]], table: str) -> list[dict[str, Any]]:
    return link.execute(f'SELECT * FROM "{table}"').fetchall()


def test_every_row_is_kept(firm: Firm) -> None:
    assert sum(map(len, firm.before.values())) > 3000

    none(lost_rows(firm.before, firm.after, ROWS[firm.release]))


@pytest.mark.parametrize("group", GROUPS)
def test_answers_are_those_of_sqlite(firm: Firm, group: str) -> None:
    was, now = firm.answers(group)
    changes = [one for one in CHANGES[firm.release] if one.where.split()[0] == group]

    assert was
    none(undeclared(was, now, changes))
