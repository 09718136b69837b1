"""The actions of the firm itself: its branch's facts and its people."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from typing import Final

from django.contrib.auth.models import Group
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.mail import send_mail
from django.db import models, transaction
from django.db.models import Q
from django.utils import timezone

from shared import audit, roles, signins
from shared.codes import new_secret_code, secret_hash
from shared.errors import Refused
from shared.models import Branch, Invitation, User
from shared.second_factor.services import keep_asked

BRANCH_FIELDS = (
    "name", "zone", "address", "latitude", "longitude", "units", "paper", "jurisdiction", "phone",
    "currency", "first_weekday", "map_address", "final_days",
    "phone_pin",
)  # fmt: skip
PERSON_FIELDS = ("name", "phone", "email", "is_active")
INVITED_FOR: Final = dt.timedelta(days=7)
"""How long an invitation opens an account."""

leaving: list[Callable[[User, User], None]] = []
"""What else ends when somebody leaves, by higher apps: called with the person and who closes the account."""


@transaction.atomic
def change_branch(*, branch: Branch, by: User, **facts: object) -> Branch:
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
def add_branch(*, by: User, **facts: object) -> Branch:
    """Another place the firm works from; only fields of `BRANCH_FIELDS`."""
    _demand_owner(by)
    return open_branch(by=by, **facts)


def open_branch(*, by: User | None, **facts: object) -> Branch:
    """A new branch's row, for who may open one."""
    branch = Branch()
    _set(branch, BRANCH_FIELDS, facts)
    if Branch.objects.filter(name__iexact=branch.name).exists():
        raise Refused(f"there is a branch {branch.name} already", field="name")
    branch.full_clean()
    branch.save()
    audit.record(by=by, action="opened the branch", subject=branch)
    return branch


@transaction.atomic
def add_person(
    *, by: User, branch: Branch, username: str, role_names: Iterable[str], password: str = "", **facts: object
) -> User:
    """
    Give somebody an account; without a password they choose their own by `invite`.

    Raises
    ------
    Refused
        When the username is taken, the password too weak or a role unknown; the field is named.
    """
    _demand_owner(by)
    return new_account(by=by, branch=branch, username=username, role_names=role_names, password=password, **facts)


def new_account(
    *, by: User | None, branch: Branch, username: str, role_names: Iterable[str], password: str = "", **facts: object
) -> User:
    """A new account's row, for who may give one."""
    _demand_free(username)
    person = User(username=username, branch=branch)
    _set(person, PERSON_FIELDS, facts)
    if password:
        _set_password(person, password)
    else:
        person.set_unusable_password()
    person.save()
    _give_roles(person, role_names)
    audit.record(by=by, action="gave an account", subject=person, changes={"roles": [None, sorted(person.role_names)]})
    return person


@transaction.atomic
def invite(*, person: User, by: User | None) -> str:
    """
    A code with which somebody chooses their password, for a first or a forgotten one; earlier codes end.

    It is kept as a hash: whoever gets it here is the only one who can hand it on. `by` is none where
    the person asked for it by e-mail.
    """
    if by is not None:
        _demand_owner(by)
    if not person.is_active:
        raise Refused("the account is closed; tick that they may sign in first", field="is_active")
    person.invitations.open().update(revoked_at=timezone.now())
    code = new_secret_code()
    Invitation.objects.create(
        person=person, code_hash=secret_hash(code), made_by=by, ends_at=timezone.now() + INVITED_FOR
    )
    audit.record(by=by, action="made a code for signing in", subject=person)
    return code


def send_code(*, who: str, address: str) -> None:
    """A link to a new password, by e-mail to the one account of this username or e-mail; to nobody where none is."""
    people = User.objects.filter(is_active=True).exclude(email="")
    found = list(people.filter(Q(username__iexact=who) | Q(email__iexact=who))[:2])
    if len(found) != 1:
        return
    code = invite(person=found[0], by=None)
    text = f"Choose a new password here, within {INVITED_FOR.days} days:\n\n{address}{code}/\n"
    send_mail(
        "Your new password",
        f"{text}\nYou did not ask for it? Then leave it: nothing changes.\n",
        None,
        [found[0].email],
    )


def invited_by(code: str) -> Invitation | None:
    """The invitation that this code opens, while it does."""
    found = Invitation.objects.open().filter(code_hash=secret_hash(code), person__is_active=True)
    return found.select_related("person__branch").first()


@transaction.atomic
def join(*, code: str, password: str, username: str = "") -> User:
    """Choose a password, and a username where there was no password before; the code is used up."""
    found = Invitation.objects.open().select_for_update().filter(code_hash=secret_hash(code)).first()
    if found is None or not found.person.is_active:
        raise Refused("this code is used or over; ask the owner for another", field="code")
    person, was_there = found.person, found.person.has_usable_password()
    if username and username != person.username and not was_there:
        _demand_free(username)
        person.username = username
    _set_password(person, password)
    person.save(update_fields=["username", "password"])
    signins.end_tokens(person)
    signins.end_sessions(person)
    found.used_at = timezone.now()
    found.save(update_fields=["used_at"])
    action = "chose a new password" if was_there else "opened the account"
    audit.record(by=person, action=action, subject=person)
    return person


@transaction.atomic
def change_person(*, person: User, by: User, role_names: Iterable[str] | None = None, **facts: object) -> User:
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
        if set(before) - set(person.role_names):
            signins.end_tokens(person)
    if roles.OWNER in before and not _has_owner(person.branch):
        raise Refused("this is the last owner; give somebody else that role first", field="role_names")
    if changes:
        audit.record(by=by, action="changed the account", subject=person, changes=changes)
    if "is_active" in changes and not person.is_active:
        _end_everything(person, by)
    return person


def _end_everything(person: User, by: User) -> None:
    """Sessions, codes, the API's and the phones' tokens, and what higher apps gave: nothing comes back by itself."""
    person.set_unusable_password()  # which ends every session, wherever those are kept
    person.save(update_fields=["password"])
    person.invitations.open().update(revoked_at=timezone.now())
    signins.end_tokens(person)
    signins.end_sessions(person)
    for end in leaving:
        end(person, by)
    audit.record(by=by, action="closed the account", subject=person)


@transaction.atomic
def change_password(*, person: User, password: str) -> User:
    """Somebody chose a new password for themselves; what was opened by the old one ends."""
    _set_password(person, password)
    person.save(update_fields=["password"])
    signins.end_tokens(person)
    audit.record(by=person, action="changed the password", subject=person)
    return person


@transaction.atomic
def give_new_password(*, person: User, by: User, password: str) -> User:
    """Set a person's password, as when it was forgotten."""
    _demand_owner(by)
    _set_password(person, password)
    person.save(update_fields=["password"])
    signins.end_tokens(person)
    signins.end_sessions(person)
    audit.record(by=by, action="gave a new password", subject=person)
    return person


def _demand_owner(by: User) -> None:
    if not by.has_role(roles.OWNER):
        raise Refused("only an owner changes the firm")


def _set(row: models.Model, allowed: tuple[str, ...], facts: dict[str, object]) -> None:
    unknown = set(facts) - set(allowed)
    if unknown:
        raise TypeError(f"not to be changed here: {', '.join(sorted(unknown))}")
    for name, value in facts.items():
        setattr(row, name, value)


def _demand_free(username: str) -> None:
    if User.objects.filter(username__iexact=username).exists():
        raise Refused(f"{username} is somebody's already", field="username")


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
    keep_asked(person)


def _has_owner(branch: Branch | None) -> bool:
    return User.objects.filter(branch=branch, is_active=True, groups__name=roles.OWNER).exists()
