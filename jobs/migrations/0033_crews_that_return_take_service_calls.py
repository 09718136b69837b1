"""Crews that drove for returns when there were no service calls drive for these too."""

from typing import Any

from django.db import migrations


def forwards(apps: Any, schema_editor: Any) -> None:
    """The purposes of each crew, where it names any."""
    for crew in apps.get_model("jobs", "Crew").objects.all():
        if "return" in crew.purposes and "service" not in crew.purposes:
            crew.purposes = [*crew.purposes, "service"]
            crew.save(update_fields=["purposes"])


def backwards(apps: Any, schema_editor: Any) -> None:
    """The version before knows no service calls."""
    for crew in apps.get_model("jobs", "Crew").objects.all():
        if "service" in crew.purposes:
            crew.purposes = [one for one in crew.purposes if one != "service"]
            crew.save(update_fields=["purposes"])


class Migration(migrations.Migration):
    dependencies = [("jobs", "0032_service_calls")]

    operations = [migrations.RunPython(forwards, backwards)]
