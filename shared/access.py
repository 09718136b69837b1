"""Who may enter a page."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Mapping
from functools import wraps
from ipaddress import ip_address
from typing import Any, Final

from axes.handlers.proxy import AxesProxyHandler
from axes.models import AccessAttempt
from django.conf import settings
from django.contrib.auth.backends import ModelBackend
from django.contrib.auth.decorators import login_required
from django.contrib.auth.signals import user_login_failed
from django.core.cache import cache
from django.core.exceptions import PermissionDenied
from django.db.models import Sum
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils import timezone
from django_htmx.middleware import HtmxDetails

from shared.models import User


class Accounts(ModelBackend):
    """Django's own accounts, each with its branch in the same query: every page needs both."""

    def get_user(self, user_id: Any) -> User | None:
        user = User.objects.select_related("branch").filter(pk=user_id).first()
        return user if user is not None and self.user_can_authenticate(user) else None


SPRAYED: Final = 30
"""Wrong passwords from one address, whatever the names, after which it waits."""

A_TOKEN: Final = "a token of the API"
FAILED_OFTEN: Final = 8
FAILURES: Final = {A_TOKEN: 40}
"""How often something may be tried in vain; a program repeats itself oftener than a person mistypes."""


def failures_allowed(request: HttpRequest, credentials: Mapping[str, object] | None = None) -> int:
    """Tries in vain before the address waits."""
    return FAILURES.get(str((credentials or {}).get("username")), FAILED_OFTEN)


def address_of(request: HttpRequest) -> str | None:
    """Where a request comes from: behind our own proxy the address that it saw, which it adds last."""
    seen = request.headers.get("X-Forwarded-For", "") if settings.BEHIND_PROXY else ""
    for text in (seen.rpartition(",")[2].strip(), str(request.META.get("REMOTE_ADDR", ""))):
        try:
            return str(ip_address(text))
        except ValueError:
            continue
    return None


def is_spraying(request: HttpRequest) -> bool:
    """Whether this address tried many names in vain within the time that a lock lasts."""
    since = timezone.now() - dt.timedelta(hours=settings.AXES_COOLOFF_TIME)
    tried = AccessAttempt.objects.filter(ip_address=address_of(request), attempt_time__gte=since)
    return (tried.exclude(username=A_TOKEN).aggregate(times=Sum("failures_since_start"))["times"] or 0) >= SPRAYED


def may_try(request: HttpRequest, what: str) -> bool:
    """Whether this address may type another code; the same limits and patience as for passwords."""
    return bool(AxesProxyHandler.is_allowed(request, {"username": what}))


def tried_in_vain(request: HttpRequest, what: str) -> None:
    """A wrong code was typed."""
    user_login_failed.send(sender=__name__, credentials={"username": what}, request=request)
    request.axes_locked_out = False  # type: ignore[attr-defined]  # the code's own page says it, not the sign-in's


def asked_too_often(what: str, most: int) -> bool:
    """Whether this was asked more than so often within the minute; each process of the site counts for itself."""
    key = f"asked {what} {int(time.time()) // 60}".replace(" ", "-")
    cache.add(key, 0, 120)
    try:
        return cache.incr(key) > most
    except ValueError:  # forgotten meanwhile: there is room for so many
        return False


View = Callable[..., HttpResponseBase]


class SignedInRequest(HttpRequest):
    """What a view behind the sign-in gets: for annotations."""

    user: User
    htmx: HtmxDetails


def roles_required(*names: str) -> Callable[[View], View]:
    """
    A page for these roles only: whoever is not signed in is asked to, others get a 403.

    The decorated view carries its roles as ``.roles``, which the permission test reads.
    """

    def decorate(view: View) -> View:
        @wraps(view)
        def inner(request: SignedInRequest, *args: object, **kwargs: object) -> HttpResponseBase:
            if not request.user.has_role(*names):
                raise PermissionDenied
            return view(request, *args, **kwargs)

        inner.roles = frozenset(names)  # type: ignore[attr-defined]  # what the permission test reads
        return login_required(inner)

    return decorate
