from django.apps import AppConfig


class FabricationConfig(AppConfig):
    """The workroom."""

    name = "fabrication"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fabrication import documents, work  # noqa: F401 - kinds of documents and work register themselves
        from fabrication.sources import register

        register()
