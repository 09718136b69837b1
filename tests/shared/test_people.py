"""People come by a code, choose their own password, and leave with everything that was theirs."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.core import mail
from django.test import Client
from django.utils import timezone
from rest_framework.authtoken.models import Token

from jobs.services.feeds import open_feed
from shared import services
from shared.devices.models import FieldDevice
from shared.errors import Refused
from shared.models import Branch, Invitation, User
from tests.factories import PASSWORD, make_crew

pytestmark = pytest.mark.django_db

NEW = "ten brown sills"


@pytest.fixture
def una(branch: Branch, owner: User) -> User:
    """Somebody who has an account and has not joined."""
    return services.add_person(by=owner, branch=branch, username="una.reed", name="Una Reed", role_names=["measurer"])


def test_somebody_is_invited_and_chooses_name_and_password(
    owner: User, branch: Branch, as_user: Callable[[User], Client], client: Client
) -> None:
    page = as_user(owner).post(
        f"/firm/branches/{branch.pk}/new-person/", {"name": "Una Reed", "role_names": ["measurer"]}
    )
    code = re.findall(r"secret-code\">([0-9A-Z-]{14})<", page.content.decode())[0]

    answer = client.post(f"/join/{code}/", {"username": "una", "password": NEW})

    assert answer.status_code == 302, answer.content.decode()
    una = User.objects.get(username="una")
    assert una.check_password(NEW)
    assert client.get("/account/").context["user"] == una
    assert code not in str(Invitation.objects.values())


def test_a_code_opens_once(una: User, owner: User) -> None:
    code = services.invite(person=una, by=owner)
    services.join(code=code, password=NEW)

    assert Client().get(f"/join/{code}/").status_code == 422
    with pytest.raises(Refused, match="used or over"):
        services.join(code=code, password="another brown sill")


@pytest.mark.parametrize("how", ["over", "replaced", "person left"])
def test_a_code_ends(una: User, owner: User, how: str) -> None:
    code = services.invite(person=una, by=owner)
    if how == "over":
        Invitation.objects.update(ends_at=timezone.now() - dt.timedelta(seconds=1))
    elif how == "replaced":
        services.invite(person=una, by=owner)
    else:
        services.change_person(person=una, by=owner, is_active=False)

    assert services.invited_by(code) is None


def test_a_forgotten_password_is_replaced_by_code_and_the_name_stays(measurer: User, owner: User) -> None:
    code, name = services.invite(person=measurer, by=owner), measurer.username

    Client().post(f"/join/{code}/", {"username": "somebody.else", "password": NEW})

    measurer.refresh_from_db()
    assert (measurer.username, measurer.check_password(NEW)) == (name, True)


def test_a_weak_password_keeps_the_code(una: User, owner: User) -> None:
    code = services.invite(person=una, by=owner)

    answer = Client().post(f"/join/{code}/", {"username": "una", "password": "short"})

    assert answer.status_code == 422
    assert services.invited_by(code)


def test_codes_are_not_tried_for_ever(una: User, owner: User, client: Client) -> None:
    code = services.invite(person=una, by=owner)
    for _ in range(8):
        client.post("/join/", {"code": "2222-2222-2222"})

    assert client.post("/join/", {"code": code}).status_code == 422
    assert "Too many" in client.get(f"/join/{code}/").content.decode()


def test_a_link_comes_by_mail_to_the_one_it_belongs_to(measurer: User, client: Client, settings: Any) -> None:
    settings.EMAIL_URL = "smtp://localhost"
    User.objects.filter(pk=measurer.pk).update(email="milo@example.org")

    answers = [client.post("/forgotten/", {"username": f"{who}@example.org"}).content for who in ("MILO", "nobody")]

    known, unknown = (re.sub(rb'"[^"]*[Tt]oken[^>]*', b"", answer) for answer in answers)
    assert known == unknown  # nobody learns who has an account
    assert [one.to for one in mail.outbox] == [["milo@example.org"]]
    link = re.findall(r"http://testserver(/join/[0-9A-Z-]+/)", mail.outbox[0].body)[0]
    client.post(link, {"password": NEW})
    measurer.refresh_from_db()
    assert measurer.check_password(NEW)


def test_without_a_mail_server_the_owner_is_named(client: Client, measurer: User) -> None:
    assert "Ask the owner" in client.get("/forgotten/").content.decode()


def test_who_leaves_takes_nothing_along(measurer: User, owner: User, branch: Branch) -> None:
    """A session, a token, a phone and a calendar came to life again when the account was opened again."""
    crew = make_crew(branch, measurer)
    session = Client()
    session.force_login(measurer)
    token = Token.objects.create(user=measurer)
    phone = FieldDevice.objects.create(user=measurer, token_hash="x" * 64)
    feed = open_feed(branch=branch, user=measurer, by=measurer)

    services.change_person(person=measurer, by=owner, is_active=False)
    services.change_person(person=measurer, by=owner, is_active=True)

    assert session.get("/account/").status_code == 302
    assert Client().post("/sign-in/", {"username": measurer.username, "password": PASSWORD}).status_code == 200
    assert not Token.objects.filter(pk=token.pk).exists()
    phone.refresh_from_db()
    feed.refresh_from_db()
    assert phone.revoked_at
    assert feed.revoked_at
    assert crew.members.get().until_on is not None


def test_an_owner_opens_another_branch_for_whoever_runs_it(
    owner: User, branch: Branch, as_user: Callable[[User], Client]
) -> None:
    from tests.shared.test_setup import BRANCH

    answer = as_user(owner).post("/firm/branches/new/", {**BRANCH, "owner_name": "Piet Vos"})

    assert "secret-code" in answer.content.decode()
    piet = User.objects.get(username="piet.vos")
    assert piet.branch is not None
    assert (piet.branch.name, piet.role_names) == ("Weir House", {"owner"})
    assert as_user(owner).post("/firm/branches/new/", {**BRANCH, "owner_name": "Piet"}).status_code == 422
