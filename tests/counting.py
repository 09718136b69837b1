"""
Counts the queries of every page without a row of its own in its address: ``python -m tests.counting FILE``.

``DATABASE_URL`` names the kept firm's database, migrated already; the clock stands at the moment of its day.
Each page is asked twice and the second time counts, so that what a process remembers is remembered.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

OTHERS: Final = {"shared": "sign-in, account and files", "api": "the API has its own pages' tests"}
"""Spaces of names that hold no list pages."""
ASKED_AS: Final = ("dispatcher", "workroom", "measurer", "installer", "owner")
"""The first of these who gets the page is the one it is counted for."""


def addresses(patterns: Any = None, space: str = "") -> Iterator[str]:
    """Names of pages whose address takes nothing: lists, boards and days."""
    from django.urls import URLPattern, get_resolver

    for one in get_resolver().url_patterns if patterns is None else patterns:
        if not isinstance(one, URLPattern):
            yield from addresses(one.url_patterns, one.namespace or space)
        elif one.name and space and space not in OTHERS and not one.pattern.regex.groups:
            yield f"{space}:{one.name}"


def count(name: str) -> tuple[str, int] | None:
    """A page's address with who asked, and its queries; nothing for what is no page."""
    from django.db import connection
    from django.test import Client
    from django.test.utils import CaptureQueriesContext
    from django.urls import reverse

    from shared.models import User

    for username in ASKED_AS:
        client = Client()
        client.force_login(User.objects.get(username=username))
        answer = client.get(reverse(name))
        if answer.status_code == 200 and answer.headers["content-type"].startswith("text/html"):
            with CaptureQueriesContext(connection) as taken:
                client.get(reverse(name))
            return f"{reverse(name)} {username}", len(taken)
    return None


def main(file: Path) -> None:
    import django

    django.setup()

    import time_machine

    from tests.kept.firm import MOMENT

    with time_machine.travel(MOMENT, tick=False):
        found = dict(filter(None, map(count, sorted(set(addresses())))))
    file.write_text(json.dumps(found, indent=2, sort_keys=True) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
