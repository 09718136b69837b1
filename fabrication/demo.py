"""The demo's workroom: range of materials, stock with offcuts, units made, batches under way."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any, Final

from django.db import transaction

from fabrication.models import (
    Claim,
    Material,
    Part,
    RecipeRevision,
    StockItem,
    Supplier,
    SupplierList,
    UnitMake,
)
from fabrication.rules import recipes as rules
from fabrication.services.batches import open_batch
from fabrication.services.buying import StockLine, acknowledge_shipping, order_stock, order_units
from fabrication.services.deliveries import Acknowledged, acknowledge, open_claim, receive_line
from fabrication.services.making import (
    make_columns,
    make_units,
    materials_of,
    order_of,
    part_rows,
    recipe_from,
    tolerance_of,
)
from fabrication.services.own_cloth import check_cloth, expect_cloth, receive_cloth
from fabrication.services.planning import plan_batch
from fabrication.services.starting_data import (
    load_materials,
    load_recipes,
    load_steps,
    load_tolerances,
    load_work_places,
)
from jobs.models import Job
from measuring.models import Opening, Product, Unit
from measuring.services.starting_data import load_products
from shared.codes import new_code
from shared.demo import Demo
from shared.lengths import Length
from shared.models import Branch

LIVING: Final = 1500
"""Jobs whose units have parts; older ones, closed long ago, keep their sizes only."""
CHUNK: Final = 1000
BATCH_OF: Final = 24
PLAN_SECONDS: Final = 3


def load_recipe_book(demo: Demo) -> None:
    """The range with its materials and recipes, before anybody measures: what can be chosen is theirs."""
    branch: Branch = demo.made["jobs"].branch
    load_products(branch)
    load_materials(branch)
    load_recipes(branch)


def load(demo: Demo) -> None:
    """Stock; then every released unit as it is made; then the batches."""
    made = demo.made["jobs"]
    branch: Branch = made.branch
    with transaction.atomic():
        materials = {row.key: row for row in Material.objects.filter(branch=branch)}
        load_tolerances(branch)
        load_work_places(branch)
        load_steps(branch)
        _suppliers(branch, materials)
        _stock(demo, materials)
    units = (
        Unit.objects.filter(opening__job__in=[job.pk for job in made.jobs[:LIVING]])
        .exclude(state__in=[Unit.State.DRAFT, Unit.State.SIZED, Unit.State.APPROVED])
        .select_related("product__branch", "opening__job", "opening__room")
        .order_by("pk")
    )
    keys = list(units.values_list("pk", flat=True))
    for start in range(0, len(keys), CHUNK):
        with transaction.atomic():
            _make(demo, branch, materials, list(units.filter(pk__in=keys[start : start + CHUNK])))
    _batches(demo, branch)
    with transaction.atomic():
        waiting = _released_jobs(made)
        _bought_in(demo, branch, waiting)
        _stock_on_its_way(demo, branch)
        _own_cloth(demo, waiting)


def _suppliers(branch: Branch, materials: dict[str, Material]) -> None:
    """Two invented ones: cloth, and everything hard."""
    cloth = Supplier.objects.create(branch=branch, name="Fenwater Weavers", email="orders@example.org", lead_days=9)
    metal = Supplier.objects.create(branch=branch, name="Ropewalk Metals", email="desk@example.org", lead_days=5)
    for material in materials.values():
        material.supplier = cloth if material.kind == Material.Kind.CLOTH else metal
    Material.objects.bulk_update(materials.values(), ["supplier"])


# -- stock ---------------------------------------------------------------------------


def _stock(demo: Demo, materials: dict[str, Material]) -> None:
    """What the firm has on its racks: every stock size, offcuts of what is cut, boxes of the rest."""
    rows: list[StockItem] = []
    for material in materials.values():
        if material.kind == Material.Kind.CLOTH:
            rows += _rolls(demo, material)
        elif material.is_cut_from_bars():
            rows += _bars(demo, material)
        elif material.kind == Material.Kind.CORD:
            rows.append(_row(material, length=Length.inches(12 * 3000), shelf="cord wall"))
        else:
            rows.append(_row(material, quantity=demo.random.randint(300, 900), shelf="bins"))
    StockItem.objects.bulk_create(rows)
    demo.say(f"{len(materials)} materials, {len(rows)} stock pieces and places")


def _row(material: Material, **fields: object) -> StockItem:
    return StockItem(material=material, code=new_code(), **fields)


def _sizes(material: Material) -> list[dict[str, str]]:
    return material.facts.get("stock") or []


def _bars(demo: Demo, material: Material) -> list[StockItem]:
    sizes = _sizes(material) or [{"length": "192"}]
    rows = [
        _row(
            material,
            length=Length.parse(size["length"]),
            quantity=demo.random.randint(40, 90),
            price=Decimal(size["price"]) if size.get("price") else None,
            shelf=f"rack {demo.random.randint(1, 9)}",
        )
        for size in sizes
    ]
    for _ in range(demo.random.randint(2, 6)):
        length = Length.inches(demo.random.randint(26, 110))
        rows.append(_row(material, length=length, is_offcut=True, shelf="offcut rack"))
    return rows


def _rolls(demo: Demo, material: Material) -> list[StockItem]:
    sizes = _sizes(material) or [{"width": "98"}]
    return [
        _row(
            material,
            length=Length.inches(36 * demo.random.randint(24, 33)),
            width=Length.parse(size["width"]),
            lot=f"L{demo.random.randint(100, 999)}",
            shelf=f"roll store {demo.random.choice('ABCD')}",
            price=Decimal(size["price"]) if size.get("price") else None,
        )
        for size in sizes
        for _ in range(3)
    ]


# -- what is made ----------------------------------------------------------------------


def _make(demo: Demo, branch: Branch, materials: dict[str, Material], units: list[Unit]) -> None:
    revisions = {row.product_id: row for row in RecipeRevision.objects.filter(product__branch=branch)}
    recipes = {pk: rules.Recipe.from_json(row.definition) for pk, row in revisions.items()}
    known = materials_of(branch)
    pairs = []
    for unit in units:
        unit.product.branch = branch
        revision, recipe = revisions[unit.product_id], recipes[unit.product_id]
        revision.product = unit.product
        try:
            made = rules.make_unit(recipe, order_of(unit, recipe), known, unit=branch.unit)
        except rules.CannotMake as error:
            demo.say(f"{unit.code} is left out: {error}")
            continue
        columns = make_columns(revision, made, branch, tolerance_of(branch, unit))
        pairs.append((UnitMake(unit=unit, state=_state(unit), **columns), made))
    makes = UnitMake.objects.bulk_create([make for make, _ in pairs])
    parts = [part for make, (_, made) in zip(makes, pairs, strict=True) for part in part_rows(make, made, materials)]
    for part in parts:
        if part.make.state == UnitMake.State.MADE:
            part.done = part.quantity
            part.state = Part.State.CUT if part.state == Part.State.TO_CUT else Part.State.PULLED
    Part.objects.bulk_create(parts, batch_size=2000)


def _state(unit: Unit) -> str:
    return UnitMake.State.WAITING if unit.state == Unit.State.RELEASED else UnitMake.State.MADE


# -- batches ----------------------------------------------------------------------------


def _batches(demo: Demo, branch: Branch) -> None:
    """Jobs that are in the workroom get batches; the first one has its cuts planned by a worker."""
    made = demo.made["jobs"]
    in_workroom = [job.pk for job in made.jobs[:LIVING] if job.stage == Job.Stage.IN_WORKROOM]
    keys = list(
        UnitMake.objects.filter(unit__opening__job__in=in_workroom)
        .order_by("unit__due_on", "pk")
        .values_list("pk", flat=True)
    )
    by = made.people["workroom"]
    for start in range(0, len(keys), BATCH_OF):
        batch = open_batch(branch=branch, makes=keys[start : start + BATCH_OF], by=by)
        if start == 0:
            plan_batch(batch=batch, by=by, seconds=PLAN_SECONDS)
    demo.say(f"{len(keys)} units in batches")


# -- on the way, and what customers bring --------------------------------------------------


def _released_jobs(made: Any) -> list[Job]:
    """Jobs whose units all wait for a batch."""
    return [job for job in made.jobs[:LIVING] if job.stage == Job.Stage.RELEASED]


def _bought_in(demo: Demo, branch: Branch, jobs: list[Job]) -> None:
    """A roller that another firm makes, on the units of one job: sent, acknowledged, one read otherwise."""
    ours = Unit.objects.filter(opening__job__in=jobs, product__key="wren", make__batch=None)
    job = ours.order_by("opening__job").values_list("opening__job", flat=True).first()
    if job is None:
        return
    units = list(ours.filter(opening__job=job).select_related("product", "opening__job__branch", "opening__room"))
    wren, by = units[0].product, demo.made["jobs"].people["workroom"]
    fit = {name: value for name, value in wren.fit.items() if name != "light_gap"}
    kestrel = Product.objects.create(
        branch=branch, key="kestrel", name="Kestrel roller, bought in", family=wren.family, fit=fit,
        source=Product.Source.BOUGHT,
    )  # fmt: skip
    recipe = recipe_from(RecipeRevision.objects.filter(product=wren).latest("number"))
    options = [
        {"key": one.key, "name": one.name, "choices": [choice.key for choice in one.choices], "needed": True}
        for one in recipe.options
    ]
    SupplierList.objects.create(product=kestrel, options=options, takes=SupplierList.Takes.OPENING, saved_by=by)
    UnitMake.objects.filter(unit__in=units).delete()
    Opening.objects.filter(units__in=units).update(product=kestrel)
    for unit in units:
        unit.product = unit.opening.product = kestrel
        unit.save(update_fields=["product"])
    makes = make_units(units, by)
    supplier = Supplier.objects.create(
        branch=branch, name="Slatehill Shades", email="orders@example.org", lead_days=15, transit_days=3,
        account="MW-204", terms="net 30", address="4 Slatehill Road\nEastmere",
    )  # fmt: skip
    purchase = order_units(supplier=supplier, makes=[make.pk for make in makes], by=by)
    acknowledge_shipping(purchase=purchase, ships_on=demo.today + dt.timedelta(days=2), by=by)
    for number, line in enumerate(purchase.lines.order_by("pk")):
        assert line.width is not None
        assert line.length is not None
        width = line.width + Length.inches("1/8") if number == 0 else line.width
        said = Acknowledged(width, line.length, options={}, mount=line.mount, basis=line.basis)
        acknowledge(line=line, said=said, by=by)
    demo.say(f"{len(makes)} units on {purchase}")


def _stock_on_its_way(demo: Demo, branch: Branch) -> None:
    """Bars that came in part, a few of them dented: a claim on the supplier. And a purchase not sent yet."""
    by, metal = demo.made["jobs"].people["workroom"], Supplier.objects.get(branch=branch, name="Ropewalk Metals")
    bars = Material.objects.filter(branch=branch, kind=Material.Kind.BAR, stock__length__isnull=False).distinct()
    lines = [StockLine(one, 20, _usual(one), None, Decimal("14.50")) for one in bars.order_by("key")[:3]]
    if not lines:
        return
    sent = order_stock(supplier=metal, lines=lines[:2], by=by)
    first = sent.lines.order_by("pk").first()
    assert first is not None
    receive_line(line=first, by=by, pieces=12, shelf="rack 4")
    open_claim(line=first, kind=Claim.Kind.FREIGHT, note="dented at one end", quantity=3, by=by)
    order_stock(supplier=metal, lines=lines[2:] or lines[:1], by=by, is_sent=False)


def _usual(material: Material) -> Length:
    whole = material.stock.filter(is_offcut=False).order_by("pk").first()
    assert whole is not None
    assert whole.length is not None
    return whole.length


def _own_cloth(demo: Demo, jobs: list[Job]) -> None:
    """Two customers bring their own: one roll is here, measured and on the rack, the other is waited for."""
    by = demo.made["jobs"].people["workroom"]
    taken = set(Unit.objects.filter(product__key="kestrel").values_list("opening__job", flat=True))
    free = [job for job in jobs if job.pk not in taken]
    for job, name in zip(free[:2], ("Grandmother's linen", "Striped cotton"), strict=False):
        cloth = expect_cloth(
            job=job, name=name, by=by, units="all of the job", width_needed=Length.inches(54),
            length_needed=Length.inches(12 * 36), repeat_expected=Length.inches(18),
            expected_on=demo.today + dt.timedelta(days=4),
        )  # fmt: skip
        if job == free[0]:
            here = receive_cloth(cloth=cloth, by=by, shelf="own material")
            check_cloth(
                cloth=here, width=Length.inches(54), length=Length.inches(14 * 36), repeat=Length.inches(18), by=by
            )
    demo.say("a customer's own cloth on the rack, another on its way")
