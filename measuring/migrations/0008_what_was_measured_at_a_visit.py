import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    """A visit is the calendar's; what was measured there is a measure visit. Its table and column keep their names."""

    dependencies = [("measuring", "0007_a_reading_has_a_spot"), ("jobs", "0012_a_kept_window_is_a_reservation")]

    operations = [
        migrations.AlterModelTable("visit", "measuring_visit"),
        migrations.RenameModel("Visit", "MeasureVisit"),
        migrations.AlterField(
            "measurevisit",
            "appointment",
            models.OneToOneField(
                on_delete=django.db.models.deletion.PROTECT, related_name="measure_visit", to="jobs.appointment"
            ),
        ),
    ]
