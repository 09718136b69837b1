"""The office sees what is not taken, tries it again, or drops it for a reason."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from measuring.models import Opening
from shared.devices.models import DeviceEntry, ParkedEntry
from shared.models import AuditEntry, User
from tests.devices.phone import Phone, reading

pytestmark = pytest.mark.django_db


@pytest.fixture
def old(parked: list[ParkedEntry]) -> ParkedEntry:
    """The one that failed, an hour ago."""
    ParkedEntry.objects.update(parked_at=timezone.now() - dt.timedelta(minutes=61))
    return parked[0]


def test_the_page_says_who_where_since_when_and_what_failed(
    old: ParkedEntry, as_user: Any, dispatcher: User, stranger: User
) -> None:
    page = as_user(dispatcher).get("/stuck/").content.decode()

    for words in (
        "From phones, not taken yet", f"A reading: <a href=\"/jobs/{old.job_id}/\">{old.where}</a>",
        "2 more wait behind it", str(dispatcher), "The program failed on it (KeyError)", "Tried 1 time,",
        f"{old.where}: a reading from a phone is not taken.",
    ):  # fmt: skip
        assert words in page
    assert "From phones" not in as_user(stranger).get("/stuck/").content.decode()


def test_nobody_is_told_within_the_hour(parked: list[ParkedEntry], as_user: Any, dispatcher: User) -> None:
    assert "From phones" not in as_user(dispatcher).get("/stuck/").content.decode()


def test_trying_again_says_whether_it_was_taken(old: ParkedEntry, as_user: Any, dispatcher: User) -> None:
    page = as_user(dispatcher).post(f"/stuck/entries/{old.pk}/again/", follow=True).content.decode()

    assert "Not taken this time either" in page
    assert ParkedEntry.objects.get(pk=old.pk).tries == 2


def test_dropping_needs_a_reason_and_ends_it(old: ParkedEntry, as_user: Any, dispatcher: User) -> None:
    client = as_user(dispatcher)

    without = client.post(f"/stuck/entries/{old.pk}/drop/", {"reason": " "}, follow=True).content.decode()
    dropped = client.post(f"/stuck/entries/{old.pk}/drop/", {"reason": "read by phone"}, follow=True).content.decode()

    assert "Reason: say why" in without
    assert "shows your reason" in dropped
    assert "From phones" in without
    assert DeviceEntry.objects.get(parked=old).reply["problem"] == "the office dropped it: read by phone"


@pytest.mark.parametrize("action", ["again", "drop"])
def test_another_branch_finds_no_such_entry(old: ParkedEntry, as_user: Any, stranger: User, action: str) -> None:
    assert as_user(stranger).post(f"/stuck/entries/{old.pk}/{action}/", {"reason": "x"}).status_code == 404


def test_the_api_does_the_same(old: ParkedEntry, api_as: Any, dispatcher: User, stranger: User) -> None:
    client, at = api_as(dispatcher), f"/api/parked-entries/{old.pk}/"

    listed = client.get("/api/parked-entries/").json()["results"]
    again = client.post(f"{at}again/").json()
    without = client.post(f"{at}drop/", {"reason": ""})
    dropped = client.post(f"{at}drop/", {"reason": "read by phone"}).json()

    assert [(row["kind"], row["where"]) for row in listed] == [("measuring.reading", old.where)] * 3
    assert (again["tries"], again["reply_status"]) == (2, 202)
    assert without.status_code == 400
    assert (dropped["reply_status"], dropped["dropped_why"]) == (409, "read by phone")
    assert api_as(stranger).get("/api/parked-entries/").json()["results"] == []
    assert api_as(stranger).post(f"/api/parked-entries/{old.pk}/again/").status_code == 404


def test_the_trail_says_when_it_was_done_at_the_window(
    phone: Phone, openings: tuple[Opening, Opening], dispatcher: User, client: Client
) -> None:
    """It gave the minute the phone found signal again."""
    now = timezone.now()
    entry = reading(phone, openings[0], "depth", "3")
    with time_machine.travel(now + dt.timedelta(minutes=90), tick=False):
        phone.send(entry)
        at_once = phone.entry("same", reading=entry["id"])
        phone.send(at_once)

    one, other = AuditEntry.objects.filter(by=dispatcher).order_by("-pk")[:2][::-1]
    client.force_login(dispatcher)
    page = client.get(reverse("shared:trail")).content.decode()

    assert one.when.isoformat() == entry["done_at"]
    assert one.arrived_at == now + dt.timedelta(minutes=90)
    assert other.arrived_at is None
    assert f'datetime="{timezone.localtime(one.when, dispatcher.branch.tz).isoformat()}"' in page
    assert page.count("reached the office") == 1
