"""Who may enter a page."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse

View = Callable[..., HttpResponse]


def roles_required(*names: str) -> Callable[[View], View]:
    """
    A page for these roles only; others get a 403. It stands under ``@login_required``.

    The decorated view carries its roles as ``.roles``, which the door test reads.
    """

    def decorate(view: View) -> View:
        @wraps(view)
        def inner(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if not request.user.has_role(*names):
                raise PermissionDenied
            return view(request, *args, **kwargs)

        inner.roles = frozenset(names)  # type: ignore[attr-defined]
        return inner

    return decorate
