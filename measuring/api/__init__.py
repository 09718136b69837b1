"""The measurer's actions over the API: the same services, the same permissions as the pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rest_framework.routers import DefaultRouter


def register(router: DefaultRouter) -> None:
    """The routes of this room."""
    # here, not above: whoever takes in a phone's entries needs none of it
    from measuring.api.field import FieldDayViewSet
    from measuring.api.groups import GroupViewSet
    from measuring.api.openings import OpeningViewSet
    from measuring.api.range import ProductViewSet
    from measuring.api.sizes import SizeChangeViewSet, SizesViewSet
    from measuring.api.units import UnitViewSet
    from measuring.api.visits import VisitViewSet

    router.register("openings", OpeningViewSet, basename="opening")
    router.register("groups", GroupViewSet, basename="group")
    router.register("measure-visits", VisitViewSet, basename="measure-visit")
    router.register("units", UnitViewSet, basename="unit")
    router.register("jobs", SizesViewSet, basename="job-sizes")
    router.register("size-changes", SizeChangeViewSet, basename="size-change")
    router.register("products", ProductViewSet, basename="product")
    router.register("field", FieldDayViewSet, basename="field")
