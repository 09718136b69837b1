"""
A whole site in one file, and back: the database as of one moment, photos and documents, what they were made with.

The file is a tar: ``manifest.json`` first (when, which engine, which migrations, the mark of the secrets, size and
SHA-256 of everything else), then the database and the files. SQLite is copied through its own backup, since its
file alone misses what still stands in the log beside it; PostgreSQL through ``pg_dump``. Nothing of a site is
touched by `restore` before the whole file was read and found whole.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import tarfile
import tempfile
from pathlib import Path
from typing import Any, Final

from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.utils import timezone
from django.utils.crypto import salted_hmac
from pyrage import DecryptError, IdentityError, RecipientError, decrypt_file, encrypt_file, x25519

from shared.errors import Refused
from shared.models import User

MANIFEST: Final = "manifest.json"
FILES: Final = "files"
DUMPS: Final = {"sqlite": "database.sqlite3", "postgresql": "database.dump"}
FORMAT: Final = 1
SEALED: Final = ".age"
"""The ending of a backup that is encrypted, in the format of that name, which other programs read too."""
NOTE: Final = "last-backup.json"


def back_up(folder: Path, *, key: str = "") -> Path:
    """
    Writes a backup into a folder; its path. What is half written never has the name of a backup.

    With the public half of a `new_key` it is encrypted, and only the other half opens it.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    made = folder / f"jambwise-{_now()}.tar{SEALED if key else ''}"
    with tempfile.TemporaryDirectory(dir=settings.DATA_DIR if key else folder) as work:
        whole = Path(work) / "whole.tar"
        _write(whole, Path(work))
        read(whole)  # what can't be read back is no backup
        if key:
            part = made.with_suffix(".part")
            try:
                _seal(whole, part, key)
                part.rename(made)
            finally:
                part.unlink(missing_ok=True)
        else:
            whole.rename(made)
    _note(made)
    return made


def _write(whole: Path, work: Path) -> None:
    dump = work / DUMPS[connection.vendor]
    _dump(dump)  # first: a file that comes in afterwards is no harm, a row without its file would be
    kept = [(dump.name, dump), *((f"{FILES}/{name}", path) for name, path in _files())]
    manifest = {
        "format": FORMAT, "made_at": timezone.now().isoformat(), "engine": connection.vendor,
        "migrations": sorted(map(list, MigrationRecorder(connection).applied_migrations())),
        "secrets": secrets_mark(), "parts": {name: _part(path) for name, path in kept},
    }  # fmt: skip
    first = work / MANIFEST
    first.write_text(json.dumps(manifest, indent=1))
    with tarfile.open(whole, "w") as tar:
        for name, path in [(MANIFEST, first), *kept]:
            tar.add(path, arcname=name, recursive=False)
    _settle(whole)


def _settle(path: Path) -> None:
    os.chmod(path, 0o600)
    with path.open("rb") as opened:
        os.fsync(opened.fileno())


def _note(made: Path) -> None:
    """What the status page and the metrics say of the last backup."""
    noted = {"at": timezone.now().isoformat(), "path": str(made), "bytes": made.stat().st_size}
    part = settings.DATA_DIR / f"{NOTE}.part"
    part.write_text(json.dumps(noted))
    part.rename(settings.DATA_DIR / NOTE)


def last() -> tuple[dt.datetime, Path, int] | None:
    """When the last backup was made, where it was put and its bytes; none where none was."""
    try:
        noted = json.loads((settings.DATA_DIR / NOTE).read_text())
    except FileNotFoundError:
        return None
    return dt.datetime.fromisoformat(noted["at"]), Path(noted["path"]), int(noted["bytes"])


def restore(path: Path, *, over: bool = False, key_file: Path | None = None) -> dict[str, Any]:
    """
    Puts a site back as a backup has it; what the backup says of itself.

    Parameters
    ----------
    over
        Write over a site that has people. Its files are moved aside, not deleted.
    key_file
        The other half of the key that it was encrypted for, as `new_key` wrote it.

    Raises
    ------
    Refused
        When the file is not whole, of another engine, of a newer program, or the site has people.
    """
    media = Path(settings.MEDIA_ROOT)
    media.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=media.parent) as work:
        if path.suffix == SEALED:
            path = _unseal(path, Path(work) / "whole.tar", key_file)
        return _restore(path, over)


def _restore(path: Path, over: bool) -> dict[str, Any]:
    manifest = read(path)
    if manifest["engine"] != connection.vendor:
        raise Refused(f"it is of {manifest['engine']}, this site runs on {connection.vendor}", field="path")
    known = {tuple(one) for one in MigrationLoader(None).disk_migrations}
    if newer := sorted({tuple(one) for one in manifest["migrations"]} - known):
        raise Refused(f"it is of a newer program: {'.'.join(newer[0])} is not known here", field="path")
    if not over and _has_people():
        raise Refused("this site has people; say --over to write over it", field="over")
    media = Path(settings.MEDIA_ROOT)
    with tempfile.TemporaryDirectory(dir=media.parent) as work:
        with tarfile.open(path) as tar:
            _unpack(tar, Path(work))
        _load(Path(work) / DUMPS[connection.vendor])
        if media.exists():
            media.rename(media.with_name(f"{media.name}-before-{_now()}"))
        found = Path(work) / FILES
        found.mkdir(exist_ok=True)
        found.rename(media)
        media.chmod(0o700)
    call_command("migrate", interactive=False, verbosity=0)
    return manifest


