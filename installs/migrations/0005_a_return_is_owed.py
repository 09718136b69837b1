"""A return that is owed is kept by the word that everybody reads."""

from django.db import migrations, models


def rename(was, becomes):
    def change(apps, schema_editor):
        apps.get_model("installs", "ReturnOwed").objects.filter(state=was).update(state=becomes)

    return change


class Migration(migrations.Migration):

    dependencies = [
        ("installs", "0004_the_day_itself"),
    ]

    operations = [
        migrations.AlterField(
            model_name="returnowed",
            name="state",
            field=models.CharField(
                choices=[("owed", "owed"), ("booked", "booked"), ("done", "done"), ("dropped", "dropped")],
                default="owed",
                max_length=8,
            ),
        ),
        migrations.RunPython(rename("open", "owed"), rename("owed", "open")),
    ]
