"""A kept SQLite firm, migrated to today: every row is there, and every answer but the declared ones."""

from __future__ import annotations

import json
import lzma
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.urls import resolve

from tests.kept.asking import GROUPS, Answers, environment, read
from tests.kept.changes import CHANGES, NEW_KINDS, ROWS
from tests.kept.comparing import Rows, lost_rows, undeclared
from tests.servers import ROOT, copy_of, migrated

HERE = Path(__file__).parent
RELEASES = sorted(path.parent.name for path in HERE.glob("*/questions.json.xz"))


@dataclass(frozen=True, slots=True)
class Firm:
    """A kept firm, before and after, and its answers then and now."""

    release: str
    before: Rows
    after: Rows
    was: Answers
    now: Answers
    url: str
    """Its database, migrated."""

    def answers(self, group: str) -> tuple[Answers, Answers]:
        """Those of a group, then and now."""
        was, now = (
            {where: answer for where, answer in answers.items() if where.split()[0] == group}
            for answers in (self.was, self.now)
        )
        return was, now


def run(url: str, *argv: str) -> None:
    """A Python process on that database; what it wrote is shown where it fails."""
    done = subprocess.run([sys.executable, *argv], cwd=ROOT, env=environment(url), capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture(scope="module", params=RELEASES)
def firm(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Firm:
    folder, scratch = HERE / request.param, tmp_path_factory.mktemp("kept")
    database, migrated, answers = (scratch / name for name in ("firm.sqlite3", "migrated.sqlite3", "answers.json.xz"))
    database.write_bytes(lzma.decompress((folder / "firm.sqlite3.xz").read_bytes()))
    before = rows_of(database)
    run(f"sqlite:///{database}", "manage.py", "migrate", "-v0")
    after = rows_of(database)
    shutil.copy(database, migrated)
    run(f"sqlite:///{database}", "-m", "tests.kept.asking", str(folder), str(answers))
    return Firm(request.param, before, after, read(folder / "answers.json.xz"), read(answers), f"sqlite:///{migrated}")


def none(found: str) -> None:
    """Fail with what was found."""
    if found:
        pytest.fail(found, pytrace=False)


def rows_of(database: Path) -> Rows:
    """Every row of every table, by its primary key; not the search index, which is written from them."""
    with closing(sqlite3.connect(database)) as link:
        link.row_factory = sqlite3.Row
        tables = [
            name
            for (name,) in link.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            if not name.startswith("sqlite_") and "_fts" not in name and name != "django_migrations"
        ]
        return {table: _rows_of(link, table) for table in tables}


def _rows_of(link: sqlite3.Connection, table: str) -> dict[Any, dict[str, Any]]:
    key = next(row["name"] for row in link.execute(f'PRAGMA table_info("{table}")') if row["pk"])
    return {row[key]: dict(row) for row in link.execute(f'SELECT * FROM "{table}"')}


def test_every_row_is_kept(firm: Firm) -> None:
    assert sum(map(len, firm.before.values())) > 3000

    none(lost_rows(firm.before, firm.after, ROWS[firm.release]))


@pytest.mark.parametrize("group", GROUPS)
def test_answers_differ_only_where_declared(firm: Firm, group: str) -> None:
    was, now = firm.answers(group)
    changes = [one for one in CHANGES[firm.release] if one.where.split()[0] == group]

    assert was
    none(undeclared(was, now, changes))


def test_every_declared_change_names_a_group(firm: Firm) -> None:
    assert {one.where.split()[0] for one in CHANGES[firm.release]} <= set(GROUPS)


def test_the_queues_hold_every_kind_of_entry(firm: Firm) -> None:
    resolve("/api/field/entries/")  # the API registers the kinds
    from shared.devices.receiver import kinds

    phones = read(HERE / firm.release / "questions.json.xz")["phones"]

    assert set(kinds()) - NEW_KINDS[firm.release] <= {entry["kind"] for phone in phones for entry in phone["queue"]}


def test_queues_recorded_today_are_taken_as_the_kept_ones_and_lack_no_kind(firm: Firm, tmp_path: Path) -> None:
    """What the next release keeps is recorded by `queue.py`, which runs here only until then."""
    resolve("/api/field/entries/")  # the API registers the kinds
    from shared.devices.receiver import kinds

    run(firm.url, "-m", "tests.kept.queue", str(tmp_path / "answers.json.xz"))

    status = {where: answer["status"] for where, answer in read(tmp_path / "answers.json.xz").items()}
    kept = {where: answer["status"] for where, answer in firm.answers("entry")[1].items()}
    assert {where: status.get(where) for where in kept} == kept
    assert {where.split()[-1] for where, answered in status.items() if answered == 200} == set(kinds())


def test_the_firm_goes_out_as_tables_and_comes_back_onto_an_empty_site(firm: Firm, tmp_path: Path) -> None:
    """Every row of every table that goes along; without passwords and who was at work at which run."""
    copy, whole = tmp_path / "copy.sqlite3", tmp_path / "firm.zip"
    shutil.copy(firm.url.removeprefix("sqlite:///"), copy)
    empty = copy_of(migrated("sqlite"), tmp_path)
    run(f"sqlite:///{copy}", "manage.py", "data_out", str(whole))

    run(empty, "-c", f"import django; django.setup(); from shared import firm_data; firm_data.read_in({str(whole)!r})")

    left, there = rows_of(copy), rows_of(Path(empty.removeprefix("sqlite:///")))
    for table in carried(left) | carried(there):
        assert comparable(there[table], there) == comparable(left[table], left), table
    assert sum(len(left[table]) for table in carried(left)) > 3000
    assert [len(there[table]) for table in ("jobs_searchentry", "jobs_searchword")] == [
        len(left[table]) for table in ("jobs_searchentry", "jobs_searchword")
    ]


def carried(rows: Rows) -> set[str]:
    """The tables that go along: by their names, not by what the program says of itself."""
    behind = {
        "auth_permission", "auth_group_permissions", "shared_user_user_permissions", "shared_invitation",
        "shared_signin", "shared_apitoken", "shared_answeredrequest", "jobs_searchentry", "jobs_searchword",
        "jobs_travelleg", "django_content_type", "django_session", "authtoken_token",
    }  # fmt: skip
    return {table for table in rows if table not in behind and not table.startswith("axes_")}


def comparable(rows: dict[Any, dict[str, Any]], of: Rows) -> dict[Any, dict[str, Any]]:
    """A table's rows without passwords and attempts of long work, kinds by their names, JSON by what it says."""
    kinds = {pk: (row["app_label"], row["model"]) for pk, row in of["django_content_type"].items()}
    return {
        pk: {
            column: kinds.get(value, value) if column == "subject_type_id" else read_json(value)
            for column, value in row.items()
            if column not in {"password", "code_hash", "token", "lease_until", "sent_at"}
        }
        for pk, row in rows.items()
    }


def read_json(value: object) -> object:
    try:
        return json.loads(value) if isinstance(value, str) and value[:1] in {"{", "["} else value
    except ValueError:
        return value
