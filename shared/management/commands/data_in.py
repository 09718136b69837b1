"""A firm's data from tables, onto an empty site."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shared import roles, services
from shared.errors import Refused
from shared.firm_data import read_in
from shared.models import User


class Command(BaseCommand):
    help = "Puts the ZIP of data_out onto an empty site, and prints a code for each owner. Stop the old site first."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("path", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            written = read_in(options["path"])
        except (Refused, OSError) as error:
            raise CommandError(str(error)) from None
        self.stdout.write(f"{written.rows} rows, {written.files} photos and documents. Nobody has a password here.")
        for owner in User.objects.filter(is_active=True, groups__name=roles.OWNER).order_by("pk"):
            code = services.invite(person=owner, by=None)
            self.stdout.write(f"{owner} ({owner.username}) opens /join/{code}/ within a week and invites the others.")
