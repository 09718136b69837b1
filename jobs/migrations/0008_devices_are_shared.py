"""Devices, their entries and parked entries are tables of `shared` now: out of this app's state only."""

from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ('jobs', '0007_a_parked_entry_keeps_its_jobs_number'),
        ('shared', '0005_devices_of_the_field'),
    ]

    operations = [
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.DeleteModel('ParkedEntry'),
                migrations.DeleteModel('DeviceDeed'),
                migrations.DeleteModel('FieldDevice'),
            ],
        ),
    ]
