from django.db import migrations, models


class Migration(migrations.Migration):
    """What a material is ordered by, and where its supplier is."""

    dependencies = [("fabrication", "0013_who_takes_the_clearance")]

    operations = [
        migrations.AddField(
            "supplier", "address", models.CharField(blank=True, db_default="", default="", max_length=240)
        ),
        migrations.AddField(
            "material",
            "supplier_code",
            models.CharField(
                blank=True, db_default="", default="", max_length=40, verbose_name="supplier's code"
            ),
        ),
        migrations.AddField(
            "material",
            "lead_days",
            models.PositiveSmallIntegerField(
                blank=True, help_text="working days, where not the supplier's usual", null=True
            ),
        ),
        migrations.AddField(
            "material",
            "pack",
            models.PositiveIntegerField(db_default=1, default=1, help_text="pieces in what is ordered"),
        ),
    ]
