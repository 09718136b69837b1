from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("shared", "0012_by_the_customer"),
    ]

    operations = [
        migrations.AddField(
            model_name="run",
            name="request_id",
            field=models.CharField(blank=True, db_default="", help_text="as the log has it", max_length=64),
        ),
    ]
