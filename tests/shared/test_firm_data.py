"""A firm's data out by one press, and back; what is refused, and what never goes along."""

from __future__ import annotations

import datetime as dt
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.core.files.base import ContentFile
from django.db import connection
from django.test import Client
from django.utils import timezone

from installs.models import StopPhoto
from jobs.models import Job, Site
from shared import files, firm_data
from shared.errors import Refused
from shared.lengths import parse_length
from shared.models import Branch, Run, User
from tests.factories import make_appointment, make_branch, make_job, make_user

pytestmark = pytest.mark.django_db

ODD = ["=1+1", "'quoted'", "-4", '"two"\nlines\r\nand more', "\ttab", "'", "ends, here", "Ünïcode 漢"]


@pytest.fixture
def alone(branch: Branch) -> User:
    """The owner of a firm of one branch."""
    return make_user("owner", branch=branch)


def emptied() -> None:
    """Nobody has an account and nothing is written, within the test's own transaction."""
    for model in reversed(firm_data.tables()):
        model._base_manager.all()._raw_delete(connection.alias)


def test_odd_texts_exact_lengths_and_files_come_back_as_they_were(alone: User, settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    job = make_job(alone.branch, by=alone, note="\n".join(ODD))
    for text in ODD:
        Site.objects.create(
            branch=job.branch, customer=job.customer, street=text, town="Millrace", latitude=0.1, longitude=-88.31,
            longest_in_lift=parse_length("35 3/8", alone.unit), year_built=None,
        )  # fmt: skip
    photo = StopPhoto(appointment=make_appointment(job), taken_by=alone)
    photo.file.save("a.jpg", ContentFile(bytes(range(256))))
    before = [list(model._base_manager.order_by("pk").values()) for model in (Job, Site, StopPhoto)]
    firm_data.write_out(tmp_path / "firm.zip")
    emptied()
    Path(photo.file.path).unlink()

    came = firm_data.read_in(tmp_path / "firm.zip")

    assert [list(model._base_manager.order_by("pk").values()) for model in (Job, Site, StopPhoto)] == before
    assert Path(photo.file.path).read_bytes() == bytes(range(256))
    assert came.files == 1
    assert not User.objects.get(pk=alone.pk).has_usable_password()
    assert make_job(alone.branch).pk > job.pk  # new rows are numbered on


def test_no_cell_is_run_by_a_spreadsheet_and_no_password_leaves(alone: User, tmp_path: Path) -> None:
    Site.objects.create(branch=alone.own_branch, customer=make_job(alone.branch).customer, street="=1+1", town="M")
    firm_data.write_out(tmp_path / "firm.zip")

    with zipfile.ZipFile(tmp_path / "firm.zip") as whole:
        sites, people = (whole.read(f"tables/{name}.csv").decode() for name in ("jobs.Site", "shared.User"))
    assert ",'=1+1," in sites
    assert alone.password not in people
    assert "password" not in people
    assert (tmp_path / "firm.zip").stat().st_mode & 0o077 == 0


def test_data_comes_in_on_an_empty_site_only_and_whole(alone: User, tmp_path: Path) -> None:
    path = tmp_path / "firm.zip"
    firm_data.write_out(path)
    with pytest.raises(Refused, match="Somebody has an account"):
        firm_data.read_in(path)
    emptied()
    rewritten(path, "tables/shared.User.csv", lambda text: text.replace(alone.username, "mallory"))
    with pytest.raises(Refused, match=r"shared.User.csv is not as it was written"):
        firm_data.read_in(path)
    rewritten(path, firm_data.MANIFEST, lambda text: text.replace("tables/shared.User.csv", "files/../../x"))
    with pytest.raises(Refused, match="is no part of"):
        firm_data.read_in(path)
    path.write_bytes(b"no zip at all")
    with pytest.raises(Refused, match="can't be read"):
        firm_data.read_in(path)

    assert not User.objects.exists()


def rewritten(path: Path, name: str, change: Callable[[str], str]) -> None:
    with zipfile.ZipFile(path) as whole:
        parts = {one: whole.read(one) for one in whole.namelist()}
    parts[name] = change(parts[name].decode()).encode()
    with zipfile.ZipFile(path, "w") as whole:
        for one, data in parts.items():
            whole.writestr(one, data)


def test_one_press_makes_the_zip_and_it_is_fetched(
    alone: User, as_user: Callable[[User], Client], do_runs: Callable[[], list[str]], settings: Any, tmp_path: Path
) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    client = as_user(alone)
    make_job(alone.branch, by=alone)

    client.post("/firm/data/out/")
    assert do_runs() == ["done"]
    run = Run.objects.get(kind=firm_data.KIND)
    assert f"/firm/data/{run.pk}.zip" in client.get("/firm/data/").content.decode()
    answer = client.get(f"/firm/data/{run.pk}.zip")

    fetched = tmp_path / "fetched.zip"
    fetched.write_bytes(b"".join(answer.streaming_content))  # type: ignore[attr-defined]  # a FileResponse
    with zipfile.ZipFile(fetched) as whole:
        assert json.loads(whole.read("manifest.json"))["rows"]["jobs.Job"] == 1


def test_the_owner_of_one_of_two_branches_gets_nobody_elses_data(
    alone: User, as_user: Callable[[User], Client], do_runs: Callable[[], list[str]], settings: Any, tmp_path: Path
) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    as_user(alone).post("/firm/data/out/")
    do_runs()
    run = Run.objects.get(kind=firm_data.KIND)
    make_branch()

    client = as_user(alone)
    assert client.get(f"/firm/data/{run.pk}.zip").status_code == 404
    client.post("/firm/data/out/")
    assert Run.objects.filter(kind=firm_data.KIND).count() == 1
    assert as_user(make_user("owner")).get(f"/firm/data/{run.pk}.zip").status_code == 200


def test_the_zip_is_swept_after_a_day_like_any_file_that_no_row_names(
    alone: User, do_runs: Callable[[], list[str]], settings: Any, tmp_path: Path
) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    firm_data.take_out(by=alone)
    do_runs()

    assert files.sweep() == 0
    with time_machine.travel(timezone.now() + dt.timedelta(days=2)):
        assert files.sweep() == 1
