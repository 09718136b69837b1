from django.apps import AppConfig


class InstallsConfig(AppConfig):
    name = "installs"
    default_auto_field = "django.db.models.BigAutoField"
