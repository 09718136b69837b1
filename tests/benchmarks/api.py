"""
Requests drawn from the document of API 1, each answer held against it: ``./run bench api [--calls 20000] [--seed 1]``.

On a demo of its own, in one process, as somebody with every role: each write is one. An answer of 500 or more, a
status, a type or a body that the document does not name are findings; each is printed once, with its request. Three
requests of four about one thing are about one that is there.
"""

from __future__ import annotations

import argparse
import logging
import os
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import Case, GenerationMode
from schemathesis.core.failures import Failure, FailureGroup
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from werkzeug.test import Client

from tests import servers

CHECKS: Final = [
    schemathesis.checks.not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]


@dataclass
class Things:
    """The keys that there are, by the address of their list; read again now and then, since calls make more."""

    get: Callable[[str], Any]
    known: dict[str, list[object]] = field(default_factory=dict)
    asked: int = 0

    def aim(self, case: Case, luck: int) -> None:
        """Make the request one about a thing that is there; of four, one is left as it was drawn."""
        before, key, _ = case.operation.path.partition("{id}")
        if not key or not luck % 4 or "id" not in (case.path_parameters or {}):
            return
        self.asked += 1
        if before not in self.known or self.asked % 500 == 0:
            self.known[before] = self._keys(before)
        if found := self.known[before]:
            case.path_parameters["id"] = found[luck % len(found)]

    def _keys(self, address: str) -> list[object]:
        answer = self.get(address)
        rows = answer.get("results", []) if isinstance(answer, dict) else answer
        return [row["id"] for row in rows if isinstance(row, dict) and "id" in row]


@dataclass
class Asked:
    """What was asked, and what of it was not as the document says."""

    calls: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    findings: dict[str, str] = field(default_factory=dict)

    def look(self, case: Case, headers: dict[str, str]) -> Any:
        """Ask, and hold the answer against the document."""
        answer = case.call(headers=headers)
        self.calls += 1
        self.statuses[answer.status_code] += 1
        try:
            case.validate_response(answer, checks=CHECKS, headers=headers)
        except FailureGroup as group:
            for one in group.exceptions:
                self._note(case, answer, one)
        except Failure as one:
            self._note(case, answer, one)
        return answer

    def _note(self, case: Case, answer: Any, found: Exception) -> None:
        title = getattr(found, "title", type(found).__name__)
        known = f"{case.method} {case.operation.path} {answer.status_code} {title}"
        said = getattr(found, "message", str(found))
        self.findings.setdefault(known, f"{said[:300]} | {case.as_curl_command()[:400]}")


def ask(document: dict[str, Any], application: Callable[..., Any], *, headers: dict[str, str], calls: int,
        number: int = 1) -> Asked:  # fmt: skip
    """
    So many requests, half of them as the document says and half not quite.

    Parameters
    ----------
    document
        Of API 1.
    application
        What answers, by WSGI.
    headers
        Who asks.
    number
        The seed of what is drawn.
    """
    schema = schemathesis.openapi.from_dict(document)
    schema.app = application
    operations = [found.ok() for found in schema.get_all_operations()]
    ways = [
        one.as_strategy(generation_mode=mode)
        for one in operations
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)
    ]
    found = Asked()
    things = Things(lambda address: _read(application, address, headers))

    @seed(number)
    @settings(
        max_examples=calls, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(st.integers(0, len(ways) - 1).flatmap(ways.__getitem__), st.integers(0, 10_000))
    def one(case: Case, luck: int) -> None:
        things.aim(case, luck)
        found.look(case, headers)

    one()
    return found


def _read(application: Callable[..., Any], address: str, headers: dict[str, str]) -> Any:
    """The answer to a GET; nothing where it is refused."""
    answer = Client(application).get(address, headers=headers)
    return answer.get_json() if answer.status_code == 200 else []


def _on_a_demo() -> None:
    """Django on a copy of a demo of twelve jobs, in a folder that ends with this run."""
    laid, url = servers.laid("sqlite", 12)
    folder = Path(tempfile.mkdtemp(prefix="jw-api-"))
    servers.tell_guard("folder", folder)
    shutil.copytree(laid, folder, dirs_exist_ok=True)
    os.environ.update(
        servers.clean_environment() | {"JAMBWISE_DATA": str(folder), "DATABASE_URL": servers.copy_of(url, folder)}
    )
    import django

    django.setup()


def main() -> int:
    """Ask, and say what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--calls", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()

    _on_a_demo()
    from shared import roles, tokens
    from shared.models import Branch
    from shared.schema import ApiOne
    from shared.wsgi import application
    from tests.factories import make_user

    logging.disable(logging.WARNING)
    tokens.ASKS_A_MINUTE = sys.maxsize
    person = make_user(*roles.ALL, branch=Branch.objects.get(people__username="owner"), username="api.bench")
    key = tokens.give_token(person=person, name="bench", role_names=sorted(roles.ALL), days=30)
    begun = time.monotonic()
    found = ask(
        ApiOne().get_schema(request=None, public=True), application, calls=chosen.calls, number=chosen.seed,
        headers={"Authorization": f"Token {key}", "Host": "localhost"},
    )  # fmt: skip
    print(f"{found.calls} calls in {time.monotonic() - begun:.0f} s: {dict(sorted(found.statuses.items()))}")
    for known, said in sorted(found.findings.items()):
        print(f"- {known}\n    {said}")
    return bool(found.findings)


if __name__ == "__main__":
    sys.exit(main())
