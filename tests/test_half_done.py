"""Nobody gets a 500, however little of the firm is set up: everybody opens and posts every address."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import pytest
from django.test import Client

from jobs.models import Crew
from shared import roles
from shared.models import Branch, User
from tests.factories import make_branch, make_crew, make_user
from tests.test_permissions import ENTRANCES

pytestmark = [pytest.mark.django_db, pytest.mark.page]


def nobody_yet() -> None:
    """Not even an account: a stranger."""


def without_branch() -> User:
    return make_user(*roles.ALL)


def without_branch_in_the_field() -> User:
    make_branch()
    return make_user(*roles.FIELD, roles.WORKROOM, roles.DISPATCHER)


def without_role() -> User:
    return make_user(branch=make_branch())


def without_branch_and_role() -> User:
    return make_user()


def a_superuser() -> User:
    return User.objects.create_superuser("chief", password="ten brown sills")


def of_a_bare_branch() -> User:
    """No crews, no range, no rules, no place on the map, no address."""
    return make_user(*roles.ALL, branch=Branch.objects.create(name="Bare"))


def of_a_branch_with_an_idle_crew() -> User:
    branch = Branch.objects.create(name="Idle")
    user = make_user(*roles.ALL, branch=branch)
    make_crew(branch, user).hours.all().delete()
    Crew.objects.create(branch=branch, name="of nobody")
    return user


@pytest.mark.parametrize(
    "whoever",
    [
        nobody_yet, without_branch, without_branch_in_the_field, without_role, without_branch_and_role, a_superuser,
        of_a_bare_branch, of_a_branch_with_an_idle_crew,
    ],
)  # fmt: skip
def test_every_address_answers(whoever: Callable[[], Any]) -> None:
    person, client = whoever(), Client()
    bodies = ({}, FILLED) if whoever in (a_superuser, of_a_bare_branch) else (FILLED,)  # nothing sent: who is let in
    client.raise_request_exception = False
    broke = []
    for entrance in ONE_OF_EACH if whoever in (without_role, without_branch_and_role) else ENTRANCES:
        for data in bodies if entrance.method == "post" else ({},):
            ask = partial(getattr(client, entrance.method), entrance.address, data)
            answer = ask()
            if person is not None and not answer.wsgi_request.user.is_authenticated:
                client.force_login(person)  # first of all, and again: signing out is one of the addresses
                answer = ask()
            if answer.status_code >= 500:
                broke.append(f"{entrance}: {answer.status_code}")

    assert broke == []


ONE_OF_EACH = [
    *(one for one in ENTRANCES if one.roles is None),
    *{(one.roles, one.method): one for one in ENTRANCES if one.roles is not None}.values(),
]
"""For who has no role: what names none, and one address of each set of roles. That every other address lets nobody in
whom its roles do not name, whatever stands behind it, tests/test_permissions.py asks of all."""

FILLED = {
    "name": "Una Reed", "username": "una.reed", "role_names": ["measurer"], "street": "4 Kiln Lane", "town": "Millrace",
    "phone": "555-0142", "purpose": "measure", "day": "2027-03-01", "weekday": "0", "starts": "08:00", "ends": "17:00",
    "text": "a", "code": "2222-2222-2222", "minutes": "30", "number": "1", "unit": "in", "key": "wren", "days": ["0"],
}  # fmt: skip
"""A little of what many forms ask."""
