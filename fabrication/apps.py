from django.apps import AppConfig


class FabricationConfig(AppConfig):
    """The workroom."""

    name = "fabrication"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fabrication.registration import register

        register()
