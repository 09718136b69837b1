"""What somebody did is an action: the column is renamed, its rows stay."""

from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ('shared', '0006_entries_of_devices'),
    ]

    operations = [
        migrations.RenameField('auditentry', 'deed', 'action'),
    ]
