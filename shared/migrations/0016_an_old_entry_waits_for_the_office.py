from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("shared", "0015_api_tokens")]

    operations = [
        migrations.AddField(
            model_name="parkedentry",
            name="needs_yes",
            field=models.BooleanField(
                db_default=False, default=False, help_text="made too long ago to be taken before the office says so"
            ),
        )
    ]
