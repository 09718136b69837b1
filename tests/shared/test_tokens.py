"""What opens the API and the phones: when it ends, whose clocks it goes by, and who is kept waiting."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from axes.models import AccessAttempt
from django.test import Client
from django.utils import timezone
from rest_framework.authtoken.models import Token
from rest_framework.test import APIClient

from jobs.models import Absence
from shared import services, tokens
from shared.devices.receiver import device_of, register_device
from shared.errors import Refused
from shared.models import ApiToken, AuditEntry, Branch, User
from tests.factories import PASSWORD, a_monday, make_crew, make_user

pytestmark = pytest.mark.django_db


def by_token(key: str) -> APIClient:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Token {key}")
    return client


def test_a_new_password_ends_the_tokens_of_the_old_one(measurer: User, owner: User, client: Client) -> None:
    """Both went on for ever: whoever had the phone or the key kept reading names and addresses."""
    for change in ("their own", "by the owner"):
        api, (_, phone) = by_token(Token.objects.create(user=measurer).key), register_device(user=measurer)
        assert api.get("/api/me/").status_code == 200
        if change == "their own":
            client.force_login(measurer)
            new = {
                "old_password": PASSWORD,
                "new_password1": "four green ladders",
                "new_password2": "four green ladders",
            }
            assert client.post("/account/password/", new).status_code == 302
            assert client.get("/account/").status_code == 200
        else:
            services.give_new_password(person=measurer, by=owner, password="nine grey shims")

        assert api.get("/api/me/").status_code == 401
        assert device_of(phone) is None


def test_a_lost_role_ends_the_tokens_that_had_it(owner: User, branch: Branch) -> None:
    person = make_user("measurer", "installer", branch=branch)
    api, (_, phone) = by_token(Token.objects.create(user=person).key), register_device(user=person)

    services.change_person(person=person, by=owner, role_names=["measurer", "installer", "workroom"])
    assert (api.get("/api/me/").status_code, device_of(phone) is None) == (200, False)
    services.change_person(person=person, by=owner, role_names=["measurer"])
    assert (api.get("/api/me/").status_code, device_of(phone) is None) == (401, True)


def test_a_token_ends_after_a_year(measurer: User) -> None:
    token = Token.objects.create(user=measurer)
    Token.objects.update(created=timezone.now() - dt.timedelta(days=366))

    assert by_token(token.key).get("/api/me/").status_code == 401


def test_a_time_without_zone_is_on_the_branchs_clocks_for_a_token_too(dispatcher: User, branch: Branch) -> None:
    """A page's time was read in Chicago, the same sent with a token in UTC: five or six hours apart."""
    crew, day = make_crew(branch), a_monday()
    span = {"starts_at": f"{day}T09:00:00", "ends_at": f"{day}T10:00:00"}

    answer = by_token(Token.objects.create(user=dispatcher).key).post(
        f"/api/crews/{crew.pk}/absences/", span, format="json"
    )

    assert answer.status_code == 201
    assert f"{Absence.objects.get().starts_at.astimezone(branch.tz):%H:%M}" == "09:00"


def test_nobody_signed_in_is_asked_to_and_told_how(client: Client) -> None:
    answer = client.get("/api/jobs/")

    assert answer.status_code == 401
    assert answer["WWW-Authenticate"] == "Token"


def test_wrong_tokens_are_slowed_and_right_ones_are_not(measurer: User) -> None:
    wrong, right = by_token("0" * 40), by_token(Token.objects.create(user=measurer).key)

    answers = [wrong.get("/api/me/").status_code for _ in range(42)]

    assert (answers[0], answers[-1]) == (401, 429)
    assert right.get("/api/me/").status_code == 200
    assert AccessAttempt.objects.get().failures_since_start <= 40


def test_each_way_in_is_listed_with_its_last_use_and_ended_by_itself(measurer: User, owner: User) -> None:
    here, there = Client(headers={"User-Agent": "Mozilla Firefox/131 Linux"}), Client()
    for client in (here, there):
        client.post("/sign-in/", {"username": measurer.username, "password": PASSWORD})
    _, phone = register_device(user=measurer, name="Ida's")
    token = Token.objects.create(user=measurer)
    page = here.get("/account/")
    found = {one.what: one for one in page.context["accesses"]}
    assert "Firefox on Linux 127.0.0.1" in found
    assert found["Firefox on Linux 127.0.0.1"].is_here
    assert found["phone Ida's"].used_at is None
    other = next(one for one in page.context["accesses"] if one.kind == "session" and not one.is_here)

    here.post(f"/account/{measurer.pk}/session/{other.key}/end/")
    assert there.get("/account/").status_code == 302
    assert here.get("/account/").status_code == 200
    for kind, key in (("phone", found["phone Ida's"].key), ("token", measurer.pk)):
        assert here.post(f"/account/{measurer.pk}/{kind}/{key}/end/").status_code == 302
    assert device_of(phone) is None
    assert by_token(token.key).get("/api/me/").status_code == 401
    assert len(here.get("/account/").context["accesses"]) == 1


