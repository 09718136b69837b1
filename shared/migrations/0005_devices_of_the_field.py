"""The tables of the phones in the field are this app's from now on; the tables themselves stay as they are."""

import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

NAMES = ['fielddevice', 'devicedeed', 'parkedentry']


def their_audit_entries_follow(apps, schema_editor):
    """What was recorded about a device or an entry names its table by a content type."""
    types = apps.get_model('contenttypes', 'ContentType').objects.using(schema_editor.connection.alias)
    types.filter(app_label='jobs', model__in=NAMES).update(app_label='shared')


def and_go_back(apps, schema_editor):
    types = apps.get_model('contenttypes', 'ContentType').objects.using(schema_editor.connection.alias)
    types.filter(app_label='shared', model__in=NAMES).update(app_label='jobs')


class Migration(migrations.Migration):

    dependencies = [
        ('shared', '0004_when_it_was_done'),
        ('jobs', '0007_a_parked_entry_keeps_its_jobs_number'),
        ('contenttypes', '0002_remove_content_type_name'),
    ]

    operations = [
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.CreateModel(
                    name='FieldDevice',
                    fields=[
                        ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                        ('user', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='devices', to=settings.AUTH_USER_MODEL)),
                        ('name', models.CharField(blank=True, max_length=80)),
                        ('token_hash', models.CharField(max_length=64, unique=True)),
                        ('created_at', models.DateTimeField(default=django.utils.timezone.now)),
                        ('last_seen_at', models.DateTimeField(blank=True, null=True)),
                        ('revoked_at', models.DateTimeField(blank=True, null=True)),
                    ],
                    options={
                        'db_table': 'jobs_fielddevice',
                        'ordering': ['-created_at'],
                        'indexes': [],
                        'constraints': [],
                    },
                ),
                migrations.CreateModel(
                    name='DeviceDeed',
                    fields=[
                        ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                        ('device', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='deeds', to='shared.fielddevice')),
                        ('deed_id', models.UUIDField()),
                        ('place', models.PositiveIntegerField(help_text="its place in the device's order")),
                        ('kind', models.CharField(max_length=40)),
                        ('body_hash', models.CharField(max_length=64)),
                        ('done_at', models.DateTimeField(help_text="when the person did it, by the device's clock")),
                        ('received_at', models.DateTimeField(default=django.utils.timezone.now)),
                        ('reply_status', models.PositiveSmallIntegerField()),
                        ('reply', models.JSONField(default=dict)),
                    ],
                    options={
                        'db_table': 'jobs_devicedeed',
                        'ordering': ['device', 'place'],
                        'constraints': [models.UniqueConstraint(fields=('device', 'deed_id'), name='deed_once_a_device')],
                        'indexes': [],
                    },
                ),
                migrations.CreateModel(
                    name='ParkedEntry',
                    fields=[
                        ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                        ('entry', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='parked', to='shared.devicedeed')),
                        ('body', models.JSONField(help_text='as it was sent; emptied once it is taken')),
                        ('waits', models.JSONField(default=list, help_text='subjects whose earlier entries come first')),
                        ('holds', models.JSONField(default=list, help_text='subjects whose later entries wait for this one')),
                        ('job_id', models.BigIntegerField(blank=True, help_text='A plain number: jobs is an app above this one.', null=True)),
                        ('where', models.CharField(blank=True, help_text='which opening, stop or load, in words', max_length=200)),
                        ('parked_at', models.DateTimeField(default=django.utils.timezone.now)),
                        ('tries', models.PositiveIntegerField(default=0)),
                        ('failed', models.CharField(blank=True, help_text='what failed last; empty while it only waits', max_length=200)),
                        ('failed_at', models.DateTimeField(blank=True, null=True)),
                        ('next_at', models.DateTimeField(blank=True, help_text='not run again before; empty: as soon as it may', null=True)),
                        ('settled_at', models.DateTimeField(blank=True, null=True)),
                        ('dropped_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='dropped_entries', to=settings.AUTH_USER_MODEL)),
                        ('dropped_why', models.CharField(blank=True, max_length=240)),
                    ],
                    options={
                        'db_table': 'jobs_parkedentry',
                        'ordering': ['pk'],
                        'indexes': [models.Index(condition=models.Q(('settled_at', None)), fields=['parked_at'], name='parked_unsettled')],
                        'constraints': [],
                    },
                ),
            ],
        ),
        migrations.RunPython(their_audit_entries_follow, and_go_back),
    ]
