"""``manage.py cut [FILE|-]``: one cut problem in, one plan out, no database."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from fabrication.rules.cutting.process import answer, answer_alone, process_started
from fabrication.rules.cutting.reading import read_request
from shared.contracts import read_source, run_command


class Command(BaseCommand):
    help = "Plans the cutting of bars or rolls: a JSON problem in, a JSON plan with its bound out."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", nargs="?", default="-", metavar="FILE", help="a JSON file, or - for input")

    def handle(self, *args: Any, **options: Any) -> None:
        started = process_started()

        def run() -> None:
            request = read_request(read_source(options["file"]))
            if sys.argv[1:2] == ["cut"]:  # from a shell: the process is ours, and may end at any line
                answer_alone(request, started)
            else:
                self.stdout.write(json.dumps(answer(request, started), ensure_ascii=False))

        code = run_command(run)
        if code:
            sys.exit(code)
