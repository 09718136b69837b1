"""The demo's workroom: range of materials, stock with offcuts, units made, batches under way."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from django.db import transaction

from fabrication.models import Material, Part, RecipeRevision, StockItem, Supplier, UnitMake
from fabrication.rules import recipes as rules
from fabrication.services.batches import open_batch
from fabrication.services.making import (
    make_columns,
    materials_of,
    order_of,
    part_rows,
    tolerance_of,
)
from fabrication.services.planning import plan_batch
from fabrication.services.starting_data import (
    load_materials,
    load_recipes,
    load_steps,
    load_tolerances,
    load_work_places,
)
from jobs.models import Job
from measuring.models import Unit
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
