"""The common app."""

from django.apps import AppConfig


class SharedConfig(AppConfig):
    """What every other app stands on."""

    name = "shared"
    verbose_name = "Shared"

    def ready(self) -> None:
        from shared import checks, documents  # noqa: F401 - checks and the work kind register themselves
