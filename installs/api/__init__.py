"""The install day's actions over the API: the same services, the same permissions as the pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rest_framework.routers import DefaultRouter


def register(router: DefaultRouter) -> None:
    """The routes of this room."""
    # here, not above: whoever takes in a phone's entries needs none of it
    from installs.api.jobs import FiguresViewSet, JobInstallsViewSet
    from installs.api.loads import LoadViewSet
    from installs.api.returns import ReturnViewSet
    from installs.api.rules import RulesViewSet
    from installs.api.stops import StopViewSet
    from installs.api.vans import VanViewSet

    router.register("loads", LoadViewSet, basename="load")
    router.register("stops", StopViewSet, basename="stop")
    router.register("returns", ReturnViewSet, basename="return")
    router.register("hardware-rules", RulesViewSet, basename="hardware-rules")
    router.register("vans", VanViewSet, basename="van")
    router.register("jobs", JobInstallsViewSet, basename="job-install")
    router.register("install-figures", FiguresViewSet, basename="install-figures")