def test_an_owner_ends_what_their_people_have_open_and_nobody_else_does(
    measurer: User, owner: User, dispatcher: User, client: Client
) -> None:
    theirs, address = Client(), f"/account/{measurer.pk}/session/"
    theirs.post("/sign-in/", {"username": measurer.username, "password": PASSWORD})
    key = measurer.sign_ins.get().pk
    stranger = make_user("owner", branch=Branch.objects.create(name="Elsewhere"))
    for nobody in (dispatcher, stranger):
        client.force_login(nobody)
        assert client.post(f"{address}{key}/end/").status_code == 404
    assert theirs.get("/account/").status_code == 200

    client.force_login(owner)
    assert "127.0.0.1" in client.get(f"/firm/people/{measurer.pk}/").content.decode()
    client.post(f"{address}{key}/end/")

    assert theirs.get("/account/").status_code == 302


def test_the_session_in_which_a_password_was_changed_stays_and_the_others_end(measurer: User, owner: User) -> None:
    here, there = Client(), Client()
    for client in (here, there):
        client.post("/sign-in/", {"username": measurer.username, "password": PASSWORD})
    new = {"old_password": PASSWORD, "new_password1": "four green ladders", "new_password2": "four green ladders"}

    here.post("/account/password/", new)

    assert there.get("/account/").status_code == 302
    assert [one.is_here for one in here.get("/account/").context["accesses"]] == [True]


def test_last_use_goes_on_while_a_session_is_used(measurer: User, owner: User, client: Client) -> None:
    client.post("/sign-in/", {"username": measurer.username, "password": PASSWORD})
    session = client.session
    session["seen_at"] -= 600
    session.save()
    measurer.sign_ins.update(last_seen_at=timezone.now() - dt.timedelta(hours=1))

    client.get("/account/")

    assert measurer.sign_ins.get().last_seen_at > timezone.now() - dt.timedelta(minutes=1)


def try_name(client: Client, name: str, address: str) -> int:
    sent = {"username": name, "password": "wrong"}
    return client.post("/sign-in/", sent, REMOTE_ADDR="10.0.0.9", headers={"X-Forwarded-For": address}).status_code


def test_one_address_that_tries_many_names_waits(client: Client, measurer: User) -> None:
    """Thirty names, one try each, was no lock: each name had its own count."""
    answers = [try_name(client, f"name{number}", "198.51.100.7") for number in range(31)]

    assert (answers[0], answers[-1]) == (200, 429)


def test_behind_a_proxy_each_has_an_address_of_their_own(client: Client, measurer: User, settings: object) -> None:
    """The lock counted the proxy's address: one person's mistakes kept a whole firm out."""
    settings.BEHIND_PROXY = True  # type: ignore[attr-defined]

    answers = [try_name(client, "ida", "203.0.113.5, 198.51.100.7") for _ in range(9)]
    elsewhere = try_name(client, "ida", "203.0.113.5, 198.51.100.8")
    garbage = try_name(client, "ida", "nowhere")

    assert answers[-1] == 429
    assert (elsewhere, garbage) == (200, 200)
    assert set(AccessAttempt.objects.values_list("ip_address", flat=True)) >= {"198.51.100.7", "198.51.100.8"}


def test_without_a_proxy_what_a_stranger_writes_of_their_address_is_not_believed(
    client: Client, measurer: User
) -> None:
    try_name(client, "ida", "198.51.100.7")

    assert AccessAttempt.objects.get().ip_address == "10.0.0.9"


# -- tokens that somebody makes on a page ---------------------------------------------------------

NEW = {"name": "accounts", "role_names": ["measurer"], "days": "90"}


def made(client: Client, **facts: object) -> str:
    """The key that the page shows, this once."""
    assert client.post("/account/tokens/", {**NEW, **facts}).status_code == 302
    found = re.search(r'value="(jw_[^"]+)"', client.get("/account/tokens/").content.decode())
    assert found is not None
    return found[1]


