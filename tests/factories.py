"""Rows for tests: plain functions; a test names only what it is about."""

from __future__ import annotations

from itertools import count
from typing import Any

from django.contrib.auth.models import Group

from shared import roles
from shared.models import Branch, User

_next = count(1)
PASSWORD = "a tape reads true"


def make_branch(**fields: Any) -> Branch:
    """A branch in inches on Letter paper, Chicago time."""
    number = next(_next)
    return Branch.objects.create(
        **{
            "name": f"Millrace {number}",
            "zone": "America/Chicago",
            "address": "14 Sluice Lane\nMillrace",
            "latitude": 41.87,
            "longitude": -88.31,
            **fields,
        }
    )


def make_user(*role_names: str, branch: Branch | None = None, **fields: Any) -> User:
    """Somebody with these roles; the password is `PASSWORD` where a test signs in by the form."""
    number = next(_next)
    name = fields.pop("name", f"{(role_names or ('nobody',))[0].title()} {number}")
    user = User(**{"username": f"person{number}", "name": name, "branch": branch, **fields})
    user.set_password(PASSWORD)
    user.save()
    user.groups.set([Group.objects.get_or_create(name=role)[0] for role in role_names])
    return user


def make_cast(branch: Branch) -> dict[str, User]:
    """One person per role of the branch, and ``stranger``, a dispatcher of another branch."""
    cast = {role: make_user(role, branch=branch) for role in roles.ALL}
    return cast | {"stranger": make_user(roles.DISPATCHER, branch=make_branch())}
