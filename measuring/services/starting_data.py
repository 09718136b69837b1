"""The range and the cord rules a firm starts from, as rows it then edits."""

from __future__ import annotations

import datetime as dt

from measuring.models import Jurisdiction, Product
from measuring.rules.range import starting_rows
from measuring.rules.safety import Jurisdiction as CordRules
from measuring.services.range import check_product
from shared.models import Branch


def load_products(branch: Branch) -> list[Product]:
    """The starting range for a branch; products it has already are left as they are."""
    there = set(Product.objects.filter(branch=branch).values_list("key", flat=True))
    rows = [row for row in starting_rows("products") if row["key"] not in there]
    for row in rows:
        check_product(key=row["key"], name=row["name"], family=row["family"], fit=row["fit"])
    Product.objects.bulk_create(
        Product(
            branch=branch,
            key=row["key"],
            name=row["name"],
            family=row["family"],
            fit=row["fit"],
            source=row.get("source", Product.Source.MADE),
        )
        for row in rows
    )
    return list(Product.objects.filter(branch=branch))


def load_jurisdictions() -> list[Jurisdiction]:
    """The cord rules of the places we know, each brought up to the file's date."""
    for row in starting_rows("jurisdictions"):
        CordRules.from_json(row)
        sources = "; ".join(dict.fromkeys(one["source"] for one in row["limits"]))
        Jurisdiction.objects.update_or_create(
            key=row["key"],
            defaults={
                "name": row["name"],
                "rules": row,
                "source": sources,
                "as_of": dt.date.fromisoformat(row["as_of"]),
            },
        )
    return list(Jurisdiction.objects.all())
