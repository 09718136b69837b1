"""A key for encrypted backups."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shared.backup import new_key
from shared.errors import Refused


class Command(BaseCommand):
    help = "Makes a key for backups. The file opens them: keep it elsewhere; without it they can't be read."

    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="the secret half goes here; a file that is there is left alone")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            public = new_key(options["file"])
        except (Refused, OSError) as error:
            raise CommandError(str(error)) from None
        self.stdout.write(f"BACKUP_KEY={public}")
