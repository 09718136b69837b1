"""Every page and API route, times every role: who may enter is what its own code declares."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from shared import roles
from shared.models import User
from tests.shared.test_pages import OPEN, address_of

pytestmark = pytest.mark.django_db

ANYBODY_SIGNED_IN = {
    "shared:home",
    "shared:setup",  # for owners, or the code from the terminal: tests/shared/test_setup.py
    "shared:setup_firm",
    "shared:setup_branch",
    "shared:setup_owner",
    "shared:find",  # each source asks what the person may see
    "shared:account",
    "shared:change_password",
    "shared:end_access",  # one's own, or of an owner's people
    "shared:sign_ins",  # the same
    "shared:tokens",  # one's own: with one's own roles
    "shared:rotate_token",
    "shared:prove",  # one's own password, and one's own second steps
    "shared:second_steps",
    "shared:second_step_app",
    "shared:second_step_passkey",
    "shared:recovery_codes",
    "shared:remove_step",
    "shared:sign_out",
    "shared:run",  # one's own runs, and the branch's for its office
    "shared:run_bar",
    "shared:stop_run",
    "shared:document",  # its kind says who
    "shared:document_part",
    "shared:request_document",
    "api:me-list",
    "api:run-list",
    "api:run-detail",
    "api:run-stop",
    "api:document-list",
    "api:document-detail",
    "schema",
    "schema_1",
    "api:field-day",  # a phone's own day and entries, as its person may do them
    "api:field-entries",
    "api:field-devices",
    "fabrication:by_code",  # leads to the unit's page for whoever may see it
    "fabrication:units_of_job",  # a panel for whoever may see the job
}
"""Pages without a role of their own; each asks about the object it shows."""


@dataclass(frozen=True)
class Entrance:
    """One method of one address, and the roles that may enter."""

    name: str
    address: str
    method: str
    roles: frozenset[str] | None

    def __str__(self) -> str:
        return f"{self.method} {self.name}"


def entrances(patterns: Any = None, before: str = "", space: str = "") -> Iterator[Entrance]:
    """Every method of every address of the site."""
    for one in patterns or get_resolver().url_patterns:
        here = before + str(one.pattern)
        if isinstance(one, URLResolver):
            yield from entrances(one.url_patterns, here, f"{one.namespace}:" if one.namespace else space)
        elif isinstance(one, URLPattern) and "format" not in here:
            yield from _entrances_of(one, space + (one.name or here), address_of(here))


def _entrances_of(one: URLPattern, name: str, address: str) -> Iterator[Entrance]:
    view = one.callback
    cls = getattr(view, "cls", None) or getattr(view, "view_class", None)
    if actions := getattr(view, "actions", None):
        for method, action in actions.items():
            wanted = getattr(cls, "action_roles", {}).get(action, getattr(cls, "roles", None))
            yield Entrance(name, address, method, None if wanted is None else frozenset(wanted))
    else:
        wanted = getattr(view, "roles", getattr(cls, "roles", None))
        for method in ("get", "post"):
            yield Entrance(name, address, method, None if wanted is None else frozenset(wanted))


ENTRANCES = [entrance for entrance in entrances() if entrance.name.rpartition(":")[2] not in OPEN]


def test_every_entrance_says_who_may_enter() -> None:
    silent = sorted({entrance.name for entrance in ENTRANCES if entrance.roles is None} - ANYBODY_SIGNED_IN)

    assert silent == []


@pytest.mark.parametrize("role", roles.ALL)
def test_a_role_enters_what_names_it_and_no_other(
    role: str, cast: dict[str, User], as_user: Callable[[User], Client]
) -> None:
    client, wrong = as_user(cast[role]), []
    client.raise_request_exception = False
    for entrance in ENTRANCES:
        if entrance.roles is None:
            continue
        code = getattr(client, entrance.method)(entrance.address).status_code
        may = role in entrance.roles
        # A page may let more people read than write: what is sent may be refused to some of its roles.
        if (not may and code not in {403, 405}) or (may and entrance.method == "get" and code == 403):
            wrong.append(f"{entrance}: {code}")

    assert wrong == []
