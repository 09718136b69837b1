"""Who may enter a page."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django_htmx.middleware import HtmxDetails

from shared.models import User

View = Callable[..., HttpResponseBase]


class SheetRequest(HttpRequest):
    """What a view under ``@login_required`` gets: for annotations."""

    user: User
    htmx: HtmxDetails


def roles_required(*names: str) -> Callable[[View], View]:
    """
    A page for these roles only; others get a 403. It stands under ``@login_required``.

    The decorated view carries its roles as ``.roles``, which the door test reads.
    """

    def decorate(view: View) -> View:
        @wraps(view)
        def inner(request: SheetRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not request.user.has_role(*names):
                raise PermissionDenied
            return view(request, *args, **kwargs)

        inner.roles = frozenset(names)  # type: ignore[attr-defined]
        return inner

    return decorate
