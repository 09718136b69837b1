"""Files are named by what is in them, kept whole or not at all, on a disk and in a real object store."""

from __future__ import annotations

import os
import resource
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shared import documents, files, runs
from shared.errors import FilesAway
from shared.models import Document, Run, User
from shared.settings import files_kept
from tests.factories import make_appointment, make_job
from tests.servers import ObjectStore, new_object_store, until

KIND = "jobs.confirmation"


@pytest.fixture
def media(tmp_path: Path, settings: Any) -> Path:
    """A place for files of its own."""
    settings.MEDIA_ROOT = tmp_path / "media"
    return tmp_path / "media"


def on_disk(media: Path) -> list[Path]:
    return [path for path in media.rglob("*") if path.is_file()]


def test_the_same_content_is_one_file(media: Path) -> None:
    names = {files.keep("photos", b"a window", ".jpg") for _ in range(3)}

    assert len(names) == len(on_disk(media)) == 1
    assert files.read(names.pop()) == b"a window"


def test_what_is_not_as_it_was_kept_is_gone_until_it_is_kept_again(media: Path) -> None:
    name = files.keep("photos", b"a window", ".jpg")
    (media / name).write_bytes(b"a Window")
    with pytest.raises(files.FileGone):
        files.read(name)

    assert files.keep("photos", b"a window", ".jpg") == name
    assert files.read(name) == b"a window"


def test_a_file_that_finds_no_room_is_not_there_in_part(media: Path) -> None:
    """The system ends the write at 64 KB, as it does on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (64 * 1024, before[1]))
    try:
        with pytest.raises(FilesAway):
            files.keep("photos", b"x" * 100_000, ".jpg")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    assert on_disk(media) == []


@pytest.fixture
def visit(branch: Any) -> Any:
    """A promised visit, whose confirmation can be printed."""
    return make_appointment(make_job(branch))


def printed(visit: Any, by: User) -> Document:
    asked = documents.request_document(kind=KIND, subject=visit, by=by)
    assert isinstance(asked, Run)
    assert runs.perform(asked.pk) == "done"
    return Document.objects.get(pk=Run.objects.get(pk=asked.pk).result["document"])


def whole(client: Client, paper: Document) -> bytes:
    """The file as a browser gets it."""
    answer = client.get(reverse("shared:document", args=[paper.pk]))
    assert answer.status_code == 200
    return b"".join(answer.streaming_content)


@pytest.mark.django_db
def test_files_that_nothing_names_are_deleted_once_they_are_old(media: Path, visit: Any, dispatcher: User) -> None:
    paper = printed(visit, dispatcher)
    old, young = (files.keep("photos", data, ".jpg") for data in (b"old", b"young"))
    two_days_ago = time.time() - 2 * 86_400
    for name in (old, paper.file.name):
        os.utime(media / name, (two_days_ago, two_days_ago))

    assert files.sweep() == 1

    assert {name for name, _ in files.names()} == {young, paper.file.name}


@pytest.mark.django_db
@pytest.mark.parametrize("harm", [Path.unlink, lambda path: path.write_bytes(b"%PDF of something else")])
def test_a_paper_whose_file_is_gone_or_altered_is_printed_again(
    harm: Callable[[Path], object], media: Path, visit: Any, dispatcher: User, as_user: Callable[[User], Client]
) -> None:
    client, paper = as_user(dispatcher), printed(visit, dispatcher)
    harm(media / paper.file.name)

    answer = client.get(reverse("shared:document", args=[paper.pk]))
    assert answer.status_code == 404
    assert "can be printed again" in answer.content.decode()
    client.post(reverse("shared:request_document", args=[KIND, visit.pk]))
    assert [runs.perform(run.pk) for run in Run.objects.filter(state="waiting")] == ["done"]

    assert whole(client, paper).startswith(b"%PDF-1.7")


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch, settings: Any) -> Iterator[ObjectStore]:
    """A real object store, in which this process keeps its files."""
    found = new_object_store()
    found.start()
    for name, value in found.settings.items():
        monkeypatch.setenv(name, value)
    settings.STORAGES = {**settings.STORAGES, "default": files_kept()}
    yield found
    found.kill()


@pytest.mark.django_db(transaction=True)
def test_web_and_worker_of_two_machines_share_an_object_store(
    store: ObjectStore,
    new_worker: Callable[..., Any],
    visit: Any,
    dispatcher: User,
    as_user: Callable[[User], Client],
    tmp_path: Path,
) -> None:
    """The worker has a folder of its own; its paper is read here, and while the store is down that is said."""
    client = as_user(dispatcher)
    new_worker(env={**store.settings, "JAMBWISE_DATA": str(tmp_path / "elsewhere")})
    client.post(reverse("shared:request_document", args=[KIND, visit.pk]))
    until(lambda: Document.objects.exists(), what="the paper")
    paper = Document.objects.get()
    address = reverse("shared:document", args=[paper.pk])

    assert whole(client, paper).startswith(b"%PDF")
    assert not (tmp_path / "elsewhere" / "media").exists()
    store.kill()
    assert client.get(address).status_code == 503
    store.start()
    until(lambda: client.get(address).status_code == 200, what="the store has its files again")
    assert whole(client, paper).startswith(b"%PDF")
    assert [name for name, _ in files.names()] == [paper.file.name]

    store.client().put_object(Bucket="files", Key=paper.file.name, Body=b"something else")
    assert client.get(address).status_code == 404


@pytest.mark.django_db
def test_a_paper_that_finds_no_room_is_tried_again_later_and_at_last_said_not_to_be_kept(
    media: Path, visit: Any, dispatcher: User, time_machine: Any
) -> None:
    media.parent.joinpath("media").write_text("a file where the folder should be")
    asked = documents.request_document(kind=KIND, subject=visit, by=dispatcher)
    assert isinstance(asked, Run)

    time_machine.move_to(timezone.now(), tick=False)
    for attempt in range(1, 5):
        assert runs.perform(asked.pk) == ("under way" if attempt < 4 else "failed")
        assert runs.perform(asked.pk) == "not taken"
        time_machine.shift(15 * attempt + 1)

    asked.refresh_from_db()
    assert "can't be kept" in asked.error
