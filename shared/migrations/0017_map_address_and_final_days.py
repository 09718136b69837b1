import django.core.validators
import shared.models
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('shared', '0016_an_old_entry_waits_for_the_office'),
    ]

    operations = [
        migrations.AddField(
            model_name='branch',
            name='final_days',
            field=models.PositiveSmallIntegerField(db_default=365, default=365, help_text='Days. What was measured longer ago is measured again before anything is made.', validators=[django.core.validators.MinValueValidator(7), django.core.validators.MaxValueValidator(3650)], verbose_name='measurements are final for'),
        ),
        migrations.AddField(
            model_name='branch',
            name='map_address',
            field=models.CharField(blank=True, db_default='', default='', help_text="Of a map that you use: https://, with {address}, or with {latitude} and {longitude}, where they go. Directions open it beside the phone's own map.", max_length=200, validators=[shared.models.check_map_address]),
        ),
    ]
