"""What products are sold for."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Final

from django.core.exceptions import ValidationError
from django.db import transaction

from measuring.adapters.facts import read_entry
from measuring.models import Product, ProductTerms
from measuring.rules.prices import TablePrice
from measuring.rules.warranty import read_terms
from shared import audit
from shared.errors import Refused
from shared.formats.money import cents
from shared.lengths import LengthUnit
from shared.models import User
from shared.roles import OWNER
from shared.spreadsheets import rows_of

MOST_SIZES: Final = 60
MOST_PRICE: Final = Decimal(1_000_000)


@transaction.atomic
def set_price(
    *, product: Product, by: User, rate: Decimal | None, per: str, least: Decimal, table: TablePrice | None,
    warranty: str = "", care: str = "",
) -> ProductTerms:  # fmt: skip
    """What a product is sold for from now on, its warranty and care; with a table its sizes go before the area."""
    if not by.has_role(OWNER):
        raise Refused("the owner sets prices")
    row = ProductTerms.objects.select_for_update().filter(product=product).first() or ProductTerms(product=product)
    try:
        read_terms(warranty)
    except ValueError as error:
        raise Refused(str(error), field="warranty") from None
    row.rate, row.per, row.least, row.warranty, row.care = rate, per, least, warranty.strip(), care.strip()
    row.table = table.to_json() if table is not None else None
    try:
        row.full_clean()
    except ValidationError as error:
        field, problems = next(iter(error.message_dict.items()))
        raise Refused(problems[0], field=field) from None
    changes = audit.changed(row, ["rate", "per", "least", "table", "warranty", "care"])
    if changes:
        row.save()
        if "table" in changes:
            changes["table"] = ["a table" if one else "none" for one in changes["table"]]
        audit.record(by=by, action="set price and warranty", subject=product, changes=changes)
    return row


def read_table(text: str, unit: LengthUnit) -> TablePrice:
    """
    A table of prices: widths along the first row, a height before each row of prices.

    Raises
    ------
    Refused
        Field ``file``: which cell is no size or no price, or sizes that do not ascend.
    """
    rows = list(rows_of(text))
    if len(rows) < 2 or len(rows[0][1]) < 2:
        raise Refused("the first row names widths, each row below a height and its prices", field="file")
    if max(len(rows), len(rows[0][1])) > MOST_SIZES + 1:
        raise Refused("too many sizes", field="file", bound=f"{MOST_SIZES} widths, {MOST_SIZES} heights")
    widths = [_size(cell, unit, 1, at) for at, cell in enumerate(rows[0][1][1:], 2)]
    heights, prices = [], []
    for line, cells in rows[1:]:
        if len(cells) != len(widths) + 1:
            raise Refused(f"line {line} has {len(cells) - 1} prices for {len(widths)} widths", field="file")
        heights.append(_size(cells[0], unit, line, 1))
        prices.append([_price(cell, line, at) for at, cell in enumerate(cells[1:], 2)])
    for name, sizes in (("widths", widths), ("heights", heights)):
        if sizes != sorted(set(sizes)):
            raise Refused(f"the {name} do not ascend", field="file")
    return TablePrice(widths, heights, prices)


def _size(cell: str, unit: LengthUnit, line: int, column: int) -> int:
    try:
        return read_entry(cell, unit, "file").ticks
    except Refused as refusal:
        raise Refused(f"line {line}, column {column}: {cell or 'nothing'}: {refusal.problem}", field="file") from None


def _price(cell: str, line: int, column: int) -> Decimal:
    try:
        price = cents(Decimal(cell.strip().lstrip("$€£").replace(",", "")))
    except InvalidOperation:
        raise Refused(f"line {line}, column {column}: {cell or 'nothing'} is no price", field="file") from None
    if not 0 <= price <= MOST_PRICE:
        raise Refused(f"line {line}, column {column}: {cell} is no price", field="file", bound=f"0 to {MOST_PRICE}")
    return price
