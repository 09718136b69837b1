"""What every template gets."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest

from shared import menu


def frame(request: HttpRequest) -> dict[str, Any]:
    """The menu of the person and where they are in it."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated or getattr(request, "htmx", False):
        return {}
    entries = menu.for_user(user)
    here = max((url for _, url in entries if request.path.startswith(url)), key=len, default="")
    return {"menu": [{"title": title, "url": url, "here": url == here} for title, url in entries]}
