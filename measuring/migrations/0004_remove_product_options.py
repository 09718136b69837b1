from django.db import migrations


class Migration(migrations.Migration):
    """What can be chosen is the recipe's, or the supplier's list: see fabrication's 0010, which runs first."""

    dependencies = [
        ('measuring', '0003_visits_under_way_are_not_done'),
    ]

    operations = [
        migrations.RemoveField(
            model_name='product',
            name='options',
        ),
    ]
