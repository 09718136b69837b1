"""What a phone sends is an entry; its table keeps its name and its rows."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('shared', '0005_devices_of_the_field'),
        ('jobs', '0008_devices_are_shared'),
    ]

    operations = [
        migrations.RemoveConstraint('devicedeed', 'deed_once_a_device'),
        migrations.RenameModel('DeviceDeed', 'DeviceEntry'),
        migrations.RenameField('deviceentry', 'deed_id', 'entry_id'),
        migrations.AlterField(
            'deviceentry',
            'device',
            models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='entries', to='shared.fielddevice'),
        ),
        migrations.AddConstraint(
            'deviceentry', models.UniqueConstraint(fields=('device', 'entry_id'), name='entry_once_a_device')
        ),
    ]
