"""What stands between a checkout and a site that can be served: its tables and its static files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command
from django.core.management.base import BaseCommand


class Command(BaseCommand):
    help = "Migrates the database and collects the static files where they are newer than what was collected."

    def handle(self, *args: Any, **options: Any) -> None:
        call_command("migrate", verbosity=0)
        if not are_collected():
            self.stdout.write("Collecting static files")
            call_command("collectstatic", interactive=False, verbosity=0)


def are_collected() -> bool:
    """Whether nothing that is served, nor what serves it, changed since it was collected."""
    manifest = Path(settings.STATIC_ROOT) / "staticfiles.json"
    if not manifest.exists():
        return False
    when = manifest.stat().st_mtime
    return all(path.stat().st_mtime <= when for path in _sources())


def _sources() -> Iterator[Path]:
    yield Path(settings.BASE_DIR) / "shared" / "static_files.py"
    for finder in get_finders():
        for name, storage in finder.list([]):
            yield Path(storage.path(name))
