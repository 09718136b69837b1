from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('measuring', '0016_templates_of_shapes'),
    ]

    operations = [
        migrations.AddField(
            model_name='opening',
            name='to_come',
            field=models.CharField(blank=True, choices=[('', 'nothing'), ('casing', 'casing'), ('floor', 'floor'), ('tile', 'tile'), ('renovation', 'renovation')], db_default='', default='', max_length=10),
        ),
    ]
