"""API 1: its document is valid and says of every answer what it is; requests drawn from it meet no other."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from drf_spectacular.validation import validate_schema

from shared.models import User
from shared.schema import ApiOne
from tests import servers
from tests.factories import make_job

pytestmark = [pytest.mark.django_db, pytest.mark.page]


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    found: dict[str, Any] = ApiOne().get_schema(request=None, public=True)
    return found


def test_the_document_is_valid(document: dict[str, Any]) -> None:
    """It was of 3.0.3 and named no answer but the good ones."""
    assert document["openapi"] == "3.1.1"
    validate_schema(document)

    paths = document["paths"]
    assert len(paths) > 150
    assert all(path.startswith("/api/1/") for path in paths)
    lacking = {
        (path, method)
        for path, part in paths.items()
        for method, operation in part.items()
        if not {"400", "401", "403", "404", "429"} <= set(operation["responses"])
    }
    assert lacking == set()
    names = [operation["operationId"] for part in paths.values() for operation in part.values()]
    assert len(names) == len(set(names))


def test_the_document_says_what_may_be_empty_and_how_a_time_is_written(document: dict[str, Any]) -> None:
    """A date that was not there and a time without a zone were none by the document: found by drawn requests."""
    schemas = document["components"]["schemas"]

    assert "null" in schemas["JobsAppointment"]["properties"]["reserved_until"]["type"]
    assert '"format": "time"' not in json.dumps(document, default=str)


def test_api_one_knows_the_names_of_today_alone(dispatcher: User, api_as: Callable[[User], Any]) -> None:
    """The old names go when `/api/` goes; whoever begins today never meets them."""
    make_job(by=dispatcher)
    api = api_as(dispatcher)

    before, now = api.get("/api/me/").json()["branch"], api.get("/api/1/me/").json()["branch"]
    assert set(before) - set(now) == {"units"}
    assert {name: before[name] for name in now} == now
    page = api.get("/api/1/jobs/?page_size=1").json()
    assert page["results"] == api.get("/api/jobs/?page_size=1").json()["results"]
    assert api.get("/api/1/visits/").status_code == 404  # as measure-visits were called
    assert api.get("/api/visits/").status_code in {200, 403}


def test_the_next_page_and_the_version_stay_in_api_one(dispatcher: User, api_as: Callable[[User], Any]) -> None:
    for _ in range(2):
        job = make_job(by=dispatcher)
    api = api_as(dispatcher)

    assert "/api/1/jobs/?page=2" in api.get("/api/1/jobs/?page_size=1").json()["next"]
    assert api.get(f"/api/1/jobs/{job.pk}/")["ETag"]


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "kind"),
    [
        ("post", "/api/1/jobs/", {}, 400, "urn:jambwise:problem:fields"),
        ("get", "/api/1/jobs/999999999/", None, 404, "about:blank"),
        ("get", "/api/1/jobs/?page=99", None, 404, "about:blank"),
        ("get", "/api/1/nothing/", None, 404, "about:blank"),  # it was a page
        ("get", "/api/nothing/", None, 404, "about:blank"),
        ("post", "/api/jobs/", {}, 400, "about:blank"),  # as it was
        ("delete", "/api/1/jobs/", None, 405, "about:blank"),
    ],
)
def test_what_is_refused_is_a_problem_with_its_type(
    dispatcher: User, api_as: Callable[[User], Any], method: str, path: str, body: Any, status: int, kind: str
) -> None:
    answer = getattr(api_as(dispatcher), method)(path, body, format="json")

    assert answer.status_code == status
    assert answer["Content-Type"].startswith("application/problem+json")
    assert answer.json()["type"] == kind
    assert answer.json()["status"] == status


def test_what_breaks_and_who_is_a_stranger_get_problems_too(
    client: Client, dispatcher: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    stranger = client.get("/api/1/jobs/")
    assert (stranger.status_code, stranger["WWW-Authenticate"]) == (401, "Token")

    client.force_login(dispatcher)
    client.raise_request_exception = False
    monkeypatch.setattr("shared.routes.RunViewSet.get_queryset", lambda self: 1 / 0)
    broken = client.get("/api/1/runs/")

    assert (broken.status_code, broken["Content-Type"]) == (500, "application/problem+json")


def test_a_press_under_one_key_is_done_once_in_api_one(dispatcher: User, api_as: Callable[[User], Any]) -> None:
    api = api_as(dispatcher)
    sent = {"name": "Ada Quill"}

    answers = [api.post("/api/1/customers/", sent, format="json", headers={"Idempotency-Key": "abc"}) for _ in range(2)]

    assert answers[0].status_code == 201
    assert answers[1].json() == answers[0].json()


def test_drawn_requests_meet_no_answer_that_the_document_lacks() -> None:
    """Five hundred here, as many as one likes by ``./run bench api``."""
    argv = [sys.executable, "-m", "tests.benchmarks.api", "--calls", "500"]
    asked = subprocess.run(argv, cwd=servers.ROOT, capture_output=True, text=True, timeout=300)

    assert asked.returncode == 0, asked.stdout + asked.stderr
    assert "500 calls" in asked.stdout
