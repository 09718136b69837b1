"""What every template gets."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest


def frame(request: HttpRequest) -> dict[str, Any]:
    """The page frame's needs."""
    return {}
