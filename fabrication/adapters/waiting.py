"""Who waits for what: each unit's open parts, what is free for them, and the delivery they hang on."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from typing import NamedTuple

from django.utils import timezone

from fabrication.models import Material, Part, Purchase, PurchaseLine, StockItem, UnitMake
from fabrication.rules.supply import Coming, Want, who_waits
from fabrication.services.buying import ON_ITS_WAY, OPEN_PARTS, arrives_if_ordered
from fabrication.services.stock import STANDS_ALONE
from measuring.models import Unit
from shared.lengths import ZERO, Length
from shared.models import Branch

FITTINGS = (Material.Kind.PIECE, Material.Kind.SET)


class Wait(NamedTuple):
    """A unit that waits for a material, and the purchase line it hangs on; none where too little is ordered."""

    make: int
    due: dt.date | None
    material: int
    line: int | None


def waits(branch: Branch, materials: Collection[int] | None = None) -> list[Wait]:
    """
    The units whose open parts free stock does not cover, those due first served first.

    Running lengths are added up, as on the list of what is short: waste between pieces is left out.
    """
    wants, kinds = _wants(branch, materials)
    there, coming = _free(wants, kinds), _coming(wants, kinds)
    found = []
    for material, rows in wants.items():
        due = {want.key: want.due for want in rows}
        for key, line in who_waits(rows, there[material], coming[material]):
            found.append(Wait(key, due[key], material, line))
    return found


def _wants(branch: Branch, materials: Collection[int] | None) -> tuple[dict[int, list[Want]], dict[int, str]]:
    """By material, what each unit still needs of it; and the kind of each material."""
    parts = Part.objects.filter(
        make__unit__opening__job__branch=branch, state__in=OPEN_PARTS, make__unit__opening__job__cancelled_at=None
    ).exclude(make__state=UnitMake.State.CANCELLED)
    if materials is not None:
        parts = parts.filter(material__in=materials)
    amounts: dict[tuple[int, int, dt.date | None], int] = defaultdict(int)
    kinds: dict[int, str] = {}
    rows = parts.order_by().values_list(
        "material", "material__kind", "make", "make__unit__due_on", "quantity", "done", "length"
    )
    for material, kind, make, due, quantity, done, length in rows:
        each = 1 if kind in FITTINGS else (length or ZERO).ticks
        amounts[material, make, due] += (quantity - done) * each
        kinds[material] = kind
    wants: dict[int, list[Want]] = defaultdict(list)
    for (material, make, due), amount in amounts.items():
        wants[material].append(Want(make, due, amount))
    return wants, kinds


def _free(wants: Collection[int], kinds: dict[int, str]) -> dict[int, int]:
    found: dict[int, int] = defaultdict(int)
    for item in StockItem.objects.filter(material__in=wants, quantity__gt=0):
        found[item.material_id] += _amount(kinds[item.material_id], item.free, item.length, item.free_length)
    return found


def _amount(kind: str, free: int, length: Length | None, free_length: Length) -> int:
    if kind in FITTINGS:
        return free
    return free_length.ticks if kind in STANDS_ALONE else (length or ZERO).ticks * free


def on_order(materials: Collection[int]) -> dict[int, list[PurchaseLine]]:
    """By material, the lines that are to come, sent or not."""
    lines = PurchaseLine.objects.filter(
        material__in=materials, state__in=ON_ITS_WAY,
        purchase__state__in=[Purchase.State.ORDERED, Purchase.State.DRAFT],
    ).select_related("purchase__supplier__branch", "material")  # fmt: skip
    found: dict[int, list[PurchaseLine]] = defaultdict(list)
    for line in lines.order_by("purchase__expected_on", "pk"):
        assert line.material_id is not None  # asked for by its material
        found[line.material_id].append(line)
    return found


def _coming(wants: Collection[int], kinds: dict[int, str]) -> dict[int, list[Coming]]:
    found: dict[int, list[Coming]] = defaultdict(list)
    for material, lines in on_order(wants).items():
        for line in lines:
            each = 1 if kinds[material] in FITTINGS else (line.length or ZERO).ticks
            found[material].append(Coming(line.pk, line.purchase.expected_on, line.pieces_to_come * each))
    return found


def lacking(branch: Branch, makes: Collection[int]) -> list[tuple[Material, PurchaseLine | None]]:
    """Each material these units wait for, with the last delivery they need of it; none where too little is ordered."""
    if not makes:
        return []
    own = Part.objects.filter(make__in=makes, state__in=OPEN_PARTS).order_by().values_list("material", flat=True)
    if not (materials := set(own)):
        return []
    rows = [one for one in waits(branch, materials) if one.make in makes]
    lines = PurchaseLine.objects.select_related("purchase__supplier__branch").in_bulk(
        [one.line for one in rows if one.line is not None]
    )
    found: dict[int, PurchaseLine | None] = {}
    for one in rows:
        line = None if one.line is None else lines[one.line]
        if one.material not in found:
            found[one.material] = line
        elif (before := found[one.material]) is not None:
            found[one.material] = line and max(before, line, key=_comes_on)
    by_key = Material.objects.select_related("supplier__branch").in_bulk(found)
    return [(by_key[key], line) for key, line in sorted(found.items(), key=lambda pair: by_key[pair[0]].name)]


def _comes_on(line: PurchaseLine) -> tuple[dt.date, int]:
    return line.purchase.expected_on or dt.date.max, line.pk


# -- what is late ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Made:
    """A unit that is made late, and by how many days."""

    unit: Unit
    days: int


@dataclass(frozen=True, slots=True)
class Late:
    """Something that comes after the day a unit needs it; without a line it is not ordered yet."""

    what: str
    line: PurchaseLine | None
    comes: dt.date
    units: tuple[Made, ...]


def late(branch: Branch) -> list[Late]:
    """What comes too late and whom it makes late, the worst first; what is not ordered as if it were ordered now."""
    groups: dict[tuple[int | None, int | None], list[tuple[int, dt.date]]] = defaultdict(list)
    for one in waits(branch):
        if one.due is not None:
            groups[None if one.line else one.material, one.line].append((one.make, one.due))
    bought = PurchaseLine.objects.filter(
        purchase__branch=branch,
        purchase__state=Purchase.State.ORDERED,
        state__in=ON_ITS_WAY,
        make__unit__due_on__isnull=False,
    )
    for make, due, pk in bought.values_list("make", "make__unit__due_on", "pk"):
        if make is not None and due is not None:
            groups[None, pk].append((make, due))
    lines = PurchaseLine.objects.select_related(
        "purchase__supplier__branch", "material", "make__unit__product"
    ).in_bulk({key for _, key in groups if key is not None})
    materials = Material.objects.select_related("supplier__branch").in_bulk(
        {material for material, _ in groups if material is not None}
    )
    units = _units({make for pairs in groups.values() for make, _ in pairs})
    found = []
    for (material, key), pairs in groups.items():
        line = lines[key] if key is not None else None
        goods = line if line is not None else materials[material] if material is not None else None
        if goods is None or (comes := _arrival(goods, branch)) is None:
            continue
        late_ones = sorted((due, make) for make, due in pairs if due < comes)
        if late_ones:
            made = tuple(Made(units[make], (comes - due).days) for due, make in late_ones)
            found.append(Late(_named(goods), line, comes, made))
    return sorted(found, key=lambda one: -one.units[0].days)


def _units(makes: Collection[int]) -> dict[int, Unit]:
    rows = Unit.objects.filter(make__in=makes).select_related("make", "opening__job", "opening__room")
    return {unit.make.pk: unit for unit in rows}


def _named(goods: PurchaseLine | Material) -> str:
    if isinstance(goods, PurchaseLine) and goods.make is not None:
        return f"{goods.make.unit.product.name} {goods}"
    return str(goods)


def _arrival(goods: PurchaseLine | Material, branch: Branch) -> dt.date | None:
    """The day it is here at the earliest; None where nobody can say."""
    if isinstance(goods, Material):
        return arrives_if_ordered(goods.supplier, [goods.lead_days]) if goods.supplier else None
    expected = goods.purchase.expected_on
    if expected is None:
        return arrives_if_ordered(goods.purchase.supplier, [goods.material.lead_days if goods.material else None])
    return max(expected, timezone.now().astimezone(branch.tz).date())
