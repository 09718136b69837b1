"""The actions of setting a firm up, before and until somebody owns it."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from django.utils.crypto import constant_time_compare

from shared import audit, roles
from shared.codes import new_secret_code, secret_hash
from shared.errors import Refused
from shared.models import Branch, Firm, User
from shared.second_factor.services import FIRST_ASKED
from shared.services import new_account, open_branch


def stands() -> bool:
    """Whether somebody can sign in."""
    return User.objects.exists()


def the_firm() -> Firm:
    """The firm's row; not saved where the set-up has not begun."""
    return Firm.objects.filter(pk=1).first() or Firm(pk=1)


@transaction.atomic
def new_setup_code() -> str:
    """A one-time code that opens the set-up, instead of any earlier one; empty once somebody has an account."""
    if stands():
        return ""
    code = new_secret_code()
    Firm.objects.update_or_create(pk=1, defaults={"code_hash": secret_hash(code)})
    return code


def opens_setup(hashed: str) -> bool:
    """Whether the code of this hash opens the set-up now."""
    kept = the_firm().code_hash
    return bool(kept) and constant_time_compare(kept, hashed)


@transaction.atomic
def name_firm(*, name: str, by: User | None) -> Firm:
    """The firm's own name."""
    _demand_may(by)
    firm = the_firm()
    if not name.strip():
        raise Refused("a firm has a name", field="name")
    firm.name = name.strip()
    changes = audit.changed(firm, ["name"])
    firm.save()
    if changes:
        audit.record(by=by, action="named the firm", subject=firm, changes=changes)
    return firm


@transaction.atomic
def keep_customers_for(*, by: User, months: int | None) -> Firm:
    """How many months customers' data is kept once nothing of theirs is open; None: until somebody erases it."""
    _demand_may(by)
    firm = the_firm()
    firm.keep_months = months
    firm.full_clean(exclude=["name"])
    changes = audit.changed(firm, ["keep_months"])
    firm.save()
    if changes:
        audit.record(by=by, action="set how long customers' data is kept", subject=firm, changes=changes)
    return firm


@transaction.atomic
def open_first_branch(*, by: User | None, **facts: object) -> Branch:
    """The branch the firm begins with; somebody who looked over a firm without any now belongs to it."""
    _demand_may(by)
    _lock()
    if Branch.objects.exists():
        raise Refused("there is a branch already; change it, or add another on the firm's page")
    branch = open_branch(by=by, **facts)
    if by is not None and by.branch is None:
        by.branch = branch
        by.save(update_fields=["branch"])
        audit.record(by=by, action="joined the branch", subject=by, changes={"branch": [None, str(branch)]})
    return branch


@transaction.atomic
def change_first_branch(*, branch: Branch, **facts: object) -> Branch:
    """Change what was said of the first branch before anybody has an account."""
    _demand_may(None)
    for name, value in facts.items():
        setattr(branch, name, value)
    changes = audit.changed(branch, list(facts))
    branch.full_clean()
    branch.save()
    if changes:
        audit.record(by=None, action="changed the branch", subject=branch, changes=changes)
    return branch


@transaction.atomic
def give_first_owner(*, branch: Branch, username: str, role_names: Any = (), **facts: Any) -> User:
    """The account of the firm's owner; the code of the set-up is used up."""
    firm = _lock()
    _demand_may(None)
    firm.second_step_roles = list(FIRST_ASKED)
    firm.save(update_fields=["second_step_roles"])
    owner = new_account(by=None, branch=branch, username=username, role_names={*role_names, roles.OWNER}, **facts)
    firm.code_hash = ""
    firm.save()
    return owner


def _lock() -> Firm:
    """Of two people who set up at once, one goes on when the other is done."""
    Firm.objects.get_or_create(pk=1)
    return Firm.objects.select_for_update().get(pk=1)


def _demand_may(by: User | None) -> None:
    if by is None and stands():
        raise Refused("somebody has an account already: sign in")
    if by is not None and not by.has_role(roles.OWNER):
        raise Refused("only an owner changes the firm")
