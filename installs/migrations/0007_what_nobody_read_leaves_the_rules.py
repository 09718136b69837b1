from django.db import migrations

NAMES = ("measure", "measure_fixed", "measure_add", "ladder_above")
TABLE = {"roller": "4", "solar": "4", "sheer": "5", "vertical": "5", "slat": "4", "cellular": "4", "pleated": "4"}
SHIPPED = {
    "measure": TABLE | {"roman": "5"},
    "measure_fixed": "15",
    "measure_add": {"door": "2", "bay_or_corner": "10", "ladder_above_10_ft": "5", "masonry": "2", "no_photo_yet": "2"},
    "ladder_above": "120",
}
PACKS = {"1", "20", "50", "100"}
"""Of the shipped items, in which a firm's own are told by their count alone."""


def own(minutes):
    """What a firm entered otherwise than it is shipped, as ``measure roller 6``."""
    for name in NAMES:
        value, shipped = minutes.pop(name, None), SHIPPED[name]
        if isinstance(value, dict):
            yield from (f"{name} {key} {n}" for key, n in value.items() if str(n) != shipped.get(key))
        elif value is not None and str(value) != shipped:
            yield f"{name} {value}"


def take_out(apps, schema_editor):
    """Minutes of measuring are measuring's (its own page has them); nothing asked for an item's pack."""
    rules = apps.get_model("installs", "HardwareRules")
    for row in rules.objects.iterator(chunk_size=200):
        said = [f"minutes of {text.replace('_', ' ')}" for text in own(row.definition.get("minutes", {}))]
        packs = {item["key"]: item.pop("pack") for item in row.definition.get("items", []) if "pack" in item}
        said += [f"pack of {key} {count}" for key, count in packs.items() if str(count) not in PACKS]
        if said:
            row.note = f"{row.note}; taken out, nothing read them: {', '.join(said)}".strip("; ")[:240]
        row.save(update_fields=["definition", "note"])


class Migration(migrations.Migration):
    dependencies = [("installs", "0006_cord_rules_live_in_measuring")]
    operations = [migrations.RunPython(take_out, migrations.RunPython.noop, elidable=True)]
