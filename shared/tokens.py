"""Tokens of the API: how they are given, how long they open it, with which roles, and for whom the clocks go."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Collection
from hashlib import sha256
from typing import Final

from django.db import transaction
from django.utils import timezone
from rest_framework import authentication, exceptions
from rest_framework.authtoken.models import Token
from rest_framework.request import Request

from shared import audit
from shared.access import A_TOKEN, asked_too_often, may_try, tried_in_vain
from shared.errors import Refused
from shared.models import ApiToken, User
from shared.second_factor.door import demand_second_step

TOKENS_LAST: Final = dt.timedelta(days=365)
DAYS: Final = (30, 90, 365)
"""For how long one may be given."""

ROTATED_FOR: Final = dt.timedelta(days=1)
"""How long the old key goes on beside the one that takes its place, so that its program can be told the new one."""

ASKS_A_MINUTE: Final = 600
"""Of one token and one process of the site; then it waits for the next minute."""

MOST: Final = 20
"""Tokens one person may have open."""

NOTED_EVERY: Final = dt.timedelta(minutes=5)


class ApiTokens(authentication.TokenAuthentication):
    """
    ``Authorization: Token <key>``: until its day, with its roles, on its person's clocks.

    It ends with the account, a new password and a role that is taken away (`shared.services`). An address that
    tries many keys in vain waits, and so does a token that asks without end.
    """

    def authenticate(self, request: Request) -> tuple[User, ApiToken | Token] | None:
        try:
            found: tuple[User, ApiToken | Token] | None = super().authenticate(request)
        except exceptions.AuthenticationFailed:
            if not may_try(request._request, A_TOKEN):
                raise exceptions.Throttled(detail="Too many wrong tokens came from your address; wait.") from None
            tried_in_vain(request._request, A_TOKEN)
            raise
        if found is None:
            return None
        user, token = found
        demand_second_step(user)
        if asked_too_often(f"token {token.key_hash if isinstance(token, ApiToken) else token.pk}", ASKS_A_MINUTE):
            raise exceptions.Throttled(60, detail=f"This token asks more than {ASKS_A_MINUTE} times a minute.")
        if user.branch is not None:
            timezone.activate(user.branch.tz)
        return user, token

    def authenticate_credentials(self, key: str) -> tuple[User, ApiToken | Token]:
        token = ApiToken.objects.of_key(key)
        if token is not None:
            token.user.role_names &= frozenset(token.role_names)
            _note_use(token)
            return token.user, token
        user, old = super().authenticate_credentials(key)
        if old.created < timezone.now() - TOKENS_LAST:
            raise exceptions.AuthenticationFailed("This token is over a year old; ask for a new one.")
        return user, old


def _note_use(token: ApiToken) -> None:
    now = timezone.now()
    if token.last_used_at is None or now - token.last_used_at > NOTED_EVERY:
        ApiToken.objects.filter(pk=token.pk).update(last_used_at=now)


@transaction.atomic
def give_token(*, person: User, name: str, role_names: Collection[str], days: int) -> str:
    """
    A key to the API for one of a person's programs; it is kept as a hash, so it is seen only now.

    Raises
    ------
    Refused
        When it asks for a role the person has not, or for no role, or there are too many open.
    """
    User.objects.select_for_update().get(pk=person.pk)
    if not role_names or not set(role_names) <= person.role_names:
        raise Refused("choose among your own roles", field="role_names", bound=", ".join(sorted(person.role_names)))
    if days not in DAYS:
        raise Refused("it is for 30, 90 or 365 days", field="days", bound="30, 90, 365")
    if ApiToken.objects.open().filter(user=person).count() >= MOST:
        raise Refused(f"{MOST} are open already; end one that is not used", field="name", bound=str(MOST))
    key = _new(person, name, role_names, dt.timedelta(days=days))
    changes: dict[str, list[object]] = {"name": [None, name], "roles": [None, sorted(role_names)], "days": [None, days]}
    audit.record(by=person, action="made a token of the API", subject=person, changes=changes)
    return key


@transaction.atomic
def rotate_token(*, person: User, pk: int) -> str:
    """Another key in the place of one of a person's own, for as long again; the old one goes on for a day."""
    old = ApiToken.objects.open().select_for_update().filter(user=person, pk=pk).first()
    if old is None:
        raise Refused("this token has ended; make a new one")
    key = _new(person, old.name, old.role_names, old.ends_at - old.created_at)
    old.ends_at = min(old.ends_at, timezone.now() + ROTATED_FOR)
    old.save(update_fields=["ends_at"])
    audit.record(by=person, action="changed the key of a token of the API", subject=person, changes={
        "name": [old.name, old.name],
    })  # fmt: skip
    return key


def _new(person: User, name: str, role_names: Collection[str], lasts: dt.timedelta) -> str:
    key = f"jw_{secrets.token_urlsafe(32)}"
    ApiToken.objects.create(
        user=person, name=name, key_hash=sha256(key.encode()).hexdigest(), role_names=sorted(role_names),
        ends_at=timezone.now() + lasts,
    )  # fmt: skip
    return key
