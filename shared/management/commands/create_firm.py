"""A firm from a file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from shared.errors import Refused
from shared.setup import document


class Command(BaseCommand):
    help = (
        "Sets a firm up from a TOML or JSON file, as the pages of the set-up do. Reading the same file again adds "
        "what is new in it and changes nothing else."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="see docs/firm.toml")

    def handle(self, *args: Any, file: Path, **options: Any) -> None:
        try:
            done = document.keep(document.read(file))
        except document.Wrong as wrong:
            raise CommandError("\n".join(f"{path}: {words}" for path, words in wrong.problems)) from None
        except Refused as refusal:
            raise CommandError(f"{refusal.field}: {refusal.problem}".removeprefix(": ")) from None
        for line in done or ["Nothing is new."]:
            self.stdout.write(line)
