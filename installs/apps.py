from django.apps import AppConfig


class InstallsConfig(AppConfig):
    """The install day."""

    name = "installs"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from installs import documents, field_deeds, signals  # noqa: F401 - their kinds register themselves
        from installs.sources import register

        register()
