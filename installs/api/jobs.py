"""A job's hardware, and the owner's figures, over the API."""

from __future__ import annotations

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.response import Response
from rest_framework.viewsets import ViewSet

from installs.access import LOADS, OFFICE, job_for
from installs.adapters.evaluation import rules_of, units_of_job, with_needs, work_out
from installs.adapters.figures import FIGURES, figures
from installs.api.base import UnitsSerializer
from installs.api.stops import StopSerializer
from installs.services import visits as services
from jobs.models import Job
from measuring.models import Unit
from shared.api import ApiRequest, HasRole, valid
from shared.roles import DISPATCHER, OWNER


class JobInstallsViewSet(ViewSet):
    """A job's hardware and installs."""

    queryset = Job.objects.none()  # names the type of the key in the schema
    permission_classes = [HasRole]
    roles: tuple[str, ...] = LOADS
    action_roles = {"installs": OFFICE}

    @extend_schema(responses=OpenApiTypes.OBJECT, parameters=[])
    @action(detail=True)
    def hardware(self, request: ApiRequest, pk: str = "0") -> Response:
        """Every unit of a job with its hardware."""
        job = job_for(request.user, int(pk) if pk.isdigit() else 0)
        worked = work_out(units_of_job(job), rules_of(job.branch))
        rows = [
            {
                "unit_code": one.unit.code,
                "cannot": one.cannot,
                "hardware": one.hardware.to_json() if one.hardware is not None else None,
            }
            for one in worked
        ]
        return Response({"job_number": job.number, "units": rows})

    @extend_schema(request=UnitsSerializer, responses={201: StopSerializer})
    @action(detail=True, methods=["post"])
    def installs(self, request: ApiRequest, pk: str = "0") -> Response:
        """An install visit of a job, unplaced; without units it is for all that is to be installed."""
        job = job_for(request.user, int(pk) if pk.isdigit() else 0)
        keys = request.data.get("units") if isinstance(request.data, dict) else None
        units = None
        if keys:
            wanted = valid(UnitsSerializer, request)["units"]
            units = list(with_needs(Unit.objects.filter(pk__in=wanted, opening__job=job)))
        visit = services.plan_install(job=job, by=request.user, units=units)
        return Response(StopSerializer(visit).data, status=201)


class FiguresViewSet(ViewSet):
    """The owner's figures."""

    permission_classes = [HasRole]
    roles = (OWNER, DISPATCHER)

    @extend_schema(responses=OpenApiTypes.OBJECT)
    def list(self, request: ApiRequest) -> Response:
        """A row a week."""
        from installs.access import branch_of, crew_of, today_of

        asked, user = request.query_params, request.user
        branch = branch_of(user, asked.get("branch", ""))
        if branch is None:
            return Response({"weeks": [], "causes": []})
        crew = crew_of(user, branch, asked.get("crew", ""))
        found = figures(user, branch, today=today_of(user), crew=crew)
        return Response(
            {
                "weeks": [
                    {"week": week.key, "monday": week.monday, **{name: week.share(name) for name in FIGURES}}
                    for week in found.weeks
                ],
                "causes": [
                    {"cause": row.key, "returns": row.count, "remakes": row.remakes, "cost": str(row.cost)}
                    for row in found.causes
                ],
            }
        )
