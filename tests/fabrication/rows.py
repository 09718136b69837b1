"""Rows of the workroom for tests; a test names only what it is about."""

from __future__ import annotations

from typing import Any

from fabrication.models import Material, Part, StockItem, UnitMake
from jobs.models import Customer, Job, Site
from measuring.models import Opening, Product, Room, Unit
from shared.codes import new_code
from shared.lengths import Length
from shared.models import Branch, User


def make_material(branch: Branch, kind: str = "bar", **fields: Any) -> Material:
    """A tube in bars: kerf 1/8, trim 1/4, offcuts kept from 24 in."""
    number = Material.objects.count() + 1
    values = {
        "key": f"material-{number}",
        "name": f"Material {number}",
        "kerf": Length.inches("1/8"),
        "trim": Length.inches("1/4"),
        "keep": Length.inches(24),
        **fields,
    }
    return Material.objects.create(branch=branch, kind=kind, **values)


def make_stock(material: Material, **fields: Any) -> StockItem:
    """Ten bars of 192 in, or a roll of 98 in by 30 yd."""
    values: dict[str, Any] = {"length": Length.inches(192), "quantity": 10}
    if material.kind == Material.Kind.CLOTH:
        values = {"length": Length.inches(1080), "width": Length.inches(98), "quantity": 1}
    return StockItem.objects.create(material=material, code=new_code(), **{**values, **fields})


def make_job_row(branch: Branch, by: User) -> Job:
    customer = Customer.objects.create(branch=branch, name="Ada Ashdown")
    site = Site.objects.create(branch=branch, customer=customer, street="3 Kiln Lane", town="Larkmere")
    number = f"J-{Job.objects.count() + 1}"
    return Job.objects.create(branch=branch, number=number, customer=customer, site=site, created_by=by)


def make_made_unit(branch: Branch, by: User, *, job: Job | None = None, **fields: Any) -> UnitMake:
    """A released unit that waits for a batch, 35 3/8 × 60, with no parts."""
    job = job or make_job_row(branch, by)
    room, _ = Room.objects.get_or_create(job=job, name="Kitchen")
    product, _ = Product.objects.get_or_create(branch=branch, key="roller-open", name="Open roller", family="roller")
    mark = str(Opening.objects.filter(job=job).count() + 1)
    opening = Opening.objects.create(job=job, room=room, mark=mark, product=product, state=Opening.State.MEASURED)
    unit = Unit.objects.create(
        opening=opening,
        code=new_code(),
        product=product,
        mount="inside",
        state=Unit.State.RELEASED,
        order_width=Length.inches("283/8"),
        order_height=Length.inches(60),
        basis="opening size",
    )
    values = {"finished_width": Length.inches("141/4"), "finished_height": Length.inches(60), **fields}
    return UnitMake.objects.create(unit=unit, **values)


def make_part(make: UnitMake, material: Material, length: str | None = "34", **fields: Any) -> Part:
    state = Part.State.TO_CUT if material.kind in {"bar", "strip", "cloth"} else Part.State.TO_PULL
    values = {
        "name": "tube",
        "kind": material.kind,
        "length": Length.parse(length) if length else None,
        "state": state,
        **fields,
    }
    return Part.objects.create(make=make, material=material, **values)
