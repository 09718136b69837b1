"""A page's form that arrives twice is done once: a double press, a slow line, the browser's own repeat."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from django.apps import apps
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fabrication.models import StockItem
from fabrication.services.starting_data import load_materials
from installs.models import StopPhoto
from jobs.models import Absence, Appointment, CalendarFeed, Crew, Job
from shared import roles
from shared.models import AnsweredRequest, Branch, Run, User
from tests.factories import a_monday, make_appointment, make_crew, make_job, make_user
from tests.jobs.test_pages import BOOKING
from tests.test_half_done import FILLED
from tests.test_permissions import ENTRANCES

pytestmark = pytest.mark.django_db
TOKEN = re.compile(r'name="csrfmiddlewaretoken" value="([^"]+)"')


@pytest.fixture
def person(branch: Branch) -> User:
    return make_user(*roles.ALL, branch=branch)


@pytest.fixture
def browser(person: User) -> Client:
    """A client that checks tokens as the site does."""
    client = Client(enforce_csrf_checks=True)
    client.force_login(person)
    return client


def token_of(client: Client, address: str) -> str:
    found = TOKEN.search(client.get(address, follow=True).content.decode())
    assert found is not None, f"{address} has no form"
    return found[1]


def pressed(client: Client, address: str, sent: dict[str, Any], token: str) -> Any:
    return client.post(address, sent | {"csrfmiddlewaretoken": token})


def book(person: User) -> tuple[str, str, Callable[[], dict[str, Any]], Callable[[], int]]:
    return reverse("jobs:book"), reverse("jobs:book"), lambda: dict(BOOKING), Job.objects.count


def receive(person: User) -> Any:
    load_materials(person.own_branch)
    address = reverse("fabrication:stock_receive")
    bracket = person.own_branch.materials.filter(kind="piece")[0]
    total = lambda: sum(StockItem.objects.values_list("quantity", flat=True))  # noqa: E731
    return address, address, lambda: {"material": bracket.pk, "quantity": 7}, total


def carry_in(person: User) -> Any:
    """An import's first page: the run that looks."""
    address = reverse("jobs:import")
    table = b"customer,street,town\nAda,3 Weir Lane,Millrace\n"
    return address, address, lambda: {"kind": "jobs", "file": SimpleUploadedFile("jobs.csv", table)}, Run.objects.count


def visit(person: User) -> Any:
    job = make_job(by=person)
    address = reverse("jobs:visit_new", args=[job.pk])
    sent = {"purpose": "measure", "people": 1, "priority": 1}
    return address, address, lambda: sent, Appointment.objects.count


def absence(person: User) -> Any:
    crew = make_crew(person.own_branch)
    day = a_monday().isoformat()
    sent = {"from_day": day, "until_day": day, "reason": "flu"}
    page = reverse("jobs:crew", args=[crew.pk])
    return page, reverse("jobs:crew_absence", args=[crew.pk]), lambda: sent, Absence.objects.count


def feed(person: User) -> Any:
    crew = make_crew(person.own_branch)
    page = reverse("jobs:crew", args=[crew.pk])
    return page, reverse("jobs:feed_open", args=[crew.pk]), dict, CalendarFeed.objects.count


def picture(person: User) -> Any:
    crew = make_crew(person.own_branch, person)
    stop = make_appointment(crew=crew, day=timezone.localdate(), time="9:00", purpose="install")
    page = reverse("installs:stop", args=[stop.pk])
    sent = lambda: {"photo": SimpleUploadedFile("a.png", PIXEL, "image/png")}  # noqa: E731
    return page, reverse("installs:photo_add", args=[stop.pk]), sent, StopPhoto.objects.count


def _pixel() -> bytes:
    import io

    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (4, 4), "white").save(out, "PNG")
    return out.getvalue()


PIXEL = _pixel()


