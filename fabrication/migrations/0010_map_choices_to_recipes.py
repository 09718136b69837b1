"""
Make the recipe's list the one list.

Choices of the range that the recipe has too, whatever their case and spelling, become the recipe's; the
others are listed for the owner. What is bought in keeps its choices as the supplier's list. Units that are
released keep what they have.
"""

import re

from django.db import migrations

CHUNK = 500
NOT_RELEASED = ["draft", "sized", "approved"]
NAMES = {"colour": "color"}
SPELLINGS = (("grey", "gray"), ("colour", "color"), ("aluminium", "aluminum"), ("fibre", "fiber"))


def plain(text):
    word = re.sub(r"[\s_\-]+", " ", str(text)).strip().casefold()
    for one, other in SPELLINGS:
        word = word.replace(one, other)
    return word


def find(wanted, keys):
    """The key that is this word, or is it in another spelling."""
    if wanted in keys:
        return wanted
    return next((key for key in keys if plain(key) == plain(wanted)), None)


def choices_of(definition):
    """Option key to its choices, each by key, of a recipe's definition."""
    return {option["key"]: [choice["key"] for choice in option["choices"]] for option in definition.get("options", [])}


def offered(product):
    """Option key to the choices that the product's own row offered."""
    controls = [row["key"] for row in (product.fit or {}).get("controls") or []]
    rows = {"control": controls} if controls else {}
    for key, row in (product.options or {}).items():
        rows[key] = row.get("choices", []) if isinstance(row, dict) else row
    return rows


def map_choices(apps, schema_editor):
    Product = apps.get_model("measuring", "Product")
    Unit = apps.get_model("measuring", "Unit")
    Revision = apps.get_model("fabrication", "RecipeRevision")
    SupplierList = apps.get_model("fabrication", "SupplierList")
    Lacking = apps.get_model("fabrication", "LackingChoice")
    current = {row.product_id: row.definition for row in Revision.objects.filter(is_current=True)}
    lists = {}
    for product in Product.objects.all():
        rows = offered(product)
        if product.source == "bought":
            SupplierList.objects.create(product=product, options=supplied(product, rows))
            continue
        lists[product.pk] = choices_of(current.get(product.pk) or {})
        Lacking.objects.bulk_create(
            Lacking(product=product, option=option, value=value)
            for option, value in lacking(rows, lists[product.pk])
        )
    waiting = Unit.objects.filter(state__in=NOT_RELEASED, product__in=lists).order_by("pk").only("options", "product")
    changed = []
    for unit in waiting.iterator(chunk_size=CHUNK):
        mapped = dict(renamed(unit.options, lists[unit.product_id]))
        if mapped != unit.options:
            unit.options = mapped
            changed.append(unit)
    Unit.objects.bulk_update(changed, ["options"], batch_size=CHUNK)


def supplied(product, rows):
    """The supplier's list: what the product's row offered; the colour was written freely where it had none."""
    options = [
        {
            "key": key,
            "name": NAMES.get(key, key.replace("_", " ")),
            "choices": values,
            "needed": not isinstance(product.options.get(key), dict) or product.options[key].get("needed", True),
        }
        for key, values in rows.items()
    ]
    if find("colour", rows) is None:
        options.append({"key": "colour", "name": "color", "choices": [], "needed": True})
    return options


def lacking(rows, listed):
    """Option and value of everything offered that the recipe does not have in any spelling, each once."""
    found = {}
    for option, values in rows.items():
        key = find(option, listed)
        for value in values:
            if key is None or find(value, listed[key]) is None:
                found[(option[:40], str(value)[:120])] = None
    return list(found)


def renamed(options, listed):
    """The unit's choices by the recipe's keys; what it does not have stays as it is."""
    for option, value in options.items():
        key = find(option, listed)
        if key is None or key != option and key in options:
            yield option, value
        else:
            yield key, find(value, listed[key]) or value


class Migration(migrations.Migration):
    dependencies = [
        ("fabrication", "0009_one_list_of_options"),
        ("measuring", "0002_visit_rows_named_by_devices"),
    ]
    run_before = [("measuring", "0004_remove_product_options")]
    operations = [migrations.RunPython(map_choices, migrations.RunPython.noop)]
