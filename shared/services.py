"""The actions of the firm itself: its branch's facts and its people."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.contrib.auth.models import Group
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from shared import audit, roles
from shared.errors import Refused
from shared.models import Branch, User

BRANCH_FIELDS = (
    "name", "zone", "address", "latitude", "longitude", "units", "paper", "jurisdiction", "phone",
)  # fmt: skip
PERSON_FIELDS = ("name", "phone", "email", "is_active")


@transaction.atomic
def change_branch(*, branch: Branch, by: User, **facts: Any) -> Branch:
    """Change what a branch says of itself; only fields of `BRANCH_FIELDS`."""
    _demand_owner(by)
    _set(branch, BRANCH_FIELDS, facts)
    changes = audit.changed(branch, list(facts))
    if changes:
        branch.full_clean()
        branch.save(update_fields=list(facts))
        audit.record(by=by, action="changed the branch", subject=branch, changes=changes)
    return branch


@transaction.atomic
def add_person(
    *, by: User, branch: Branch, username: str, password: str, role_names: Iterable[str], **facts: Any
) -> User:
    """
    Give somebody an account.

    Raises
    ------
    Refused
        When the username is taken, the password too weak or a role unknown; the field is named.
    """
    _demand_owner(by)
    if User.objects.filter(username__iexact=username).exists():
        raise Refused(f"{username} is somebody's already", field="username")
    person = User(username=username, branch=branch)
    _set(person, PERSON_FIELDS, facts)
    _set_password(person, password)
    person.save()
    _give_roles(person, role_names)
    audit.record(by=by, action="gave an account", subject=person, changes={"roles": [None, sorted(person.role_names)]})
    return person


@transaction.atomic
def change_person(*, person: User, by: User, role_names: Iterable[str] | None = None, **facts: Any) -> User:
    """Change a person's facts and roles. The branch never loses its last owner."""
    _demand_owner(by)
    person = User.objects.select_for_update().get(pk=person.pk)
    before = sorted(person.role_names)
    _set(person, PERSON_FIELDS, facts)
    changes = audit.changed(person, list(facts))
    if facts:
        person.save(update_fields=list(facts))
    if role_names is not None:
        _give_roles(person, role_names)
        if sorted(person.role_names) != before:
            changes["roles"] = [before, sorted(person.role_names)]
    if roles.OWNER in before and not _has_owner(person.branch):
        raise Refused("this is the last owner; give somebody else that role first", field="role_names")
    if changes:
        audit.record(by=by, action="changed the account", subject=person, changes=changes)
    return person


@transaction.atomic
def give_new_password(*, person: User, by: User, password: str) -> User:
    """Set a person's password, as when it was forgotten."""
    _demand_owner(by)
    _set_password(person, password)
    person.save(update_fields=["password"])
    audit.record(by=by, action="gave a new password", subject=person)
    return person


def _demand_owner(by: User) -> None:
    if not by.has_role(roles.OWNER):
        raise Refused("only an owner changes the firm")


def _set(row: Any, allowed: tuple[str, ...], facts: dict[str, Any]) -> None:
    unknown = set(facts) - set(allowed)
    if unknown:
        raise TypeError(f"not to be changed here: {', '.join(sorted(unknown))}")
    for name, value in facts.items():
        setattr(row, name, value)


def _set_password(person: User, password: str) -> None:
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise Refused(" ".join(error.messages), field="password") from None
    person.set_password(password)


def _give_roles(person: User, names: Iterable[str]) -> None:
    wanted = set(names)
    if unknown := wanted - set(roles.ALL):
        raise Refused(f"no such role: {', '.join(sorted(unknown))}", field="role_names")
    person.groups.set(Group.objects.filter(name__in=wanted))
    person.__dict__.pop("role_names", None)  # read afresh


def _has_owner(branch: Branch | None) -> bool:
    return User.objects.filter(branch=branch, is_active=True, groups__name=roles.OWNER).exists()
