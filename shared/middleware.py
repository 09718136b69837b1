"""What every request gets from the user's branch, and where a request goes while there is none."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone

from shared.errors import AWAY
from shared.setup.services import stands
from shared.views import away

OPEN_BEFORE = ("/setup/", "/api/", "/healthz", "/readyz", "/metrics", "/sw.js")
"""Addresses that answer for themselves while nobody has an account."""


class SetupMiddleware:
    """While nobody has an account, every page leads to the set-up. Costs a query where nobody is signed in."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not (request.user.is_authenticated or request.path.startswith(OPEN_BEFORE) or stands()):
            return redirect("shared:setup")
        return self.get_response(request)


class BranchMiddleware:
    """Shows times in the zone of the user's branch."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        branch = request.user.branch if request.user.is_authenticated else None
        with timezone.override(branch.tz if branch else None):
            return self.get_response(request)


class AwayMiddleware:
    """What could not be kept or read because files or database are away is said in words, and may be tried again."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        return away(request, error) if isinstance(error, AWAY) else None
