"""The measurer's room."""

from django.apps import AppConfig


class MeasuringConfig(AppConfig):
    """Tells the rooms below what this one knows."""

    name = "measuring"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from measuring.registration import register

        register()
