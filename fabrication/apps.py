from django.apps import AppConfig


class FabricationConfig(AppConfig):
    name = "fabrication"
    default_auto_field = "django.db.models.BigAutoField"
