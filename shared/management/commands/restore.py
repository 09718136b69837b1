"""The site as a backup has it."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shared.backup import restore, secrets_mark
from shared.errors import Refused


class Command(BaseCommand):
    help = "Puts the site back as a backup has it. Stop the site first; the secret key comes with the settings."

    requires_system_checks = ()
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("path", type=Path)
        parser.add_argument("--over", action="store_true", help="write over a site that has people")
        parser.add_argument("--key", type=Path, help="file of the key that opens an encrypted backup")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            manifest = restore(options["path"], over=options["over"], key_file=options["key"])
        except (Refused, OSError) as error:
            raise CommandError(str(error)) from None
        self.stdout.write(f"Restored as of {manifest['made_at']}: {len(manifest['parts']) - 1} files and the database.")
        if manifest["secrets"] != secrets_mark():
            self.stdout.write("The secret key is another one than then: people sign in again, calendar addresses end.")