def _unpack(tar: tarfile.TarFile, folder: Path) -> None:
    """Files and folders under `folder` alone, as ``filter="data"`` does, which not every Python 3.11 has."""
    for member in tar:
        to = (folder / member.name).resolve()
        if not to.is_relative_to(folder.resolve()) or not (member.isdir() or member.isfile()):
            raise Refused(f"{member.name} in it is no file of ours", field="path")
        if member.isdir():
            to.mkdir(parents=True, exist_ok=True)
        elif opened := tar.extractfile(member):
            to.parent.mkdir(parents=True, exist_ok=True)
            with opened, to.open("wb") as out:
                shutil.copyfileobj(opened, out)


def read(path: Path) -> dict[str, Any]:
    """What a backup says of itself, after everything in it was read and found as it says."""
    try:
        with tarfile.open(path) as tar:
            first = tar.next()
            if first is None or first.name != MANIFEST:
                raise Refused("this is no backup of ours", field="path")
            opened = tar.extractfile(first)
            manifest: dict[str, Any] = json.load(opened) if opened is not None else {}
            missing = dict(manifest["parts"])
            for member in tar:
                if member.name == MANIFEST:
                    continue
                opened = tar.extractfile(member)
                if opened is None or missing.pop(member.name, None) != _sum(opened):
                    raise Refused(f"{member.name} is not as it was when it was kept", field="path")
    except (OSError, tarfile.TarError, ValueError, KeyError) as error:
        if isinstance(error, Refused):
            raise
        raise Refused(f"the file can't be read to its end: {error}", field="path") from None
    if missing:
        raise Refused(f"{next(iter(missing))} is missing from it", field="path")
    if manifest["format"] != FORMAT:
        raise Refused("it is of a newer program", field="path")
    return manifest


def secrets_mark() -> str:
    """Says whether two sites have one secret, and nothing of it: with another, links and codes given out end."""
    return salted_hmac("shared.backup", "secrets").hexdigest()


def _now() -> str:
    """This moment in a file's name: ``20270301T020000``."""
    return timezone.now().isoformat(timespec="seconds")[:19].replace("-", "").replace(":", "")


def _has_people() -> bool:
    return User._meta.db_table in connection.introspection.table_names() and User.objects.exists()


def _files() -> list[tuple[str, Path]]:
    root = Path(settings.MEDIA_ROOT)
    return sorted((str(path.relative_to(root)), path) for path in root.rglob("*") if path.is_file())


def _part(path: Path) -> list[object]:
    with path.open("rb") as opened:
        return _sum(opened)


def _sum(opened: Any) -> list[object]:
    digest, size = hashlib.sha256(), 0
    while block := opened.read(1 << 20):
        digest.update(block)
        size += len(block)
    return [size, digest.hexdigest()]


# -- encrypted ---------------------------------------------------------------------------------


def new_key(secret: Path) -> str:
    """Makes a key: its secret half into a file of its own, which opens backups; the public half, which makes them."""
    made = x25519.Identity.generate()
    try:
        with os.fdopen(os.open(secret, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(f"{made}\n")
    except FileExistsError:
        raise Refused(f"{secret} is there already; nothing is written over a key", field="file") from None
    return str(made.to_public())


def _seal(whole: Path, to: Path, key: str) -> None:
    try:
        encrypt_file(str(whole), str(to), [x25519.Recipient.from_str(key)])
    except RecipientError as error:
        raise Refused(f"BACKUP_KEY is no public half of a key: {error}", field="key") from None
    _settle(to)


def _unseal(path: Path, to: Path, key_file: Path | None) -> Path:
    if key_file is None:
        raise Refused("it is encrypted; name the file of its key with --key", field="key")
    try:
        key = x25519.Identity.from_str(key_file.read_text().strip())
        decrypt_file(str(path), str(to), [key])
    except (IdentityError, UnicodeDecodeError) as error:
        raise Refused(f"{key_file} holds no key: {error}", field="key") from None
    except (DecryptError, OSError) as error:
        raise Refused(f"it can't be decrypted with this key: {error}", field="key") from None
    return to


# -- the two engines -----------------------------------------------------------------------


def _dump(to: Path) -> None:
    if connection.vendor == "sqlite":
        connection.ensure_connection()
        with sqlite3.connect(to) as copy:
            connection.connection.backup(copy)  # in one step: by pages it never ends while others write
        copy.close()
        return
    _run("pg_dump", "--format=custom", "--no-owner", f"--file={to}", "--dbname", _target())


def _load(dump: Path) -> None:
    if connection.vendor == "sqlite":
        connection.ensure_connection()
        with sqlite3.connect(dump) as kept:
            kept.backup(connection.connection)
        kept.close()
    else:
        _run(
            "pg_restore",
            "--single-transaction",
            "--clean",
            "--if-exists",
            "--no-owner",
            "--dbname",
            _target(),
            str(dump),
        )
    connection.close()


def _target() -> str:
    found = settings.DATABASES["default"]
    named = {"host": found.get("HOST"), "port": found.get("PORT"), "user": found.get("USER"), "dbname": found["NAME"]}
    return " ".join(f"{key}={_quoted(str(value))}" for key, value in named.items() if value)


def _quoted(value: str) -> str:
    text = value.replace("\\", "\\\\").replace("'", "\\'")
    return f"'{text}'"


def _run(program: str, *args: str) -> None:
    places = [
        shutil.which(program),
        *sorted(map(str, Path("/usr/lib/postgresql").glob(f"*/bin/{program}")), reverse=True),
    ]
    found = next((place for place in places if place), None)
    if found is None:
        raise Refused(f"{program} is not installed; it comes with PostgreSQL's client programs")
    password = settings.DATABASES["default"].get("PASSWORD") or ""
    done = subprocess.run(
        [found, *args], env={**os.environ, "PGPASSWORD": str(password)}, capture_output=True, text=True
    )
    if done.returncode:
        raise Refused(f"{program}: {done.stderr.strip()[-400:]}")
