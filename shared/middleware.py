"""What every request gets from the user's branch."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.utils import timezone


class BranchMiddleware:
    """Shows times in the zone of the user's branch."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        branch = request.user.branch if request.user.is_authenticated else None
        with timezone.override(branch.tz if branch else None):
            return self.get_response(request)
