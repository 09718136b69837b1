"""
Files: photos and papers, on this machine's disk or in an object store that every machine of a firm reaches.

Everything goes through Django's storage; nobody asks where a file lies. A file is named by what is in it, so that
keeping it twice keeps it once, and what is read is what was kept. Files that no row names any more are swept.
"""

from __future__ import annotations

import hashlib
import logging
import os
import tempfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import Final

from botocore.exceptions import BotoCoreError, ClientError
from django.apps import apps
from django.core.files.base import ContentFile, File
from django.core.files.storage import FileSystemStorage, Storage, default_storage
from django.db import models
from django.utils import timezone

from shared.errors import FilesAway

log = logging.getLogger(__name__)

KEPT: Final = "kept"
"""The folder of the files that are named by their content; those of older releases lie beside it."""

DIGITS: Final = 40
"""Hexadecimal digits of the SHA-256 in a name: 160 bits; a file field holds 100 characters."""

YOUNG: Final = timedelta(days=1)
"""A file this young may belong to a transaction that has not ended."""


class FileGone(Exception):
    """There is no such file, or it is not what was kept."""


class Disk(FileSystemStorage):
    """Files on this machine: a file is there whole or not at all, on a full disk too."""

    def _save(self, name: str, content: File[bytes]) -> str:
        path = Path(self.path(name))
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".new-", suffix=path.suffix)
        try:
            with os.fdopen(handle, "wb") as file:
                for block in content.chunks():
                    file.write(block)
                file.flush()
                os.fsync(file.fileno())
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
        return name


def keep(folder: str, data: bytes, ending: str) -> str:
    """
    The name under which these bytes are kept from now on.

    Parameters
    ----------
    folder
        What they are: ``photos``, ``documents/installs.packet``.
    ending
        Of the name, with its dot: ``.jpg``.

    Raises
    ------
    FilesAway
        Nothing was kept.
    """
    digest = hashlib.sha256(data).hexdigest()[:DIGITS]
    name = f"{KEPT}/{folder}/{digest[:2]}/{digest}{ending}"
    if not is_whole(name):
        with _reached():
            default_storage.delete(name)
            default_storage.save(name, ContentFile(data))
    return name


def read(name: str | None) -> bytes:
    """
    What is kept under a name.

    Raises
    ------
    FileGone
        It is not there, or not what was kept; the second is logged.
    FilesAway
        Its place does not answer.
    """
    if not name:
        raise FileGone("a row that names no file")
    with _reached():
        try:
            with default_storage.open(name, "rb") as file:
                data = bytes(file.read())
        except FileNotFoundError:
            raise FileGone(name) from None
    if not is_named_by(name, data):
        log.error("the file %s is not what was kept under its name", name)
        raise FileGone(name)
    return data


def is_whole(name: str | None) -> bool:
    """Whether a file of this name is there and what was kept."""
    try:
        read(name)
    except FileGone:
        return False
    return True


def is_named_by(name: str, data: bytes) -> bool:
    """Whether the name is of these bytes; names of older releases say nothing of their content and pass."""
    path = PurePosixPath(name)
    return path.parts[:1] != (KEPT,) or path.stem == hashlib.sha256(data).hexdigest()[:DIGITS]


def sweep() -> int:
    """Deletes the files that no row names and that are not young; how many."""
    named = set(_named())
    old = timezone.now() - YOUNG
    gone = 0
    with _reached():
        for name, changed in list(names()):
            if name not in named and changed < old:
                default_storage.delete(name)
                gone += 1
    return gone


def forget(gone: Collection[str]) -> None:
    """Deletes these files at once, but for those that a row still names."""
    left = {
        name
        for model, field in _file_fields()
        for name in model._base_manager.filter(**{f"{field}__in": gone}).values_list(field, flat=True)
    }
    with _reached():
        for name in set(gone) - left - {""}:
            default_storage.delete(name)


def names(folder: str = "") -> Iterator[tuple[str, datetime]]:
    """Every file that is kept, and when it came."""
    storage: Storage = default_storage
    with suppress(FileNotFoundError):
        folders, files = storage.listdir(folder)
        for file in sorted(files):
            name = f"{folder}/{file}" if folder else file
            yield name, storage.get_modified_time(name)
        for below in sorted(folders):
            yield from names(f"{folder}/{below}" if folder else below)


def _named() -> Iterator[str]:
    for model, field in _file_fields():
        yield from model._base_manager.exclude(**{field: ""}).values_list(field, flat=True).iterator()


def _file_fields() -> Iterator[tuple[type[models.Model], str]]:
    for model in apps.get_models():
        for field in model._meta.get_fields():
            if isinstance(field, models.FileField):
                yield model, field.name


@contextmanager
def _reached() -> Iterator[None]:
    """Whatever a storage says when it can't be reached is said in one way."""
    try:
        yield
    except (OSError, BotoCoreError, ClientError) as error:
        log.error("files can't be reached: %s", error)
        raise FilesAway(str(error)) from error