@pytest.mark.parametrize("what", [book, receive, carry_in, visit, absence, feed, picture])
def test_what_is_pressed_twice_is_there_once(what: Callable[[User], Any], person: User, browser: Client) -> None:
    """Each made two: two jobs, fourteen brackets for seven, two runs, two visits, absences, addresses, photos."""
    page, address, sent, count = what(person)
    token, before = token_of(browser, page), count()

    first = pressed(browser, address, sent(), token)
    after = count()
    again = pressed(browser, address, sent(), token)

    assert first.status_code == again.status_code == 302, first.content[:2000]
    assert first["Location"] == again["Location"]
    assert after > before
    assert count() == after


def test_the_page_says_that_it_was_done_once_and_another_page_does_it_again(person: User, browser: Client) -> None:
    page, address, sent, count = absence(person)
    token = token_of(browser, page)
    pressed(browser, address, sent(), token)
    pressed(browser, address, sent(), token)

    told = browser.get(page).content.decode()
    pressed(browser, address, sent(), token_of(browser, page))

    assert "sent twice and done once" in told
    assert count() == 2


def test_other_boxes_on_the_same_page_are_another_press(person: User, browser: Client) -> None:
    page, address, sent, count = absence(person)
    token = token_of(browser, page)

    for reason in ("flu", "course"):
        pressed(browser, address, sent() | {"reason": reason}, token)

    assert count() == 2


def test_what_was_refused_may_be_sent_again(person: User, browser: Client) -> None:
    page, address, sent, _count = absence(person)
    token = token_of(browser, page)
    wrong = sent() | {"until_day": (a_monday() - dt.timedelta(days=3)).isoformat()}

    answers = [pressed(browser, address, wrong, token).status_code for _ in range(2)]

    assert answers == [422, 422]
    assert not AnsweredRequest.objects.exists()


def test_a_press_that_died_with_its_process_may_be_done_again(person: User, browser: Client) -> None:
    page, address, sent, count = absence(person)
    token = token_of(browser, page)
    pressed(browser, address, sent(), token)
    Absence.objects.all().delete()
    AnsweredRequest.objects.update(status=None, body=None, at=timezone.now() - dt.timedelta(minutes=3))

    pressed(browser, address, sent(), token)

    assert count() == 1


def rows() -> Counter[str]:
    """How many rows every table has, and how often each was saved where it says so."""
    skipped = {"AnsweredRequest", "Session", "AccessAttempt", "AccessLog", "AccessFailureLog"}
    tables = set(connection.introspection.table_names())  # another test's tables are gone, their classes are not
    kinds = [kind for kind in apps.get_models() if kind.__name__ not in skipped and kind._meta.db_table in tables]
    return Counter({kind.__name__: kind._base_manager.count() for kind in kinds})


@pytest.mark.page
def test_no_page_does_twice_what_is_sent_twice(person: User, browser: Client) -> None:
    """Every address of a page that takes something: the second of two leaves every table as the first left it."""
    crew = make_crew(person.own_branch, person)
    job = make_job(by=person)
    stop = make_appointment(job, crew=crew, day=a_monday(), time="9:00")
    assert Crew.objects.count() == 1
    token, twice, done = token_of(browser, reverse("shared:account")), [], 0
    for entrance in ENTRANCES:
        if entrance.method != "post" or entrance.address.startswith("/api/") or entrance.name == "shared:sign_out":
            continue
        address = entrance.address
        for row in (crew, job, stop):
            if address.startswith(f"/{ {Crew: 'crews', Job: 'jobs', Appointment: 'visits'}[type(row)] }/1/"):
                address = re.sub(r"/1/", f"/{row.pk}/", address, count=1)
        browser.force_login(person)
        first = pressed(browser, address, dict(FILLED), token)
        after = rows()
        again = pressed(browser, address, dict(FILLED), token)
        if first.status_code < 400:
            done += 1
            if rows() != after or again.status_code != first.status_code:
                twice.append(f"{entrance}: {first.status_code} {again.status_code} {rows() - after}")

    assert twice == []
    assert done > 10, "the walk must do something"
