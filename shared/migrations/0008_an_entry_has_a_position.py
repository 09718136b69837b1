from django.db import migrations, models

POSITION = models.PositiveIntegerField(db_column="place", help_text="in the device's order")


class Migration(migrations.Migration):
    """Where an entry stands in its phone's order is its position; the column keeps its name for earlier code."""

    dependencies = [("shared", "0007_what_was_done_is_an_action")]

    operations = [
        migrations.AlterField("deviceentry", "place", POSITION),
        migrations.RenameField("deviceentry", "place", "position"),
        migrations.AlterModelOptions("deviceentry", {"ordering": ["device", "position"]}),
    ]
