"""
Give products the light gaps of their recipes.

What the hardware takes at each side, and half the clearance: so the unit's own page has it, and so the visit
says it from now on.
"""

from django.db import migrations

from shared.contracts import length_text
from shared.lengths import Length
from shared.records import read_length


def gaps_of(definition, fit):
    """The gap of a product on a tube, by its recipe's definition; none of another kind."""
    sides = (definition.get("trade") or {}).get("sides")
    if not sides:
        return {}
    motors = {row["key"] for row in fit.get("controls") or [] if row.get("power")}
    inside = (definition.get("clearance") or {}).get("inside") or {}
    beside = Length(read_length(inside.get("width") or "0").ticks // 2)
    by_hand = [row for row in sides if not motors.issuperset(row["control"])]
    with_motor = [row for row in sides if not motors.isdisjoint(row["control"])]
    taken = {
        "idle": [row["idle"] for row in by_hand or with_motor],
        "control": [row["drive"] for row in by_hand],
        "motor": [row["drive"] for row in with_motor],
    }
    unit = fit.get("unit", "in")
    return {
        name: length_text(max(map(read_length, rows)) + beside, unit) for name, rows in taken.items() if rows
    }


def take_gaps(apps, schema_editor):
    Revision = apps.get_model("fabrication", "RecipeRevision")
    for revision in Revision.objects.filter(is_current=True, product__source="made").select_related("product"):
        product = revision.product
        gaps = gaps_of(revision.definition, product.fit)
        if gaps and product.fit.get("gap") != gaps:
            product.fit = {**product.fit, "gap": gaps}
            product.revision += 1
            product.save(update_fields=["fit", "revision"])


class Migration(migrations.Migration):

    dependencies = [("fabrication", "0010_map_choices_to_recipes"), ("measuring", "0005_cord_rules_in_one_table")]

    operations = [migrations.RunPython(take_gaps, migrations.RunPython.noop)]
