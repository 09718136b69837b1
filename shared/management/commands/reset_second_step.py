"""The second step of somebody who lost theirs, and who no owner can help."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from shared.errors import Refused
from shared.models import User
from shared.second_factor import services


class Command(BaseCommand):
    help = "Takes all second steps of somebody, who then signs in by password and sets another one up."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("username")

    def handle(self, *args: Any, username: str, **options: Any) -> None:
        person = User.objects.filter(username__iexact=username).first()
        if person is None:
            raise CommandError(f"nobody is called {username}")
        try:
            services.reset(person=person, by=None)
        except Refused as refusal:
            raise CommandError(refusal.problem) from None
        self.stdout.write(f"{person} signs in by password alone now.")
