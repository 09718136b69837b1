"""May this person have it? The object, or a 404."""

from __future__ import annotations

from django.http import Http404

from fabrication.models import (
    AssemblyStep,
    Batch,
    CutPlan,
    KeptEnd,
    MadePhoto,
    Material,
    OwnCloth,
    Part,
    PlannedCut,
    Purchase,
    PurchaseLine,
    StockItem,
    Supplier,
    UnitMake,
    WorkPlace,
)
from measuring.models import Product
from shared.models import User


def _one_of(rows, pk: int):
    found = rows.filter(pk=pk).first()
    if found is None:
        raise Http404
    return found


def batch_for(user: User, pk: int) -> Batch:
    return _one_of(Batch.objects.visible_to(user), pk)


def plan_for(user: User, pk: int) -> CutPlan:
    plans = CutPlan.objects.visible_to(user)
    return _one_of(plans.select_related("batch", "material", "run"), pk)


def cut_for(user: User, pk: int) -> PlannedCut:
    cuts = PlannedCut.objects.visible_to(user)
    return _one_of(cuts.select_related("plan__batch", "plan__material", "item"), pk)


def make_for(user: User, pk: int) -> UnitMake:
    makes = UnitMake.objects.visible_to(user)
    return _one_of(makes.select_related("unit__opening__room", "unit__opening__job", "unit__product", "batch"), pk)


def part_for(user: User, pk: int) -> Part:
    parts = Part.objects.visible_to(user)
    return _one_of(parts.select_related("make__unit", "material"), pk)


def material_for(user: User, pk: int) -> Material:
    return _one_of(Material.objects.visible_to(user), pk)


def stock_for(user: User, pk: int) -> StockItem:
    return _one_of(StockItem.objects.visible_to(user).select_related("material"), pk)


def product_for(user: User, pk: int) -> Product:
    return _one_of(Product.objects.visible_to(user), pk)


def supplier_for(user: User, pk: int) -> Supplier:
    return _one_of(Supplier.objects.visible_to(user), pk)


def purchase_for(user: User, pk: int) -> Purchase:
    return _one_of(Purchase.objects.visible_to(user).select_related("supplier", "branch"), pk)


def purchase_line_for(user: User, pk: int) -> PurchaseLine:
    lines = PurchaseLine.objects.visible_to(user).select_related("purchase", "make__unit", "material")
    return _one_of(lines, pk)


def step_for(user: User, pk: int) -> AssemblyStep:
    return _one_of(AssemblyStep.objects.visible_to(user), pk)


def photo_for(user: User, pk: int) -> MadePhoto:
    return _one_of(MadePhoto.objects.visible_to(user), pk)


def kept_end_for(user: User, pk: int) -> KeptEnd:
    return _one_of(KeptEnd.objects.visible_to(user).select_related("item", "job"), pk)


def work_place_for(user: User, pk: int) -> WorkPlace:
    return _one_of(WorkPlace.objects.visible_to(user).select_related("branch"), pk)


def own_cloth_for(user: User, pk: int) -> OwnCloth:
    return _one_of(OwnCloth.objects.visible_to(user).select_related("job__branch"), pk)
