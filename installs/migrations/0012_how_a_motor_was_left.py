from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('installs', '0011_photos_the_customer_sees'),
    ]

    operations = [
        migrations.AddField(
            model_name='visitunit',
            name='as_left',
            field=models.JSONField(db_default={}, default=dict, help_text="of a motor: limits, charged, channel, remote's label, hub"),
        ),
    ]
