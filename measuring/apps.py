from django.apps import AppConfig


class MeasuringConfig(AppConfig):
    name = "measuring"
    default_auto_field = "django.db.models.BigAutoField"
