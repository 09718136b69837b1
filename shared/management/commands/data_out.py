"""A firm's data as tables."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shared.errors import Refused
from shared.firm_data import write_out


class Command(BaseCommand):
    help = "Writes all of the firm's data into a ZIP of CSV tables, photos and documents. The site may run."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("path", type=Path, help="such as firm.zip")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            written = write_out(options["path"])
        except (Refused, OSError) as error:
            raise CommandError(str(error)) from None
        self.stdout.write(f"{options['path']}: {written.rows} rows, {written.files} photos and documents")
