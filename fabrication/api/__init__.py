"""The workroom's actions over the API."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rest_framework.routers import DefaultRouter


def register(router: DefaultRouter) -> None:
    """The routes of this app."""
    # here, not above: whoever takes in a phone's entries needs none of it
    from fabrication.api.batches import BatchViewSet
    from fabrication.api.buying import ClaimViewSet, PurchaseLineViewSet, PurchaseViewSet
    from fabrication.api.cutting import CutPlanViewSet, PlannedCutViewSet
    from fabrication.api.own_cloth import OwnClothViewSet
    from fabrication.api.range import MaterialViewSet, RangeImportViewSet, SupplierViewSet, ToleranceViewSet
    from fabrication.api.recipes import RecipeViewSet
    from fabrication.api.setting_up import LabelSizeViewSet, WorkPlaceViewSet
    from fabrication.api.stock import KeptEndViewSet, StockViewSet
    from fabrication.api.units import PartViewSet, StepViewSet, UnitMakeViewSet

    router.register("batches", BatchViewSet, basename="batch")
    router.register("cut-plans", CutPlanViewSet, basename="cut-plan")
    router.register("cuts", PlannedCutViewSet, basename="cut")
    router.register("makes", UnitMakeViewSet, basename="make")
    router.register("parts", PartViewSet, basename="part")
    router.register("stock", StockViewSet, basename="stock")
    router.register("kept-ends", KeptEndViewSet, basename="kept-end")
    router.register("assembly-steps", StepViewSet, basename="assembly-step")
    router.register("own-cloth", OwnClothViewSet, basename="own-cloth")

    router.register("work-places", WorkPlaceViewSet, basename="work-place")
    router.register("label-sizes", LabelSizeViewSet, basename="label-size")
    router.register("materials", MaterialViewSet, basename="material")
    router.register("suppliers", SupplierViewSet, basename="supplier")
    router.register("tolerances", ToleranceViewSet, basename="tolerance")
    router.register("recipes", RecipeViewSet, basename="recipe")
    router.register("purchases", PurchaseViewSet, basename="purchase")
    router.register("purchase-lines", PurchaseLineViewSet, basename="purchase-line")
    router.register("claims", ClaimViewSet, basename="claim")
    router.register("range-imports", RangeImportViewSet, basename="range-import")
