"""What units come to by the firm's prices."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from jobs.models import Job
from jobs.ports import Value
from measuring.models import ProductTerms, Unit
from measuring.rules.prices import NoPrice
from shared.lengths import LengthUnit


def price_of(unit: Unit, price: ProductTerms | None, lengths: LengthUnit) -> Decimal:
    """A unit's price at its order size; raises `NoPrice`, which says why there is none."""
    if unit.order_width is None or unit.order_height is None:
        raise NoPrice(f"{unit.opening} has no size yet")
    if price is None:
        raise NoPrice(f"{unit.product.name} has no price")
    try:
        return price.of(unit.order_width, unit.order_height, lengths)
    except NoPrice as none:
        raise NoPrice(f"{unit.opening}: {none}") from None


def prices_of(units: Iterable[Unit]) -> dict[int, ProductTerms]:
    """By product, in one query."""
    rows = ProductTerms.objects.filter(product__in={unit.product_id for unit in units})
    return {row.product_id: row for row in rows}


def value_of_job(job: Job) -> Value | None:
    """What the job's live units come to; None where none of their products has a price."""
    units = list(Unit.objects.live().filter(opening__job=job).select_related("product", "opening__room"))
    prices = prices_of(units)
    if not prices:
        return None
    total, priced, why = Decimal(0), 0, ""
    for unit in units:
        try:
            total += price_of(unit, prices.get(unit.product_id), job.branch.unit)
            priced += 1
        except NoPrice as none:
            why = why or str(none)
    return Value(total, priced, len(units) - priced, why)
