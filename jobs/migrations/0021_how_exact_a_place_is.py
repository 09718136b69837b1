from django.db import migrations, models

FROM = models.CharField(
    "place taken from",
    blank=True,
    choices=[
        ("street", "other sites on its street"),
        ("postcode", "its postcode"),
        ("town", "other sites in its town"),
        ("branch", "where the branch is"),
    ],
    db_default="",
    default="",
    max_length=10,
)
WITHIN = models.PositiveIntegerField(
    "meters the place may be off", blank=True, help_text="none where somebody gave it", null=True
)


class Migration(migrations.Migration):
    """A place that was worked out says from what and within how far; those there are were given by somebody."""

    dependencies = [("jobs", "0020_lines_of_an_import")]

    operations = [
        migrations.AddField("site", "place_from", FROM),
        migrations.AddField("site", "place_within_m", WITHIN),
    ]
