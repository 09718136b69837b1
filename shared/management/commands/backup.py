"""One file with the whole site."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from shared.backup import back_up
from shared.errors import Refused


class Command(BaseCommand):
    help = "Writes the database, photos and documents into one file in a folder, and reads it back. The site may run."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder", type=Path, help="on another disk than the site's")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            made = back_up(options["folder"], key=settings.BACKUP_KEY)
        except (Refused, OSError) as error:
            raise CommandError(str(error)) from None
        self.stdout.write(str(made))