def test_a_token_is_made_on_a_page_and_its_key_is_seen_once(measurer: User, client: Client) -> None:
    client.force_login(measurer)

    key = made(client)

    assert by_token(key).get("/api/me/").json()["username"] == measurer.username
    again = client.get("/account/tokens/")
    assert key not in again.content.decode()
    assert "no-store" in again["Cache-Control"]
    row = ApiToken.objects.get()
    assert key not in str(ApiToken.objects.values())
    assert row.last_used_at is not None
    assert AuditEntry.objects.filter(action="made a token of the API", by=measurer).exists()


def test_a_token_does_only_what_its_roles_may_and_never_more_than_its_person(owner: User, branch: Branch) -> None:
    person = make_user("owner", "dispatcher", "measurer", branch=branch)
    key = tokens.give_token(person=person, name="export", role_names=["measurer"], days=30)
    api = by_token(key)
    assert api.get("/api/me/").json()["roles"] == ["measurer"]
    assert api.get("/api/people/").status_code == 403  # the owner's
    with pytest.raises(Refused, match="your own roles"):
        tokens.give_token(person=person, name="more", role_names=["workroom"], days=30)

    services.change_person(person=person, by=owner, role_names=["owner", "dispatcher"])

    assert api.get("/api/me/").status_code == 401


def test_a_token_ends_on_its_day_with_its_password_and_by_hand(measurer: User, client: Client) -> None:
    client.force_login(measurer)
    over, by_hand, by_password = (made(client) for _ in range(3))
    rows = list(ApiToken.objects.order_by("pk"))
    ApiToken.objects.filter(pk=rows[0].pk).update(ends_at=timezone.now())
    assert by_token(over).get("/api/me/").status_code == 401

    client.post(f"/account/{measurer.pk}/api_token/{rows[1].pk}/end/")
    assert by_token(by_hand).get("/api/me/").status_code == 401
    assert by_token(by_password).get("/api/me/").status_code == 200

    services.change_password(person=measurer, password="four green ladders")
    assert by_token(by_password).get("/api/me/").status_code == 401


def test_a_new_key_takes_the_place_of_the_old_which_goes_on_for_a_day(measurer: User, client: Client) -> None:
    client.force_login(measurer)
    old = made(client)
    row = ApiToken.objects.get()

    client.post(f"/account/tokens/{row.pk}/rotate/")
    found = re.search(r'value="(jw_[^"]+)"', client.get("/account/tokens/").content.decode())

    assert found is not None
    assert found[1] != old
    assert [by_token(key).get("/api/me/").status_code for key in (old, found[1])] == [200, 200]
    row.refresh_from_db()
    assert row.ends_at < timezone.now() + dt.timedelta(days=1, minutes=1)
    assert ApiToken.objects.exclude(pk=row.pk).get().ends_at > timezone.now() + dt.timedelta(days=89)


def test_one_persons_token_is_not_anothers_to_change(measurer: User, dispatcher: User, client: Client) -> None:
    key = tokens.give_token(person=measurer, name="mine", role_names=["measurer"], days=30)
    row = ApiToken.objects.get()
    client.force_login(dispatcher)

    client.post(f"/account/tokens/{row.pk}/rotate/")
    assert client.post(f"/account/{measurer.pk}/api_token/{row.pk}/end/").status_code == 404
    assert client.get(f"/account/{measurer.pk}/sign-ins/").status_code == 404

    assert ApiToken.objects.count() == 1
    assert by_token(key).get("/api/me/").status_code == 200


def test_a_token_that_asks_without_end_waits(measurer: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tokens, "ASKS_A_MINUTE", 3)
    api = by_token(tokens.give_token(person=measurer, name="loop", role_names=["measurer"], days=30))

    answers = [api.get("/api/me/") for _ in range(10)]

    assert answers[0].status_code == 200
    late = [one for one in answers if one.status_code == 429]
    assert late
    assert int(late[0]["Retry-After"]) <= 60


def test_who_came_in_and_who_tried_to_is_listed(measurer: User, owner: User, client: Client) -> None:
    """Only open sessions were listed: a stranger's tries left nothing to see."""
    try_name(client, measurer.username, "")
    Client().post("/sign-in/", {"username": measurer.username, "password": PASSWORD})
    client.force_login(owner)

    history = client.get(f"/account/{measurer.pk}/sign-ins/").context["history"]

    assert [one.what for one in history] == ["signed in", "wrong password"]
    assert "10.0.0.9" in history[1].where
