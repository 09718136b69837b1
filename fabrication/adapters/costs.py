"""What a unit's material costs at stock prices, and what of it is cut already."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from fabrication.models import Material, Part, StockItem, UnitMake
from shared.formats.money import cents
from shared.lengths import TICKS_PER_MM

TICKS_PER_M: Final = 1000 * TICKS_PER_MM


@dataclass(frozen=True, slots=True)
class PartCost:
    """One part's material; `cost` None where the material has no price."""

    part: Part
    cost: Decimal | None
    cut: Decimal | None


@dataclass(frozen=True, slots=True)
class MakeCost:
    """Material of one unit, waste left out: all of it, what is cut or pulled already, and what has no price."""

    parts: tuple[PartCost, ...]

    @property
    def total(self) -> Decimal:
        return sum((row.cost for row in self.parts if row.cost is not None), Decimal(0))

    @property
    def cut(self) -> Decimal:
        return sum((row.cut for row in self.parts if row.cut is not None), Decimal(0))

    @property
    def unpriced(self) -> list[str]:
        return sorted({row.part.material.name for row in self.parts if row.cost is None})


def cost_of(make: UnitMake) -> MakeCost:
    """
    Material of a unit at the latest prices of its stock, to the cent; two queries.

    A bar's price is shared by length; cloth is priced by the running metre and shared by area of
    the roll's width; what is pulled is priced each. Cancelled parts count as far as they were cut.
    """
    return cost_of_parts(list(make.parts.select_related("material")))


def cost_of_parts(parts: Sequence[Part]) -> MakeCost:
    """The same of some parts, kept or only worked out."""
    prices = _prices(parts)
    rows = [_cost(part, prices.get(part.material_id)) for part in parts]
    return MakeCost(tuple(row for row in rows if row is not None))


def _prices(parts: Iterable[Part]) -> Mapping[int, StockItem]:
    """The stock priced last, by material; new stock before offcuts."""
    priced = StockItem.objects.filter(material__in={part.material_id for part in parts}, price__isnull=False)
    return {item.material_id: item for item in priced.order_by("-is_offcut", "created_at", "pk")}


def _cost(part: Part, item: StockItem | None) -> PartCost | None:
    is_off = part.state == Part.State.CANCELLED
    if is_off and not part.done:
        return None
    each = _each(part, item)
    if each is None:
        return PartCost(part, None, None)
    count = part.done if is_off else part.quantity
    return PartCost(part, cents(each * count), cents(each * part.done))


def _each(part: Part, item: StockItem | None) -> Decimal | None:
    if item is None or item.price is None:
        return None
    if part.kind in {Material.Kind.PIECE, Material.Kind.SET}:
        return item.price
    if part.length is None or not item.length:
        return None
    if part.kind == Material.Kind.CLOTH:
        if part.width is None or not item.width:
            return None
        area = Decimal(part.length.ticks) * part.width.ticks
        return item.price * area / (Decimal(TICKS_PER_M) * item.width.ticks)
    if part.kind == Material.Kind.CORD:
        return item.price * part.length.ticks / TICKS_PER_M
    return item.price * part.length.ticks / item.length.ticks
