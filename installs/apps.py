from django.apps import AppConfig


class InstallsConfig(AppConfig):
    """The install day."""

    name = "installs"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from installs.registration import register

        register()
