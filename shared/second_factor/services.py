"""What is done about second steps: set up, used, taken away, asked of roles."""

from __future__ import annotations

import time
from collections.abc import Iterable
from typing import Any, Final

from allauth.core.internal.cryptokit import compare_user_code
from allauth.mfa import app_settings
from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal.auth import TOTP, format_hotp_value, hotp_value
from allauth.mfa.utils import decrypt
from allauth.mfa.webauthn.internal.auth import WebAuthn
from cryptography.fernet import InvalidToken
from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from shared import audit, roles, signins
from shared.errors import Refused
from shared.models import Firm, User

MOST: Final = 10
"""Passkeys of one person."""

FIRST_ASKED: Final = roles.OFFICE
"""Whom a new firm asks a second step of, until it says otherwise."""

Type = Authenticator.Type


# -- of whom it is asked -----------------------------------------------------------------------


def keep_asked(person: User) -> None:
    """Notes on a person's row whether a role of theirs asks it, so that no page has to look it up."""
    firm = Firm.objects.filter(pk=1).first()
    asked = firm is not None and person.has_role(*firm.second_step_roles)
    if person.second_step_asked != asked:
        person.second_step_asked = asked
        person.save(update_fields=["second_step_asked"])


@transaction.atomic
def ask_of(*, by: User | None, role_names: Iterable[str]) -> Firm:
    """The roles whose people sign in with a second step; whoever has none sets it up before anything else."""
    if by is not None:
        _demand_owner(by)
    wanted = set(role_names)
    if unknown := wanted - set(roles.ALL):
        raise Refused(f"no such role: {', '.join(sorted(unknown))}", field="second_step_roles")
    Firm.objects.get_or_create(pk=1)
    firm = Firm.objects.select_for_update().get(pk=1)
    firm.second_step_roles = [role for role in roles.ALL if role in wanted]
    changes = audit.changed(firm, ["second_step_roles"])
    if changes:
        firm.save(update_fields=["second_step_roles"])
        audit.record(by=by, action="set who signs in with a second step", subject=firm, changes=changes)
    for person in User.objects.prefetch_related("groups"):
        keep_asked(person)
    return firm


# -- what somebody has -----------------------------------------------------------------------------


def steps_of(person: User) -> QuerySet[Authenticator]:
    """The app and the passkeys of somebody, as they were set up."""
    found: QuerySet[Authenticator] = Authenticator.objects.filter(user=person).exclude(type=Type.RECOVERY_CODES)
    return found.order_by("created_at", "pk")


def has_one(person: User) -> bool:
    """Whether somebody signs in with a second step."""
    return bool(steps_of(person).exists())


def recovery_of(person: User) -> RecoveryCodes | None:
    """The recovery codes of somebody."""
    found = Authenticator.objects.filter(user=person, type=Type.RECOVERY_CODES).first()
    return None if found is None else RecoveryCodes(found)


def codes_left(person: User) -> int:
    """How many recovery codes are not used."""
    kept = recovery_of(person)
    used = 0 if kept is None else int(kept.instance.data["used_mask"]).bit_count()
    return 0 if kept is None else int(app_settings.RECOVERY_CODE_COUNT) - used


# -- setting up and taking away ------------------------------------------------------------------


@transaction.atomic
def add_app(*, person: User, secret: str, code: str) -> None:
    """
    An app that shows codes, once it has shown that it knows the secret.

    Raises
    ------
    Refused
        When the code is not the secret's at this time, or there is an app already.
    """
    person = _locked(person)
    if steps_of(person).filter(type=Type.TOTP).exists():
        raise Refused("there is an app already; remove it first", field="code")
    counter = _counter_of(secret, code, after=-1)
    if counter is None:
        raise Refused("this is not the code that the app shows now; mind the phone's clock", field="code")
    made = TOTP.activate(person, secret).instance
    made.data["counter"] = counter
    made.save(update_fields=["data"])
    _added(person, "an app")


@transaction.atomic
def add_passkey(*, person: User, name: str, credential: dict[str, Any]) -> None:
    """A passkey whose answer `allauth.mfa` has checked."""
    person = _locked(person)
    if steps_of(person).filter(type=Type.WEBAUTHN).count() >= MOST:
        raise Refused(f"{MOST} passkeys are set up; remove one that is not used", field="name", bound=str(MOST))
    WebAuthn.add(person, name, credential)
    _added(person, f"the passkey {name}")


