from django.db import migrations


def take_done_back(apps, schema_editor):
    """A tap could end a visit in the calendar that its own page went on calling under way; the crew is there still."""
    appointments = apps.get_model("jobs", "Appointment").objects
    appointments.filter(state="done", visit__isnull=False, visit__closed_at=None).update(state="arrived")


class Migration(migrations.Migration):

    dependencies = [
        ("measuring", "0002_visit_rows_named_by_devices"),
        ("jobs", "0001_initial"),
    ]

    operations = [migrations.RunPython(take_done_back, migrations.RunPython.noop)]
