from django.db import migrations, models

SPOT = models.CharField(
    choices=[('widths.top', 'width, top'), ('widths.middle', 'width, middle'), ('widths.bottom', 'width, bottom'), ('heights.left', 'height, left'), ('heights.center', 'height, center'), ('heights.right', 'height, right'), ('depth', 'depth'), ('diagonals.rising', 'diagonal, rising'), ('diagonals.falling', 'diagonal, falling'), ('cover.left', 'cover, left'), ('cover.right', 'cover, right'), ('cover.top', 'cover, top'), ('cover.bottom', 'cover, bottom'), ('chosen.width', 'chosen width'), ('chosen.height', 'chosen height')],
    db_column='place',
    max_length=18,
)


class Migration(migrations.Migration):
    """Where the tape was held is a spot; its column keeps its name, so that earlier code still reads it."""

    dependencies = [('measuring', '0006_openings_read_before_the_visit_closes')]

    operations = [
        migrations.AlterField(model_name='reading', name='place', field=SPOT),
        migrations.RenameField(model_name='reading', old_name='place', new_name='spot'),
        migrations.AlterModelOptions(name='reading', options={'ordering': ['opening', 'spot', 'turn', '-taken_at']}),
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.RemoveConstraint(model_name='reading', name='one_current_reading_a_place'),
                migrations.AddConstraint(
                    model_name='reading',
                    constraint=models.UniqueConstraint(
                        condition=models.Q(('conflict_with__isnull', True), ('superseded_at__isnull', True)),
                        fields=('opening', 'spot', 'turn'),
                        name='one_current_reading_a_place',
                    ),
                ),
            ]
        ),
    ]
