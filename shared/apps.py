"""The common app."""

from django.apps import AppConfig


class SharedConfig(AppConfig):
    """What every other app stands on."""

    name = "shared"
    verbose_name = "Shared"
