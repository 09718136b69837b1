from django.db import migrations

ROLES = ("dispatcher", "measurer", "workroom", "installer", "owner")


def add_roles(apps, schema_editor):
    group = apps.get_model("auth", "Group")
    for name in ROLES:
        group.objects.get_or_create(name=name)


class Migration(migrations.Migration):
    dependencies = [("shared", "0001_initial")]

    operations = [migrations.RunPython(add_roles, migrations.RunPython.noop)]
