"""
What works without signal: pages, the empty page that stands in for each, and files.

A room above registers its own field pages here (measuring: the visit, installs: the stop); the service worker
that `shared.devices.views.worker` serves knows them all.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.staticfiles import finders
from django.templatetags.static import static
from django.urls import reverse


@dataclass(frozen=True, slots=True)
class Page:
    """Addresses that match `pattern` are answered by the page `shell_url_name` when there is no signal."""

    pattern: str
    shell_url_name: str


_pages: list[Page] = []
_files: list[str] = []


def add_page(pattern: str, shell_url_name: str) -> None:
    """Register field pages by a pattern of their path and the URL name of their shell."""
    page = Page(pattern, shell_url_name)
    if page not in _pages:
        _pages.append(page)


def add_files(*names: str) -> None:
    """Register static files the shells need, as ``{% static %}`` names them."""
    _files.extend(name for name in names if name not in _files)


def parts() -> dict[str, Any]:
    """Version, files and pages for the service worker; the version follows the files' content."""
    digest = hashlib.sha256()
    urls: list[str] = []
    for name in _files:
        path = finders.find(name)
        if isinstance(path, str):
            digest.update(Path(path).read_bytes())
        for url in (static(name), f"{settings.STATIC_URL}{name}"):  # modules import each other by plain names
            address = url if url.startswith("/") else f"/{url}"
            if address not in urls:
                urls.append(address)
    pages = [{"pattern": page.pattern, "shell": reverse(page.shell_url_name)} for page in _pages]
    digest.update(repr((urls, pages)).encode())
    return {"version": digest.hexdigest()[:16], "files": urls, "pages": pages}


add_files(
    "shared/tokens.css",
    "shared/base.css",
    "shared/base.js",
    "shared/mark.svg",
    "shared/icon-192.png",
    "shared/app.webmanifest",
    "django_htmx/htmx-2.min.js",
    "shared/devices/queue.js",
    "shared/devices/pin.js",
    "shared/devices/pin.css",
)
