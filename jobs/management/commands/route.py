"""Plans routes from a JSON document, without a database."""

from __future__ import annotations

import json
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from shared.contracts import read_source, run_command


class Command(BaseCommand):
    help = "Plans routes: reads one JSON document, writes one answer (see the README)."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", nargs="?", default="-", metavar="FILE", help="the document; - is standard input")

    def handle(self, *args: Any, file: str, **options: Any) -> None:
        from jobs.rules.routing.command import leave

        code = run_command(lambda: _route(file))
        if _is_whole_process():
            leave(code)
        if code:
            sys.exit(code)


def _is_whole_process() -> bool:
    """Whether this was run from a shell, and not called from a program."""
    return sys.argv[1:2] == ["route"]


def _route(file: str) -> None:
    from jobs.rules.routing.command import answer, answer_alone

    if _is_whole_process():
        answer_alone(read_source(file), _write)
    else:
        _write(answer(read_source(file)))


def _write(document: dict[str, object]) -> None:
    sys.stdout.write(json.dumps(document, ensure_ascii=False) + "\n")
