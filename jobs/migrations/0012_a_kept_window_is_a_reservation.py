import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

UNTIL = models.DateTimeField(blank=True, db_column="held_until", null=True)
BY = models.ForeignKey(
    blank=True,
    db_column="held_by_id",
    null=True,
    on_delete=django.db.models.deletion.SET_NULL,
    related_name="+",
    to=settings.AUTH_USER_MODEL,
)
MINUTES = models.PositiveSmallIntegerField(db_column="hold_min", default=10, verbose_name="minutes a window is held")


class Migration(migrations.Migration):
    """A window kept for a customer is a reservation, a hold is a job's; the columns keep their names."""

    dependencies = [("jobs", "0011_accepted_together")]

    operations = [
        migrations.AlterField("appointment", "held_until", UNTIL),
        migrations.RenameField("appointment", "held_until", "reserved_until"),
        migrations.AlterField("appointment", "held_by", BY),
        migrations.RenameField("appointment", "held_by", "reserved_by"),
        migrations.AlterField("calendarrules", "hold_min", MINUTES),
        migrations.RenameField("calendarrules", "hold_min", "reservation_min"),
    ]
