from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('installs', '0012_how_a_motor_was_left'),
    ]

    operations = [
        migrations.AddField(
            model_name='stop',
            name='excepted',
            field=models.JSONField(db_default={}, default=dict, help_text='by check: the codes of the units that what was ticked does not hold for'),
        ),
    ]
