from django.db import migrations


class Migration(migrations.Migration):
    """What can be chosen is the recipe's, or the supplier's list: see fabrication's 0010, which runs first."""

    dependencies = [
        ('measuring', '0002_visit_rows_named_by_devices'),
    ]

    operations = [
        migrations.RemoveField(
            model_name='product',
            name='options',
        ),
    ]
