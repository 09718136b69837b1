"""Database away or its disk full: said in words, tried again, and never done twice."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.contrib.sessions.backends.db import SessionStore
from django.db import OperationalError
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from rest_framework.test import APIClient

from jobs.models import Absence
from jobs.services import booking, crews
from shared import idempotency, runs
from shared.models import AnsweredRequest, Run, User
from tests.factories import make_job
from tests.shared import works
from tests.shared.test_sent_once import absence, browser, person, pressed, token_of

__all__ = ["browser", "person"]
pytestmark = pytest.mark.django_db
FULL = OperationalError("database or disk is full")


def fails(*args: object, **kwargs: object) -> None:
    raise FULL


def test_a_full_disk_is_said_on_the_page_and_to_programs(
    dispatcher: User, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every press was a 500 of a page that named nothing."""
    job, api = make_job(by=dispatcher), APIClient(raise_request_exception=False)
    client.force_login(dispatcher)
    client.raise_request_exception = False
    api.force_authenticate(dispatcher)
    monkeypatch.setattr(booking, "edit_job", fails)
    sent = {"openings_expected": 3, "policy": "together", "note": "ring twice"}

    page = client.post(reverse("jobs:edit", args=[job.pk]), sent)
    answer = api.patch(f"/api/jobs/{job.pk}/", {"note": "ring twice"}, format="json")

    assert (page.status_code, answer.status_code) == (503, 503)
    assert "its disk is full" in page.content.decode()
    assert page["Retry-After"] == "30"
    assert "its disk is full" in answer.json()["detail"]


def test_what_is_away_before_any_page_is_said_too(
    dispatcher: User, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.force_login(dispatcher)
    client.raise_request_exception = False
    monkeypatch.setattr(SessionStore, "load", fails)

    answer = client.get("/jobs/")

    assert answer.status_code == 503
    assert "its disk is full" in answer.content.decode()


def test_a_run_waits_while_the_database_is_away(dispatcher: User, monkeypatch: pytest.MonkeyPatch) -> None:
    """It was given up as failed for a reason of ours."""
    monkeypatch.setattr(works.audit, "record", fails)
    run = runs.start("tests.slow_write", by=dispatcher, params={"begun": "/dev/null", "seconds": 0})

    assert runs.perform(run.pk) == "under way"

    monkeypatch.undo()
    Run.objects.update(lease_until=timezone.now() - dt.timedelta(seconds=1))
    assert runs.perform(run.pk) == "done"


def test_a_press_that_was_done_and_died_before_it_could_answer_is_not_done_again(
    person: User, browser: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two minutes later the same press made a second absence."""
    page, address, sent, count = absence(person)
    token = token_of(browser, page)
    with monkeypatch.context() as patch:
        patch.setattr(idempotency, "_keep_page", lambda row, response: None)
        pressed(browser, address, sent(), token)
    AnsweredRequest.objects.update(at=timezone.now() - dt.timedelta(minutes=3))

    again = pressed(browser, address, sent(), token)

    assert count() == 1
    assert again.status_code == 302
    assert idempotency.CUT_OFF in browser.get(page).content.decode()


def test_a_press_that_did_something_before_the_database_went_is_not_done_again(
    person: User, browser: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    page, address, sent, count = absence(person)
    token, real = token_of(browser, page), crews.add_absence

    def add_and_fail(*args: Any, **said: Any) -> None:
        real(*args, **said)
        raise FULL

    browser.raise_request_exception = False
    with monkeypatch.context() as patch:
        patch.setattr(crews, "add_absence", add_and_fail)
        assert pressed(browser, address, sent(), token).status_code == 503

    assert pressed(browser, address, sent(), token).status_code == 302
    assert count() == Absence.objects.count() == 1
