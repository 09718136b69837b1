from django.db import migrations, models

SHELF = models.CharField(blank=True, db_column="place", max_length=30)


class Migration(migrations.Migration):
    """Where stock and a customer's cloth lie is a shelf; the columns keep their name for earlier code."""

    dependencies = [("fabrication", "0011_light_gaps_are_the_recipes")]

    operations = [
        migrations.AlterField("stockitem", "place", SHELF),
        migrations.RenameField("stockitem", "place", "shelf"),
        migrations.AlterField("owncloth", "place", SHELF.clone()),
        migrations.RenameField("owncloth", "place", "shelf"),
    ]
