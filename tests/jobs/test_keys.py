"""Keys signed out and back, insurance certificates that run out, and codes that stand on no paper."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from jobs.models import Site, SiteKey
from jobs.services import keys
from jobs.views.attention import decisions
from shared.errors import Refused
from shared.models import AuditEntry, User
from tests.factories import a_monday, at, make_appointment, make_crew, make_job
from tests.test_layers import ROOT


@pytest.fixture
def site(dispatcher: User) -> Site:
    return make_job(dispatcher.branch, by=dispatcher).site


@pytest.mark.django_db
def test_a_key_goes_out_comes_back_and_is_given_back(
    site: Site, dispatcher: User, installer: User, as_user: Callable[[User], Client]
) -> None:
    client = as_user(dispatcher)
    client.post(f"/sites/{site.pk}/keys/", {"label": "12, front door"})
    key = SiteKey.objects.get()
    client.post(f"/keys/{key.pk}/", {"holder": installer.pk})
    assert f"{installer} has it" in client.get(f"/sites/{site.pk}/").content.decode()
    with pytest.raises(Refused, match="has it"):
        keys.sign_out(key=key, holder=dispatcher, by=dispatcher)

    client.post(f"/keys/{key.pk}/", {"back": "1"})
    assert "in" in client.get(f"/sites/{site.pk}/").content.decode()
    client.post(f"/keys/{key.pk}/", {"give": "1"})

    assert "We keep no key" in client.get(f"/sites/{site.pk}/").content.decode()
    told = list(AuditEntry.objects.about(site).order_by("pk").values_list("action", "note"))
    assert told == [
        ("took in a key", "12, front door"),
        (f"signed a key out to {installer}", "12, front door"),
        ("signed a key back", "12, front door"),
        ("gave a key back to the customer", "12, front door"),
    ]


@pytest.mark.django_db
def test_a_key_that_should_be_back_is_a_decision(
    site: Site, dispatcher: User, installer: User, stranger: User, time_machine: Any
) -> None:
    time_machine.move_to(at(site.branch, a_monday(), "12:00"), tick=False)
    key = keys.take_in(site=site, label="12", by=dispatcher)
    keys.sign_out(key=key, holder=installer, by=dispatcher)
    assert [one for one in decisions(dispatcher) if one.kind == "key"] == []

    time_machine.move_to(at(site.branch, a_monday() + dt.timedelta(days=1), "8:00"), tick=False)

    assert next(one.text for one in decisions(dispatcher) if one.kind == "key").startswith(f"{installer} has key 12")
    assert [one for one in decisions(stranger) if one.kind == "key"] == []
    with pytest.raises(Refused, match="not of this branch"):
        keys.sign_out(key=keys.sign_back(key=key, by=dispatcher), holder=stranger, by=dispatcher)


@pytest.mark.django_db
def test_a_certificate_that_runs_out_before_a_visit_is_a_decision(
    site: Site, dispatcher: User, time_machine: Any
) -> None:
    day = a_monday()
    time_machine.move_to(at(site.branch, day, "7:00"), tick=False)
    job = site.jobs.get()
    make_appointment(job, crew=make_crew(site.branch), day=day + dt.timedelta(days=1), time="9:00")
    said = lambda: [one for one in decisions(dispatcher) if one.kind == "certificate"]  # noqa: E731

    Site.objects.filter(pk=site.pk).update(certificate_until=day + dt.timedelta(days=1))
    assert said() == []
    Site.objects.filter(pk=site.pk).update(certificate_until=day)
    assert len(said()) == 1


def test_codes_are_read_by_nothing_that_makes_paper() -> None:
    """They stand on the crew's own screen on the day; a gatherer of a document would have to name the field."""
    allowed = {
        "jobs/models.py", "jobs/access.py", "jobs/forms.py", "jobs/services/base.py", "jobs/services/booking.py",
        "jobs/services/erasing.py", "jobs/api/customers.py", "jobs/templates/jobs/book.html",
        "jobs/templates/jobs/site_edit.html", "jobs/demo.py",
        "jobs/api/appointments.py", "jobs/templates/jobs/appointment.html",
    }  # fmt: skip
    naming = {
        str(path.relative_to(ROOT))
        for room in ("shared", "jobs", "measuring", "fabrication", "installs")
        for path in (ROOT / room).rglob("*")
        if path.suffix in {".py", ".html"} and "migrations" not in path.parts and "access_secret" in path.read_text()
    }

    assert naming - allowed == set()
