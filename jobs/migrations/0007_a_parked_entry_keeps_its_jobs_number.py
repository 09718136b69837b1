"""A parked entry keeps its job as a plain number: its table goes to an app below this one."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('jobs', '0006_at_least_one'),
    ]

    operations = [
        # the column is job_id before and after
        migrations.AlterField('parkedentry', 'job', models.BigIntegerField(null=True, blank=True, db_column='job_id', help_text='A plain number: jobs is an app above this one.')),
        migrations.RenameField('parkedentry', 'job', 'job_id'),
        migrations.AlterField('parkedentry', 'job_id', models.BigIntegerField(null=True, blank=True, help_text='A plain number: jobs is an app above this one.')),
    ]
