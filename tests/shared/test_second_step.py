"""The second step at sign-in: asked, taken, lost, and no way around it."""

from __future__ import annotations

import re
import time
from typing import Any

import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, generate_totp_secret, hotp_value
from django.core.management import call_command
from django.test import Client
from rest_framework.authtoken.models import Token

from shared import services as people
from shared import tokens
from shared.access import FAILED_OFTEN
from shared.errors import Refused
from shared.models import AuditEntry, Branch, User
from shared.second_factor import services
from tests.factories import PASSWORD, make_user

pytestmark = pytest.mark.django_db


def code_of(secret: str, *, later: int = 0) -> str:
    """What an app shows now, or so many half minutes later."""
    return format_hotp_value(hotp_value(secret, int(time.time()) // 30 + later))


def with_app(person: User) -> str:
    """The secret of an app that somebody set up half a minute ago."""
    secret = generate_totp_secret()
    services.add_app(person=person, secret=secret, code=code_of(secret, later=-1))
    return secret


def by_password(person: User, *, then: str = "") -> tuple[Client, Any]:
    client = Client()
    return client, client.post("/sign-in/", {"username": person.username, "password": PASSWORD, "next": then})


def is_in(client: Client) -> bool:
    return client.get("/account/").status_code == 200


def test_the_password_alone_opens_nothing_of_who_has_a_second_step(measurer: User) -> None:
    secret = with_app(measurer)

    client, answer = by_password(measurer, then="/account/tokens/")

    assert (answer.status_code, answer.url) == (302, "/sign-in/second-step/")
    assert not is_in(client)
    assert client.get("/api/me/").status_code == 401
    taken = client.post("/sign-in/second-step/", {"code": code_of(secret)})
    assert (taken.status_code, taken.url) == (302, "/account/tokens/")
    assert is_in(client)


def test_nobody_comes_to_the_second_step_without_the_first(client: Client, measurer: User) -> None:
    with_app(measurer)

    assert client.get("/sign-in/second-step/").url == "/sign-in/"


def test_a_code_of_an_app_goes_once(measurer: User) -> None:
    secret = with_app(measurer)
    shown = code_of(secret)
    first, _ = by_password(measurer)
    first.post("/sign-in/second-step/", {"code": shown})

    second, _ = by_password(measurer)

    assert second.post("/sign-in/second-step/", {"code": shown}).status_code == 422
    assert not is_in(second)


def test_wrong_codes_wait_and_stand_in_the_history(measurer: User) -> None:
    secret = with_app(measurer)
    client, _ = by_password(measurer)
    for _ in range(FAILED_OFTEN):
        client.post("/sign-in/second-step/", {"code": "000000"})

    answer = client.post("/sign-in/second-step/", {"code": code_of(secret)})

    assert answer.status_code == 429
    assert not is_in(client)
    owner_sees = Client()
    owner_sees.force_login(make_user("owner", branch=measurer.branch))
    assert "wrong second step" in owner_sees.get(f"/account/{measurer.pk}/sign-ins/").content.decode()


def test_a_new_password_ends_what_the_old_one_began(measurer: User, owner: User) -> None:
    secret = with_app(measurer)
    client, _ = by_password(measurer)
    people.give_new_password(person=measurer, by=owner, password="eleven brown sills")

    client.post("/sign-in/second-step/", {"code": code_of(secret)})

    assert not is_in(client)


def test_a_code_for_a_forgotten_password_does_not_replace_the_second_step(measurer: User, owner: User) -> None:
    secret = with_app(measurer)
    client = Client()

    answer = client.post(f"/join/{people.invite(person=measurer, by=owner)}/", {"password": "ten brown sills"})

    assert answer.url == "/sign-in/second-step/"
    assert not is_in(client)
    client.post("/sign-in/second-step/", {"code": code_of(secret)})
    assert is_in(client)


def test_a_session_that_did_not_take_it_is_none(measurer: User) -> None:
    with_app(measurer)
    client = Client()

    client.force_login(measurer)  # as a way in would that forgot to hand over

    assert not is_in(client)


def test_an_app_is_set_up_on_the_account_and_its_recovery_codes_are_seen_once(measurer: User) -> None:
    client, _ = by_password(measurer)
    elsewhere, _ = by_password(measurer)
    old = tokens.give_token(person=measurer, name="export", role_names=["measurer"], days=30)
    page = client.get("/account/second-step/app/").content.decode()
    secret = re.findall(r"<b>([A-Z2-7 ]{39})</b>", page)[0].replace(" ", "")

    assert client.post("/account/second-step/app/", {"code": "000000"}).status_code == 422
    answer = client.post("/account/second-step/app/", {"code": code_of(secret)}, follow=True)

    codes = re.findall(r"<code>([\d ]{14})</code>", answer.content.decode())
    assert len(set(codes)) == 10
    assert "no-store" in answer["Cache-Control"]
    assert codes[0] not in client.get("/account/second-step/codes/", follow=True).content.decode()
    assert is_in(client)
    assert not is_in(elsewhere)  # opened by the password alone
    assert Client().get("/api/me/", headers={"Authorization": f"Token {old}"}).status_code == 401
    kept = str(Authenticator.objects.values())
    assert secret not in kept
    assert codes[0].replace(" ", "") not in kept


def test_a_recovery_code_goes_once_and_is_told(measurer: User) -> None:
    with_app(measurer)
    kept = services.recovery_of(measurer)
    assert kept is not None
    code = kept.get_unused_codes()[0]
    client, _ = by_password(measurer)

    client.post("/sign-in/second-step/", {"code": f"{code[:4]} {code[4:]}"})

    assert is_in(client)
    assert services.codes_left(measurer) == 9
    assert AuditEntry.objects.filter(by=measurer, action="used a recovery code").exists()
    again, _ = by_password(measurer)
    assert again.post("/sign-in/second-step/", {"code": code}).status_code == 422


def test_the_firm_asks_it_of_a_role_and_nothing_else_opens_until_it_is_there(
    measurer: User, owner: User, branch: Branch
) -> None:
    """Nor by a token or a phone that somebody had before."""
    key = tokens.give_token(person=measurer, name="export", role_names=["measurer"], days=30)
    old = Token.objects.create(user=measurer)
    client, _ = by_password(measurer)
    phone = client.post("/api/field/devices/", {"name": "mine"}, content_type="application/json").json()["token"]
    boss = Client()
    boss.force_login(owner)

    answer = boss.post("/firm/second-step/", {"second_step_roles": ["measurer"]})

    assert answer.status_code == 302
    assert AuditEntry.objects.filter(by=owner, action="set who signs in with a second step").exists()
    assert client.get("/account/").url == "/account/second-step/"
    assert client.get("/api/me/").status_code == 403
    for word in (f"Token {key}", f"Token {old.key}"):
        refused = Client().get("/api/me/", headers={"Authorization": word})
        assert (refused.status_code, "second step" in refused.json()["detail"]) == (401, True)
    sent = Client().post(
        "/api/field/entries/", {"entries": []}, content_type="application/json",
        headers={"Authorization": f"Device {phone}"},
    )  # fmt: skip
    assert sent.status_code == 401
    assert is_in(boss)  # no owner is asked
    assert str(measurer) in boss.get("/firm/second-step/").content.decode()
    assert client.get("/account/second-step/app/").status_code == 200
    with_app(measurer)
    assert by_password(measurer)[1].url == "/sign-in/second-step/"


def test_a_role_that_is_given_later_asks_it_too(measurer: User, owner: User) -> None:
    services.ask_of(by=owner, role_names=["dispatcher"])
    people.change_person(person=measurer, by=owner, role_names=["measurer", "dispatcher"])

    client, _ = by_password(measurer)

    assert client.get("/account/").url == "/account/second-step/"


def test_the_last_one_stays_where_it_is_asked(measurer: User, owner: User) -> None:
    with_app(measurer)
    services.ask_of(by=owner, role_names=["measurer"])
    row = services.steps_of(measurer).get()

    with pytest.raises(Refused, match="asks a second step"):
        services.remove(person=measurer, pk=row.pk)

    services.ask_of(by=owner, role_names=[])
    services.remove(person=measurer, pk=row.pk)
    assert not Authenticator.objects.filter(user=measurer).exists()


def test_an_owner_resets_what_somebody_lost(measurer: User, owner: User) -> None:
    secret = with_app(measurer)
    client, _ = by_password(measurer)
    client.post("/sign-in/second-step/", {"code": code_of(secret)})
    boss = Client()
    boss.force_login(owner)

    boss.post(f"/firm/people/{measurer.pk}/second-step/reset/")

    assert not is_in(client)
    entry = AuditEntry.objects.get(action="reset the second step")
    assert (entry.by, entry.subject) == (owner, measurer)
    alone, _ = by_password(measurer)
    assert is_in(alone)


def test_only_an_owner_resets_and_only_their_own_people(measurer: User, dispatcher: User) -> None:
    with_app(measurer)
    stranger = make_user("owner", branch=Branch.objects.create(name="Elsewhere"))
    for person, status in ((dispatcher, 403), (stranger, 404)):
        client = Client()
        client.force_login(person)
        assert client.post(f"/firm/people/{measurer.pk}/second-step/reset/").status_code == status
    assert services.has_one(measurer)


def test_the_operator_resets_the_last_owners(owner: User) -> None:
    with_app(owner)

    call_command("reset_second_step", owner.username)

    assert not services.has_one(owner)


def test_steps_are_changed_soon_after_the_password_only(measurer: User, time_machine: Any) -> None:
    client, _ = by_password(measurer)
    time_machine.move_to(time.time() + 16 * 60)

    asked = client.get("/account/second-step/app/")

    assert asked.url == "/account/prove/?next=%2Faccount%2Fsecond-step%2Fapp%2F"
    assert client.post("/account/prove/", {"password": "not it"}).status_code == 422
    answer = client.post("/account/prove/", {"password": PASSWORD, "next": "/account/second-step/app/"})
    assert answer.url == "/account/second-step/app/"
    assert client.get(answer.url).status_code == 200


def test_with_another_secret_key_no_code_goes_and_nothing_breaks(measurer: User, settings: Any) -> None:
    secret = with_app(measurer)
    settings.SECRET_KEY = "another one, as after the machine was seen by others"

    assert not services.takes_code(person=measurer, code=code_of(secret))
