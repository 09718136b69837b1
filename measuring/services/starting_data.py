"""The range and the cord rules a firm starts from, as rows it then edits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from django.db import transaction

from measuring.models import Jurisdiction, Product
from measuring.ports import ports
from measuring.rules.range import starting_rows
from measuring.rules.safety import Jurisdiction as CordRules
from measuring.services.range import check_product
from shared import audit
from shared.errors import Refused
from shared.models import Branch, User


@transaction.atomic
def take_range(*, branch: Branch, names: Mapping[str, str], by: User) -> list[Product]:
    """
    Products of the starting range under the firm's own names, and all that making and hanging them needs.

    What the branch has already stays; products that the range does not have are refused.
    """
    known = {row["key"] for row in starting_rows("products")}
    if strange := sorted(set(names) - known):
        raise Refused(f"{strange[0]} is not in the starting range", field=strange[0], bound=", ".join(sorted(known)))
    there = set(Product.objects.filter(branch=branch).values_list("key", flat=True))
    load_jurisdictions()
    load_products(branch, names=names)
    for load in ports.range_hooks:
        load(branch)
    made = list(Product.objects.filter(branch=branch, key__in=names).exclude(key__in=there))
    if made:
        audit.record(
            by=by, action="took products of the starting range", subject=branch, note=", ".join(map(str, made))
        )
    return made


def load_products(branch: Branch, *, names: Mapping[str, str] | None = None) -> list[Product]:
    """
    The starting range for a branch; products it has already are left as they are.

    With `names` only these, by key, under the firm's own names.
    """
    there = set(Product.objects.filter(branch=branch).values_list("key", flat=True))
    rows = [row for row in starting_rows("products") if row["key"] not in there]
    if names is not None:
        rows = [{**row, "name": names[row["key"]]} for row in rows if row["key"] in names]
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
