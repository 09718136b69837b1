from django.db import migrations, models


class Migration(migrations.Migration):
    """What a line of a purchase costs, as stock has it."""

    dependencies = [("fabrication", "0014_a_firms_own_goods")]

    operations = [
        migrations.AddField(
            "purchaseline",
            "price",
            models.DecimalField(
                blank=True,
                decimal_places=2,
                help_text="of one; of cloth and cord, of a metre",
                max_digits=10,
                null=True,
            ),
        ),
    ]
