"""An empty database leads to the set-up, whose code opens it until an owner stands."""

from __future__ import annotations

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from shared import roles
from shared.models import AuditEntry, Branch, Firm, User
from shared.setup import services
from tests.factories import make_user
from tests.shared.test_pages import OPEN, address_of, every_route

pytestmark = pytest.mark.django_db

BRANCH = {
    "name": "Weir House", "address": "1 Weir", "coordinates": "41.6180, -91.8720", "zone": "America/Chicago",
    "units": "in", "paper": "letter", "currency": "USD", "first_weekday": "6", "final_days": "365",
    "jurisdiction": "US", "phone": "",
}  # fmt: skip
OWNER = {"name": "Una Reed", "username": "una", "password": "ten brown sills", "role_names": ["dispatcher"]}
PASSES = {"healthz", "readyz", "metrics", "worker"}
"""Pages that say nothing of a firm."""


@pytest.fixture
def opened(client: Client) -> Client:
    """A browser in which the code was typed."""
    client.post("/setup/", {"code": services.new_setup_code()})
    return client


def test_on_an_empty_database_every_page_leads_to_the_setup(client: Client) -> None:
    """A sign-in page stood there, which nobody could pass."""
    stays = []
    for route, name in every_route():
        if route.startswith(("api/", "setup/")) or name in PASSES:
            continue
        for method in ("get", "post"):
            answer = getattr(client, method)(address_of(route))
            if (answer.status_code, answer.headers.get("Location")) != (302, "/setup/"):
                stays.append((method, route, answer.status_code))

    assert stays == []
    assert "sign_in" in OPEN


@pytest.mark.parametrize("path", ["/setup/", "/setup/firm/", "/setup/branch/", "/setup/owner/"])
def test_without_the_code_nothing_is_set_up(client: Client, path: str) -> None:
    services.new_setup_code()

    answer = client.post(path, {**BRANCH, **OWNER})

    assert "One-time code" in answer.content.decode()
    assert (Branch.objects.count(), User.objects.count()) == (0, 0)


def test_a_newer_code_ends_the_one_before(client: Client) -> None:
    first, second = services.new_setup_code(), services.new_setup_code()

    assert client.post("/setup/", {"code": first}).status_code == 422
    assert client.post("/setup/", {"code": second.lower().replace("-", " ")}).status_code == 302
    assert second not in str(Firm.objects.values())


def test_codes_are_not_tried_for_ever(client: Client) -> None:
    code = services.new_setup_code()
    for _ in range(8):
        client.post("/setup/", {"code": "2222-2222-2222"})

    answer = client.post("/setup/", {"code": code})

    assert answer.status_code == 422
    assert "Too many wrong codes" in answer.content.decode()


def test_the_owner_signs_in_and_the_code_is_used_up(opened: Client) -> None:
    code = services.new_setup_code()
    opened.post("/setup/", {"code": code})
    opened.post("/setup/firm/", {"name": "Weir & Daughters"})
    opened.post("/setup/branch/", BRANCH)

    answer = opened.post("/setup/owner/", OWNER)

    assert answer.status_code == 302, answer.content.decode()
    una = User.objects.get()
    assert (una.role_names, una.branch) == ({"dispatcher", "owner"}, Branch.objects.get())
    assert opened.get("/account/").status_code == 200
    assert services.new_setup_code() == ""
    assert Client().post("/setup/", {"code": code}).headers["Location"].startswith("/sign-in/")
    said = {entry.action for entry in AuditEntry.objects.all()}
    assert said >= {"named the firm", "opened the branch", "gave an account"}


def test_a_step_is_left_and_come_back_to(opened: Client) -> None:
    opened.post("/setup/firm/", {"name": "Weir & Daughters"})
    opened.post("/setup/branch/", BRANCH)

    listed = opened.get("/setup/").content.decode()
    changed = opened.post("/setup/branch/", {**BRANCH, "units": "mm", "coordinates": ""})

    assert "Weir &amp; Daughters" in listed
    assert "Weir House" in listed
    assert changed.status_code == 302
    assert (Branch.objects.get().units, Branch.objects.get().latitude) == ("mm", None)


def test_what_was_typed_stays_beside_what_is_wrong(opened: Client) -> None:
    opened.post("/setup/firm/", {"name": "Weir & Daughters"})

    answer = opened.post("/setup/branch/", {**BRANCH, "coordinates": "over there"})

    page = answer.content.decode()
    assert answer.status_code == 422
    assert 'id="id_coordinates_error"' in page
    assert 'value="Weir House"' in page
    assert 'value="over there"' in page
    refused = opened.post("/setup/owner/", OWNER)
    assert refused.headers["Location"] == "/setup/branch/"  # steps hang on those before them


def test_a_superuser_of_an_empty_database_opens_the_first_branch(client: Client) -> None:
    """Their first page said "You belong to no branch", and nothing made one."""
    chief = User.objects.create_superuser("chief", password="ten brown sills")
    client.force_login(chief)

    assert "/setup/" in client.get("/firm/").content.decode()
    client.post("/setup/firm/", {"name": "Weir & Daughters"})
    answer = client.post("/setup/branch/", BRANCH)

    assert answer.status_code == 302
    chief.refresh_from_db()
    assert chief.branch == Branch.objects.get()


def test_the_setup_is_nobody_elses(client: Client, dispatcher: User) -> None:
    client.force_login(dispatcher)

    assert client.get("/setup/").status_code == 403
    assert client.post("/setup/firm/", {"name": "Mine"}).status_code == 403


def test_roles_exist_before_anybody_has_them() -> None:
    assert set(Group.objects.values_list("name", flat=True)) >= set(roles.ALL)
    assert make_user(roles.OWNER).is_of_whole_firm
