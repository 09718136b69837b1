"""The firm's own facts and people: changed by owners, with a trail."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from shared import services
from shared.errors import Refused
from shared.models import AuditEntry, Branch, User
from tests.factories import PASSWORD, make_branch, make_user

pytestmark = pytest.mark.django_db

FACTS = {
    "name": "Weir House", "zone": "Europe/Berlin", "address": "1 Weir", "coordinates": "50.1, 8.6",
    "units": "mm", "paper": "a4", "jurisdiction": "EU", "phone": "",
    "currency": "EUR", "first_weekday": "0", "final_days": "365",
}  # fmt: skip


def test_a_branch_is_changed_with_a_trail(branch: Branch, owner: User, as_user: Callable[[User], Client]) -> None:
    answer = as_user(owner).post(f"/firm/branches/{branch.pk}/", FACTS)

    assert answer.status_code == 302, answer.content.decode()
    branch.refresh_from_db()
    assert (branch.units, branch.zone) == ("mm", "Europe/Berlin")
    changes = AuditEntry.objects.get(action="changed the branch").changes
    assert changes["units"] == ["in", "mm"]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("zone", "Mars/Base"),
        ("coordinates", "91, 8.6"),
        ("currency", "euro"),
        ("name", ""),
        ("map_address", "http://map.example/?q={address}"),
        ("map_address", "https://map.example/?q={latitude}"),
    ],
)
def test_impossible_facts_are_refused_beside_their_field(
    branch: Branch, owner: User, as_user: Callable[[User], Client], field: str, value: str
) -> None:
    answer = as_user(owner).post(f"/firm/branches/{branch.pk}/", {**FACTS, field: value})

    assert answer.status_code == 422
    assert f'id="id_{field}_error"' in answer.content.decode()


def test_no_page_offers_a_language_that_nothing_is_written_in(
    branch: Branch, owner: User, as_user: Callable[[User], Client]
) -> None:
    client = as_user(owner)

    for path in ("/firm/", f"/firm/branches/{branch.pk}/", "/firm/branches/new/"):
        assert "language" not in client.get(path).content.decode().lower()


def test_a_branch_is_added_above_the_branches_not_below_their_panels(
    owner: User, as_user: Callable[[User], Client]
) -> None:
    shown = as_user(owner).get("/firm/").content.decode()

    assert shown.index("Add a branch") < shown.index("<h2>")


def new_person(**changes: Any) -> dict[str, Any]:
    return {
        "username": "una", "name": "Una Reed", "password": "ten brown sills", "role_names": ["measurer"],
        "is_active": "on", **changes,
    }  # fmt: skip


def test_somebody_gets_an_account_and_signs_in(
    branch: Branch, owner: User, as_user: Callable[[User], Client], client: Client
) -> None:
    as_user(owner).post(f"/firm/branches/{branch.pk}/new-person/", new_person())

    una = User.objects.get(username="una")
    assert (una.branch, una.role_names) == (branch, {"measurer"})
    assert client.post("/sign-in/", {"username": "una", "password": "ten brown sills"}).status_code == 302


@pytest.mark.parametrize(
    ("changes", "field"),
    [({"username": "TAKEN"}, "username"), ({"password": "short"}, "password"), ({"name": ""}, "name")],
)
def test_a_refused_account_keeps_what_was_typed(
    branch: Branch, owner: User, as_user: Callable[[User], Client], changes: dict[str, str], field: str
) -> None:
    make_user(username="taken", branch=branch)
    answer = as_user(owner).post(f"/firm/branches/{branch.pk}/new-person/", new_person(**changes))

    page = answer.content.decode()
    assert answer.status_code == 422
    assert f'id="id_{field}_error"' in page
    assert ('value="una"' in page) != (field == "username")
    assert "ten brown sills" not in page


def test_the_last_owner_stays_owner(owner: User) -> None:
    with pytest.raises(Refused, match="last owner"):
        services.change_person(person=owner, by=owner, role_names=["dispatcher"])
    with pytest.raises(Refused, match="last owner"):
        services.change_person(person=owner, by=owner, is_active=False)

    owner.refresh_from_db()
    assert owner.is_active


def test_roles_change_with_a_trail(owner: User, measurer: User) -> None:
    services.change_person(person=measurer, by=owner, role_names=["measurer", "installer"])

    assert AuditEntry.objects.get().changes == {"roles": [["measurer"], ["installer", "measurer"]]}


def test_who_left_cannot_go_on(owner: User, measurer: User, client: Client) -> None:
    client.force_login(measurer)

    services.change_person(person=measurer, by=owner, is_active=False)

    assert client.get("/account/").status_code == 302
    assert client.post("/sign-in/", {"username": measurer.username, "password": PASSWORD}).status_code == 200


def test_a_forgotten_password_is_set_anew(owner: User, measurer: User, as_user: Callable[[User], Client]) -> None:
    as_user(owner).post(f"/firm/people/{measurer.pk}/password/", {"password": "ten brown sills"})

    measurer.refresh_from_db()
    assert measurer.check_password("ten brown sills")


def test_services_refuse_who_is_no_owner(dispatcher: User, measurer: User, branch: Branch) -> None:
    for action in (
        lambda: services.change_branch(branch=branch, by=dispatcher, name="Mine"),
        lambda: services.change_person(person=measurer, by=dispatcher, role_names=["owner"]),
        lambda: services.give_new_password(person=measurer, by=dispatcher, password="ten brown sills"),
        lambda: services.add_person(by=dispatcher, branch=branch, username="x", password="y", role_names=[]),
    ):
        with pytest.raises(Refused, match="only an owner"):
            action()


def test_owners_reach_their_own_branch_only(
    cast: dict[str, User], as_user: Callable[[User], Client], branch: Branch
) -> None:
    other = make_branch()
    theirs = make_user("measurer", branch=other)
    client = as_user(cast["owner"])

    for path in (
        f"/firm/branches/{other.pk}/",
        f"/firm/branches/{other.pk}/new-person/",
        f"/firm/people/{theirs.pk}/",
    ):
        assert client.get(path).status_code == 404
    assert client.post(f"/firm/people/{theirs.pk}/password/", {"password": "ten brown sills"}).status_code == 404
    for name in ("dispatcher", "measurer", "workroom", "installer", "stranger"):
        assert as_user(cast[name]).get("/firm/").status_code == 403


def test_an_owner_of_no_branch_looks_over_all(branch: Branch, as_user: Callable[[User], Client]) -> None:
    other = make_branch(name="Far Lock")

    page = as_user(make_user("owner")).get("/firm/").content.decode()

    assert branch.name in page
    assert other.name in page


# -- the same over the API -------------------------------------------------------------------


def test_the_api_gives_and_changes_an_account(owner: User, branch: Branch, api_as: Callable[[User], Any]) -> None:
    client = api_as(owner)
    body = {"username": "una", "name": "Una", "password": "ten brown sills", "branch": branch.pk, "roles": ["measurer"]}

    made = client.post("/api/people/", body, format="json")
    changed = client.patch(f"/api/people/{made.json()['id']}/", {"roles": ["installer"]}, format="json")

    assert made.status_code == 201, made.content
    assert "password" not in made.json()
    assert changed.json()["roles"] == ["installer"]
    assert AuditEntry.objects.filter(by=owner).count() == 2


def test_the_api_refuses_the_last_owner_with_the_field(owner: User, api_as: Callable[[User], Any]) -> None:
    answer = api_as(owner).patch(f"/api/people/{owner.pk}/", {"roles": []}, format="json")

    assert answer.status_code == 409
    assert answer.json()["errors"][0]["field"] == "role_names"


def test_the_api_changes_a_branch_for_its_owner_only(
    cast: dict[str, User], branch: Branch, api_as: Callable[[User], Any]
) -> None:
    path = f"/api/branches/{branch.pk}/"

    answers = {
        name: api_as(user).patch(path, {"phone": name}, format="json").status_code for name, user in cast.items()
    }

    assert {name for name, code in answers.items() if code == 200} == {"owner"}
    assert api_as(cast["installer"]).get(path).json()["phone"] == "owner"
    assert api_as(cast["stranger"]).get(path).status_code == 404


def test_the_api_lets_nobody_put_people_in_another_branch(owner: User, api_as: Callable[[User], Any]) -> None:
    body = {"username": "spy", "name": "S", "password": "ten brown sills", "roles": ["owner"]}
    body["branch"] = make_branch().pk

    assert api_as(owner).post("/api/people/", body, format="json").status_code == 404
