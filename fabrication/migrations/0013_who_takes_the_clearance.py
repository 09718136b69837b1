from django.db import migrations, models
from django.db.models import OuterRef, Subquery


def say_what_was_sent(apps, schema_editor):
    """Every purchase of a unit so far went out under "finished sizes: make as given"."""
    PurchaseLine = apps.get_model("fabrication", "PurchaseLine")
    Unit = apps.get_model("measuring", "Unit")
    mount = Subquery(Unit.objects.filter(make__purchase_line=OuterRef("pk")).values("mount")[:1])
    PurchaseLine.objects.filter(make__isnull=False).update(basis="finished size", mount=mount)


class Migration(migrations.Migration):
    """A supplier takes the opening size or the finished one; a line says its mount and which it is."""

    dependencies = [("fabrication", "0012_stock_lies_on_a_shelf"), ("measuring", "0001_initial")]

    operations = [
        migrations.AddField(
            "supplierlist",
            "takes",
            models.CharField(
                blank=True,
                choices=[
                    ("opening", "opening size: they take the clearance"),
                    ("finished", "finished size: we take the clearance"),
                ],
                db_default="",
                default="",
                help_text="empty: nobody said, and an inside mount is not released",
                max_length=8,
                verbose_name="size of an inside mount",
            ),
        ),
        migrations.AddField(
            "purchaseline",
            "mount",
            models.CharField(
                blank=True,
                choices=[("inside", "inside mount"), ("outside", "outside mount")],
                db_default="",
                default="",
                max_length=8,
            ),
        ),
        migrations.AddField(
            "purchaseline",
            "basis",
            models.CharField(
                blank=True,
                db_default="",
                default="",
                help_text="of a unit: opening size or finished size",
                max_length=14,
            ),
        ),
        migrations.RunPython(say_what_was_sent, migrations.RunPython.noop),
    ]
