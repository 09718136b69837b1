"""The service worker: what a phone needs to work without signal."""

from __future__ import annotations

import json
from pathlib import Path

from django.contrib.staticfiles import finders
from django.http import HttpResponse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_GET

from shared.access import SignedInRequest
from shared.devices import offline


@require_GET
@cache_control(no_cache=True)
def worker(request: SignedInRequest) -> HttpResponse:
    """The service worker, from the root so that it may serve every page; it holds no data."""
    path = finders.find("shared/devices/sw.js")
    assert isinstance(path, str)
    parts = offline.parts()
    head = "".join(f"const {name.upper()} = {json.dumps(parts[name])};\n" for name in ("version", "files", "pages"))
    body = Path(path).read_text(encoding="utf-8")
    return HttpResponse(head + body, content_type="text/javascript; charset=utf-8")
