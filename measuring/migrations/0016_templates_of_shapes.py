import django.db.models.deletion
import django.utils.timezone
import uuid
from django.conf import settings
from django.db import migrations, models


def fix_outside_to_the_wall(apps, schema_editor):
    """An outside mount is fixed to wall, casing or ceiling; what was entered before that was kept stays on no jamb."""
    apps.get_model("measuring", "Opening").objects.filter(mount="outside", fixed_to="jamb").update(fixed_to="wall")


class Migration(migrations.Migration):

    dependencies = [
        ('jobs', '0030_questions_keys_and_certificates'),
        ('measuring', '0015_photos_the_customer_sees'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='ShapeTemplate',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('uid', models.UUIDField(default=uuid.uuid4, editable=False, help_text='a device may name it', unique=True)),
                ('position', models.PositiveSmallIntegerField(help_text="among the job's templates, from 1")),
                ('size_is', models.CharField(choices=[('opening', 'opening size'), ('finished', 'finished size')], default='opening', max_length=8, verbose_name='what was traced')),
                ('state', models.CharField(choices=[('made', 'made'), ('sent', 'sent'), ('returned', 'returned'), ('kept', 'kept'), ('discarded', 'discarded')], default='made', max_length=9)),
                ('made_at', models.DateTimeField(default=django.utils.timezone.now)),
                ('sent_to', models.CharField(blank=True, max_length=80)),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('returned_at', models.DateTimeField(blank=True, null=True)),
                ('kept_where', models.CharField(blank=True, max_length=80)),
                ('kept_at', models.DateTimeField(blank=True, null=True)),
                ('reason', models.CharField(blank=True, help_text='why it was discarded', max_length=240)),
                ('job', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='templates', to='jobs.job')),
                ('made_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('opening', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='templates', to='measuring.opening')),
            ],
            options={
                'ordering': ['job', 'position'],
                'constraints': [models.UniqueConstraint(fields=('job', 'position'), name='template_once_a_job')],
            },
        ),
        migrations.RunPython(fix_outside_to_the_wall, migrations.RunPython.noop),
    ]
