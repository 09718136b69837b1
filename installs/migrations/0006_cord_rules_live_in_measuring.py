from django.db import migrations


def take_out(apps, schema_editor):
    """Hardware rules held a second table of cord figures; the one of measuring holds for all."""
    rules = apps.get_model("installs", "HardwareRules")
    for row in rules.objects.all():
        if row.definition.pop("jurisdictions", None) is not None:
            row.save(update_fields=["definition"])


class Migration(migrations.Migration):
    dependencies = [("installs", "0005_a_return_is_owed")]
    operations = [migrations.RunPython(take_out, migrations.RunPython.noop, elidable=True)]
