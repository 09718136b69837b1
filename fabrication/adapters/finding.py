"""What of the workroom the box on every page finds: codes of units and stock, numbers of batches and purchases."""

from __future__ import annotations

from collections.abc import Iterator

from django.urls import reverse

from fabrication.access import LOOKS
from fabrication.models import Batch, Purchase, StockItem
from jobs.rules.search_text import number_spellings
from measuring.models import Unit
from shared.codes import read_code
from shared.finding import Found
from shared.models import User


def found(user: User, text: str) -> Iterator[Found]:
    """The one thing a code stands on, and what has this number."""
    code = read_code(text)
    if code:
        units = Unit.objects.visible_to(user).filter(code=code).select_related("opening__job__customer", "product")
        for unit in units:
            job = unit.opening.job
            line = f"{unit.product.name}, {job.number} {job.customer.name}"
            yield Found("unit", code, line, reverse("fabrication:by_code", args=[code]))
    if not user.has_role(*LOOKS):
        return
    if code:
        for item in StockItem.objects.visible_to(user).filter(code=code).select_related("material"):
            yield Found("stock piece", code, item.material.name, reverse("fabrication:stock_item", args=[item.pk]))
    for batch in Batch.objects.visible_to(user).filter(number__in=number_spellings(text, "B")):
        line = batch.get_state_display()
        yield Found("batch", batch.number, line, reverse("fabrication:batch", args=[batch.pk]))
    purchases = Purchase.objects.visible_to(user).filter(number__in=number_spellings(text, "P"))
    for purchase in purchases.select_related("supplier"):
        line = purchase.supplier.name
        yield Found("purchase", purchase.number, line, reverse("fabrication:purchase", args=[purchase.pk]))
