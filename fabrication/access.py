"""May this person have it? The object, or a 404."""

from __future__ import annotations

from django.shortcuts import get_object_or_404

from fabrication.models import (
    AssemblyStep,
    Batch,
    Claim,
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
from fabrication.services.making import OWN
from shared.models import User
from shared.roles import DISPATCHER, OWNER, WORKROOM


def batch_for(user: User, pk: int) -> Batch:
    return get_object_or_404(Batch.objects.visible_to(user), pk=pk)


def plan_for(user: User, pk: int) -> CutPlan:
    plans = CutPlan.objects.visible_to(user).counted()
    return get_object_or_404(plans.select_related("batch", "material", "run"), pk=pk)


def cut_for(user: User, pk: int) -> PlannedCut:
    cuts = PlannedCut.objects.visible_to(user)
    return get_object_or_404(cuts.select_related("plan__batch", "plan__material", "item"), pk=pk)


def make_for(user: User, pk: int) -> UnitMake:
    makes = UnitMake.objects.visible_to(user)
    return get_object_or_404(
        makes.select_related("unit__opening__room", "unit__opening__job__branch", "unit__product", "batch"), pk=pk
    )


def part_for(user: User, pk: int) -> Part:
    parts = Part.objects.visible_to(user)
    return get_object_or_404(parts.select_related("make__unit", "material"), pk=pk)


def stock_for(user: User, pk: int) -> StockItem:
    return get_object_or_404(StockItem.objects.visible_to(user).select_related("material"), pk=pk)


def claim_for(user: User, pk: int) -> Claim:
    return get_object_or_404(Claim.objects.visible_to(user).select_related("purchase"), pk=pk)


def purchase_for(user: User, pk: int) -> Purchase:
    return get_object_or_404(Purchase.objects.visible_to(user).select_related("supplier", "branch"), pk=pk)


def purchase_line_for(user: User, pk: int) -> PurchaseLine:
    lines = PurchaseLine.objects.visible_to(user).select_related("purchase", "make__unit", "material")
    return get_object_or_404(lines, pk=pk)


def step_for(user: User, pk: int) -> AssemblyStep:
    return get_object_or_404(AssemblyStep.objects.visible_to(user), pk=pk)


def photo_for(user: User, pk: int) -> MadePhoto:
    return get_object_or_404(MadePhoto.objects.visible_to(user), pk=pk)


def kept_end_for(user: User, pk: int) -> KeptEnd:
    return get_object_or_404(KeptEnd.objects.visible_to(user).select_related("item", "job"), pk=pk)


def work_place_for(user: User, pk: int) -> WorkPlace:
    return get_object_or_404(WorkPlace.objects.visible_to(user).select_related("branch"), pk=pk)


def own_cloth_for(user: User, pk: int) -> OwnCloth:
    return get_object_or_404(OwnCloth.objects.visible_to(user).select_related("job__branch"), pk=pk)


def material_for(user: User, pk: int) -> Material:
    rows = Material.objects.visible_to(user).exclude(key__startswith=OWN)
    return get_object_or_404(rows.select_related("branch", "supplier"), pk=pk)


def supplier_for(user: User, pk: int) -> Supplier:
    return get_object_or_404(Supplier.objects.visible_to(user).select_related("branch"), pk=pk)


WORKS = (WORKROOM, OWNER)
LOOKS = (WORKROOM, OWNER, DISPATCHER)
