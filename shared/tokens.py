"""Tokens of the API: how long they open it, and for whom the clocks go."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Final

from django.utils import timezone
from rest_framework import authentication, exceptions
from rest_framework.request import Request

from shared.access import A_TOKEN, may_try, tried_in_vain

if TYPE_CHECKING:
    from rest_framework.authtoken.models import Token

    from shared.models import User

TOKENS_LAST: Final = dt.timedelta(days=365)


class ApiTokens(authentication.TokenAuthentication):
    """
    ``Authorization: Token <key>``: for a year, on its person's clocks.

    It ends with the account, a new password and a role that is taken away (`shared.services`). An address that
    tries many keys in vain waits.
    """

    def authenticate(self, request: Request) -> tuple[User, Token] | None:
        try:
            found = super().authenticate(request)
        except exceptions.AuthenticationFailed:
            if not may_try(request._request, A_TOKEN):
                raise exceptions.Throttled(detail="Too many wrong tokens came from your address; wait.") from None
            tried_in_vain(request._request, A_TOKEN)
            raise
        if found is not None and found[0].branch is not None:
            timezone.activate(found[0].branch.tz)
        return found

    def authenticate_credentials(self, key: str) -> tuple[User, Token]:
        user, token = super().authenticate_credentials(key)
        if token.created < timezone.now() - TOKENS_LAST:
            raise exceptions.AuthenticationFailed("This token is over a year old; ask for a new one.")
        return user, token
