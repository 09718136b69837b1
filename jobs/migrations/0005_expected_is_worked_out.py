from django.db import migrations


class Migration(migrations.Migration):
    """When a visit is expected follows from its day as it stands now; what was kept of it went stale."""

    dependencies = [("jobs", "0004_parked_entries")]

    operations = [migrations.RemoveField(model_name="appointment", name="expected_at")]
