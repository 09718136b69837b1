"""The job and its calendar."""

from django.apps import AppConfig


class JobsConfig(AppConfig):
    """Puts the dispatcher's and the field's pages into the menu."""

    name = "jobs"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from jobs.registration import register

        register()
