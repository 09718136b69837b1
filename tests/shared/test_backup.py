"""A backup is rehearsed: the site is wiped, put back, and every row and file compared."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from shared import backup
from shared.backup import new_key
from shared.errors import Refused
from tests import servers
from tests.servers import Site, unit_commands

pytestmark = pytest.mark.slow

FILL = """
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from tests.factories import *
job = make_job()
site = job.site
site.access_secret = "ring at Tuppen's, 4711"
site.save()
make_appointment(job, crew=make_crew(job.branch), day=a_monday(), time="9:00")
for n in range(3):
    default_storage.save(f"photos/{n}.jpg", ContentFile(bytes(range(256)) * (n + 1)))
"""
ROWS = """
import hashlib, json
from django.db import connection
found = {}
with connection.cursor() as cursor:
    for table in sorted(connection.introspection.table_names()):
        cursor.execute(f'SELECT * FROM "{table}"')
        rows = sorted(repr(row) for row in cursor.fetchall())
        found[table] = [len(rows), hashlib.sha256(json.dumps(rows).encode()).hexdigest()]
print(json.dumps(found))
"""
WIPE = """
from django.core.management import call_command
call_command("flush", interactive=False, verbosity=0)
"""


def rows(site: Site) -> dict[str, Any]:
    return dict(json.loads(site.python(ROWS).strip().splitlines()[-1]))


def files(site: Site) -> dict[str, str]:
    root = site.folder / "media"
    return {
        str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in root.rglob("*")
        if path.is_file()
    }


def refused(site: Site, *args: str) -> str:
    with pytest.raises(AssertionError) as told:
        site.manage(*args)
    return str(told.value)


@pytest.mark.parametrize(("kind", "is_sealed"), [("sqlite", True), ("postgresql", False)])
def test_a_site_comes_back_as_it_was(kind: str, is_sealed: bool, tmp_path: Path) -> None:
    if kind == "postgresql" and servers.postgres_programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    key_file = tmp_path / "key"
    site = servers.start_site(kind, worker=False, BACKUP_KEY=new_key(key_file) if is_sealed else "")
    with_key = ("--key", str(key_file)) if is_sealed else ()
    try:
        site.python(FILL)
        before, kept = rows(site), files(site)
        assert len(kept) >= 3
        _, _, command, folder = unit_commands("jambwise-backup.service")[0]
        assert (command, folder) == ("backup", "/var/backups/jambwise")
        made = Path(site.manage(command, str(tmp_path / "kept")).strip())  # while the site runs
        assert made.stat().st_mode & 0o077 == 0
        assert list(made.parent.iterdir()) == [made]
        assert (b"manifest.json" in made.read_bytes()) is not is_sealed
        site.stop_web()

        assert "this site has people" in refused(site, "restore", str(made), *with_key)
        site.python(WIPE)
        shutil.rmtree(site.folder / "media")
        assert rows(site)["jobs_job"][0] == 0
        told = site.manage("restore", str(made), *with_key)

        assert "3 files" in told or f"{len(kept)} files" in told
        assert files(site) == kept
        assert rows(site) == before
        site.start_web()

        whole = made.read_bytes()
        for name, spoiled in (("short", whole[: len(whole) // 2]), ("other", _with_a_bit_turned(whole))):
            bad = tmp_path / f"{name}{''.join(made.suffixes)}"
            bad.write_bytes(spoiled)
            assert "CommandError" in refused(site, "restore", "--over", str(bad), *with_key)
        assert rows(site) == before
        assert files(site) == kept
    finally:
        site.stop()


def _with_a_bit_turned(whole: bytes) -> bytes:
    at = max(whole.rfind(bytes(range(256))), len(whole) // 2)
    return whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :]


def test_only_its_key_opens_an_encrypted_backup(tmp_path: Path) -> None:
    whole, sealed, other = tmp_path / "whole", tmp_path / "whole.tar.age", tmp_path / "other-key"
    whole.write_bytes(bytes(range(256)) * 1000)
    backup._seal(whole, sealed, new_key(tmp_path / "key"))
    new_key(other)

    assert backup._unseal(sealed, tmp_path / "back", tmp_path / "key").read_bytes() == whole.read_bytes()
    for key_file, problem in ((None, "it is encrypted"), (other, "can't be decrypted"), (whole, "no key")):
        with pytest.raises(Refused, match=problem):
            backup._unseal(sealed, tmp_path / "back", key_file)
    with pytest.raises(Refused, match="no public half"):
        backup._seal(whole, sealed, "age1nobody")
    with pytest.raises(Refused, match="nothing is written over a key"):
        new_key(other)
