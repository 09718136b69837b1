"""What customers and sites are found by, written anew."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from jobs.services import search


class Command(BaseCommand):
    help = "Writes anew what customers and sites are found by."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(f"{search.rebuild()} entries")