def _added(person: User, what: str) -> None:
    """What was open by the password alone ends with the first second step."""
    RecoveryCodes.activate(person)
    if person.second_step_at is None:
        person.second_step_at = timezone.now()
        person.save(update_fields=["second_step_at"])
        signins.end_tokens(person)
        signins.end_sessions(person)
    audit.record(by=person, action="set up a second step", subject=person, changes={"second step": [None, what]})


@transaction.atomic
def remove(*, person: User, pk: int) -> None:
    """Takes an app or passkey away; the last one only where no role asks for it."""
    person = _locked(person)
    found = steps_of(person).filter(pk=pk).first()
    if found is None:
        raise Refused("it is removed already")
    if person.second_step_asked and steps_of(person).count() == 1:
        raise Refused("your firm asks a second step of you; set another one up first")
    what = "the app" if found.type == Type.TOTP else f"the passkey {found.wrap().name}"
    found.delete()
    audit.record(by=person, action="removed a second step", subject=person, changes={"second step": [what, None]})
    if not has_one(person):
        _cleared(person)


@transaction.atomic
def new_recovery_codes(*, person: User) -> None:
    """Ten others; the earlier ones end."""
    person = _locked(person)
    if not has_one(person):
        raise Refused("set a second step up first")
    Authenticator.objects.filter(user=person, type=Type.RECOVERY_CODES).delete()
    RecoveryCodes.activate(person)
    audit.record(by=person, action="made new recovery codes", subject=person)


@transaction.atomic
def reset(*, person: User, by: User | None) -> None:
    """Takes all second steps of somebody who lost theirs; they sign in by password and set another one up."""
    if by is not None:
        _demand_owner(by)
    person = _locked(person)
    if not Authenticator.objects.filter(user=person).exists():
        raise Refused("no second step is set up")
    _cleared(person)
    signins.end_tokens(person)
    signins.end_sessions(person)
    audit.record(by=by, action="reset the second step", subject=person)


def _cleared(person: User) -> None:
    Authenticator.objects.filter(user=person).delete()
    person.second_step_at = None
    person.save(update_fields=["second_step_at"])


# -- using one -------------------------------------------------------------------------------


@transaction.atomic
def takes_code(*, person: User, code: str) -> bool:
    """Whether a code is the app's at this time or a recovery code; either goes once, in whichever process."""
    _locked(person)
    app = Authenticator.objects.filter(user=person, type=Type.TOTP).first()
    if app is not None:
        counter = _counter_of(_secret(app), code, after=int(app.data.get("counter", -1)))
        if counter is not None:
            app.data["counter"] = counter
            app.last_used_at = timezone.now()
            app.save(update_fields=["data", "last_used_at"])
            return True
    kept = recovery_of(person)
    try:
        if kept is None or not kept.validate_code(code):
            return False
    except InvalidToken:  # kept under another secret key
        return False
    kept.instance.record_usage()
    audit.record(
        by=person, action="used a recovery code", subject=person, note=f"{codes_left(person)} recovery codes are left."
    )
    return True


def takes_passkey(*, person: User, used: Authenticator) -> bool:
    """Notes that a passkey, which `allauth.mfa` has checked, was used."""
    used.record_usage()
    return bool(used.user_id == person.pk)


def _counter_of(secret: str, code: str, *, after: int) -> int | None:
    """The half minute whose code this is: now, the one before or the next, and none that was used."""
    now = int(time.time()) // int(app_settings.TOTP_PERIOD)
    tolerance = int(app_settings.TOTP_TOLERANCE)
    for counter in range(max(now - tolerance, after + 1), now + tolerance + 1):
        if secret and compare_user_code(actual=code, expected=format_hotp_value(hotp_value(secret, counter))):
            return counter
    return None


def _secret(app: Authenticator) -> str:
    """Empty where it was kept under another secret key: then no code of it goes."""
    try:
        return str(decrypt(app.data["secret"]))
    except InvalidToken:
        return ""


def _locked(person: User) -> User:
    return User.objects.select_for_update().get(pk=person.pk)


def _demand_owner(by: User) -> None:
    if not by.has_role(roles.OWNER):
        raise Refused("only an owner does this")
