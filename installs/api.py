"""The install day's deeds over the API: the same services, the same doors as the pages."""

from __future__ import annotations

import base64
import binascii
from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response
from rest_framework.routers import DefaultRouter
from rest_framework.viewsets import ViewSet

from fabrication.models import Material
from installs import services
from installs.access import INSTALLS, LOADS, OFFICE, RETURNS, crew_for, job_for, unit_key
from installs.figures import FIGURES, figures
from installs.models import HardwareRules, Load, LoadLine, Pull, ReturnOwed, VanStock, VisitUnit
from installs.reading import rules_of, visit_units, with_needs, work_out
from installs.rules.causes import CAUSES
from installs.services.hardware import visit_hardware
from installs.views.jobs import units_of_job
from jobs.models import INSTALLING, Appointment, Job
from measuring.models import Unit
from shared.api import ApiRequest, HasRole, ReadViewSet
from shared.errors import Refused
from shared.roles import DISPATCHER, OWNER, WORKROOM


def _valid(serializer: type[serializers.Serializer[Any]], request: ApiRequest) -> dict[str, Any]:
    found = serializer(data=request.data)
    found.is_valid(raise_exception=True)
    return dict(found.validated_data)


# -- loads --------------------------------------------------------------------------------


class LoadLineSerializer(serializers.ModelSerializer[LoadLine]):
    unit = serializers.CharField(source="unit.code", default="", read_only=True)
    item = serializers.CharField(source="material.key", default="", read_only=True)

    class Meta:
        model = LoadLine
        fields = ["id", "order", "section", "unit", "package", "item", "text", "quantity", "checked", "returned", "why"]


class LoadSerializer(serializers.ModelSerializer[Load]):
    lines = LoadLineSerializer(many=True, read_only=True)

    class Meta:
        model = Load
        fields = ["id", "crew", "day", "state", "left_at", "back_at", "gap_reason", "weight_g", "findings", "lines"]


class MakeLoadSerializer(serializers.Serializer[Any]):
    crew = serializers.IntegerField(min_value=1)
    day = serializers.DateField()


class CodeSerializer(serializers.Serializer[Any]):
    code = serializers.CharField(max_length=200)
    bundle = serializers.BooleanField(default=False)


class CheckSerializer(serializers.Serializer[Any]):
    lines = serializers.ListField(child=serializers.IntegerField(min_value=1), min_length=1, max_length=1000)
    count = serializers.IntegerField(min_value=0, required=False, allow_null=True)


class LeaveSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class PutBackSerializer(serializers.Serializer[Any]):
    line = serializers.IntegerField(min_value=1)
    count = serializers.IntegerField(min_value=0)


class LoadViewSet(ReadViewSet):
    """The truck's load of a crew-day."""

    roles = LOADS
    queryset = Load.objects.select_related("crew__branch").prefetch_related("lines__unit", "lines__material")
    serializer_class = LoadSerializer
    filterset_fields = ["crew", "day", "state"]

    def _again(self, load: Load) -> Response:
        return Response(LoadSerializer(self.get_queryset().get(pk=load.pk)).data)

    @extend_schema(request=MakeLoadSerializer, responses=LoadSerializer)
    @action(detail=False, methods=["post"])
    def make(self, request: ApiRequest) -> Response:
        """Puts the list of a crew-day together, or brings it up to date."""
        sent = _valid(MakeLoadSerializer, request)
        crew = crew_for(request.user, sent["crew"])
        return self._again(services.refresh_load(crew=crew, day=sent["day"], by=request.user))

    @extend_schema(request=CheckSerializer, responses=LoadSerializer)
    @action(detail=True, methods=["post"])
    def check(self, request: ApiRequest, pk: str = "") -> Response:
        """Ticks lines off as on the truck."""
        load, sent = self.get_object(), _valid(CheckSerializer, request)
        lines = load.lines.filter(pk__in=sent["lines"])
        services.check_lines(load=load, lines=lines, count=sent.get("count"), by=request.user)
        return self._again(load)

    @extend_schema(request=CodeSerializer, responses=LoadSerializer)
    @action(detail=True, methods=["post"])
    def code(self, request: ApiRequest, pk: str = "") -> Response:
        """Ticks off by the code on a label."""
        load, sent = self.get_object(), _valid(CodeSerializer, request)
        services.check_code(load=load, typed=sent["code"], bundle=sent["bundle"], by=request.user)
        return self._again(load)

    @extend_schema(request=None, responses=LoadSerializer)
    @action(detail=True, methods=["post"])
    def undo(self, request: ApiRequest, pk: str = "") -> Response:
        """Takes the last tick back."""
        load = self.get_object()
        services.undo_check(load=load, by=request.user)
        return self._again(load)

    @extend_schema(request=LeaveSerializer, responses=LoadSerializer)
    @action(detail=True, methods=["post"])
    def leave(self, request: ApiRequest, pk: str = "") -> Response:
        """The truck leaves; with a gap only for a reason."""
        load = self.get_object()
        services.leave_yard(load=load, by=request.user, **_valid(LeaveSerializer, request))
        return self._again(load)

    @extend_schema(request=PutBackSerializer, responses=LoadSerializer)
    @action(detail=True, methods=["post"])
    def put_back(self, request: ApiRequest, pk: str = "") -> Response:
        """So many of one line came back."""
        load, sent = self.get_object(), _valid(PutBackSerializer, request)
        line = load.lines.filter(pk=sent["line"]).first()
        if line is None:
            raise Refused("this line is not of this load", field="line")
        services.put_back(load=load, line=line, count=sent["count"], by=request.user)
        return self._again(load)

    @extend_schema(request=None, responses=LoadSerializer)
    @action(detail=True, methods=["post"])
    def back(self, request: ApiRequest, pk: str = "") -> Response:
        """The truck is back: what did not go up is put back."""
        load = self.get_object()
        services.come_back(load=load, by=request.user)
        return self._again(load)


# -- stops ---------------------------------------------------------------------------------


class VisitUnitSerializer(serializers.ModelSerializer[VisitUnit]):
    code = serializers.CharField(source="unit.code", read_only=True)
    opening = serializers.CharField(source="unit.opening", read_only=True)

    class Meta:
        model = VisitUnit
        fields = ["unit", "code", "opening", "outcome", "cause", "note", "marked_at"]


class UnitsSerializer(serializers.Serializer[Any]):
    units = serializers.ListField(child=serializers.IntegerField(min_value=1), min_length=1, max_length=500)


class NotInstalledSerializer(serializers.Serializer[Any]):
    unit = serializers.IntegerField(min_value=1)
    cause = serializers.ChoiceField(choices=[entry.key for entry in CAUSES])
    note = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class UnitSerializer(serializers.Serializer[Any]):
    unit = serializers.IntegerField(min_value=1)


def no_strokes() -> Any:
    return []


class SignSerializer(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")
    strokes = serializers.JSONField(required=False, default=no_strokes)
    left_with = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")


class HardwareUsedSerializer(serializers.Serializer[Any]):
    item = serializers.SlugField(max_length=50, required=False, allow_blank=True, default="")
    change = serializers.IntegerField(min_value=-10_000, max_value=10_000, default=0)
    note = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class PhotoSerializer(serializers.Serializer[Any]):
    data = serializers.CharField(  # type: ignore[assignment]  # a field of that name is no attribute
        help_text="the picture, base64"
    )
    unit = serializers.IntegerField(min_value=1, required=False, allow_null=True)
    caption = serializers.CharField(max_length=160, required=False, allow_blank=True, default="")


class CloseSerializer(serializers.Serializer[Any]):
    note = serializers.CharField(max_length=2000, required=False, allow_blank=True, default="")


class StopSerializer(serializers.ModelSerializer[Appointment]):
    """An install or return visit as it goes."""

    job = serializers.CharField(source="job.number", read_only=True)
    address = serializers.CharField(source="job.site.address", read_only=True)
    units = serializers.SerializerMethodField()
    signed_name = serializers.SerializerMethodField()
    left_with = serializers.SerializerMethodField()
    closed_at = serializers.SerializerMethodField()

    class Meta:
        model = Appointment
        fields = [
            "id", "job", "address", "purpose", "state", "crew", "day", "starts_at", "promised_from",
            "promised_until", "arrived_at", "done_at", "units", "signed_name", "left_with", "closed_at",
        ]  # fmt: skip

    def get_units(self, row: Appointment) -> list[dict[str, Any]]:
        return list(VisitUnitSerializer(visit_units(row), many=True).data)

    def get_signed_name(self, row: Appointment) -> str:
        return row.stop.signed_name if hasattr(row, "stop") else ""

    def get_left_with(self, row: Appointment) -> str:
        return row.stop.left_with if hasattr(row, "stop") else ""

    def get_closed_at(self, row: Appointment) -> Any:
        return row.stop.closed_at if hasattr(row, "stop") else None


class StopViewSet(ReadViewSet):
    """Install and return visits: outcomes, sign-off, hardware."""

    roles = LOADS
    deed_roles = dict.fromkeys(
        ("arrived", "installed", "not_installed", "undo", "sign", "hardware_used", "photo", "done", "reopen"), INSTALLS
    ) | {"pull": RETURNS, "set_units": OFFICE}
    queryset = Appointment.objects.filter(purpose__in=INSTALLING).select_related(
        "job__branch", "job__site", "crew", "stop"
    )
    serializer_class = StopSerializer
    filterset_fields = ["crew", "day", "state", "purpose"]

    def _again(self, row: Appointment) -> Response:
        return Response(StopSerializer(self.get_queryset().get(pk=row.pk)).data)

    def _units(self, row: Appointment, keys: list[int]) -> list[Unit]:
        return [unit_key(row, key) for key in keys]

    @extend_schema(request=None, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def arrived(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        services.arrive(appointment=row, by=request.user)
        return self._again(row)

    @extend_schema(request=UnitsSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def installed(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), _valid(UnitsSerializer, request)
        services.mark_installed(appointment=row, units=self._units(row, sent["units"]), by=request.user)
        return self._again(row)

    @extend_schema(request=NotInstalledSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def not_installed(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), _valid(NotInstalledSerializer, request)
        unit = unit_key(row, sent.pop("unit"))
        services.mark_not_installed(appointment=row, unit=unit, by=request.user, **sent)
        return self._again(row)

    @extend_schema(request=UnitSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def undo(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), _valid(UnitSerializer, request)
        services.undo_outcome(appointment=row, unit=unit_key(row, sent["unit"]), by=request.user)
        return self._again(row)

    @extend_schema(request=SignSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def sign(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        services.sign(appointment=row, by=request.user, **_valid(SignSerializer, request))
        return self._again(row)

    @extend_schema(request=HardwareUsedSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def hardware_used(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), _valid(HardwareUsedSerializer, request)
        key = sent.pop("item")
        material = Material.objects.filter(branch=row.job.branch, key=key).first() if key else None
        if key and material is None:
            raise Refused(f"{key} is no item of this branch", field="item")
        services.note_hardware(appointment=row, material=material, by=request.user, **sent)
        return self._again(row)

    @extend_schema(request=PhotoSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def photo(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), _valid(PhotoSerializer, request)
        try:
            data = base64.b64decode(sent["data"], validate=True)
        except binascii.Error:
            raise Refused("the photo did not come through whole", field="data") from None
        unit = unit_key(row, sent["unit"]) if sent.get("unit") else None
        services.add_photo(appointment=row, data=data, unit=unit, caption=sent["caption"], by=request.user)
        return self._again(row)

    @extend_schema(request=CloseSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def done(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        services.close_stop(appointment=row, by=request.user, **_valid(CloseSerializer, request))
        return self._again(row)

    @extend_schema(request=None, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def reopen(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        services.reopen_stop(appointment=row, by=request.user)
        return self._again(row)

    @extend_schema(request=UnitsSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def set_units(self, request: ApiRequest, pk: str = "") -> Response:
        """Which units this visit is for."""
        row, sent = self.get_object(), _valid(UnitsSerializer, request)
        units = Unit.objects.filter(pk__in=sent["units"], opening__job=row.job_id)
        services.set_visit_units(appointment=row, units=units, by=request.user)
        return self._again(row)

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def pull(self, request: ApiRequest, pk: str = "") -> Response:
        """Reserves the visit's hardware; what is short is named."""
        pulls = services.pull_hardware(appointment=self.get_object(), by=request.user)
        return Response({"pulls": PullSerializer(pulls, many=True).data})

    @extend_schema(responses=OpenApiTypes.OBJECT)
    @action(detail=True)
    def hardware(self, request: ApiRequest, pk: str = "") -> Response:
        """All the visit needs, line by line, with how each came about."""
        row = self.get_object()
        found = visit_hardware(row)
        return Response(
            {
                "lines": [line.to_json() for line in found.lines],
                "cannot": [{"unit": one.unit.code, "why": one.cannot} for one in found.worked if one.cannot],
                "shortages": [short.to_json() for short in services.shortages_of(row)],
            }
        )


class PullSerializer(serializers.ModelSerializer[Pull]):
    item = serializers.CharField(source="material.key", read_only=True)

    class Meta:
        model = Pull
        fields = ["item", "needed", "held", "short", "state", "why"]


# -- returns -------------------------------------------------------------------------------


class ReturnSerializer(serializers.ModelSerializer[ReturnOwed]):
    unit = serializers.CharField(source="unit.code", read_only=True)
    remake = serializers.CharField(source="remake.code", default="", read_only=True)
    job = serializers.CharField(source="job.number", read_only=True)

    class Meta:
        model = ReturnOwed
        fields = [
            "id", "job", "unit", "cause", "cause_text", "state", "remake", "remeasure", "parts_ready_on", "note",
            "appointment", "opened_at", "decided_at",
        ]  # fmt: skip


class OpenSerializer(serializers.Serializer[Any]):
    job = serializers.IntegerField(min_value=1)
    unit = serializers.IntegerField(min_value=1)
    cause = serializers.ChoiceField(choices=[entry.key for entry in CAUSES])
    note = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class DecideSerializer(serializers.Serializer[Any]):
    remake = serializers.BooleanField()
    remeasure = serializers.BooleanField(default=False)
    parts_ready_on = serializers.DateField(required=False, allow_null=True, default=None)
    note = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class ReadySerializer(serializers.Serializer[Any]):
    parts_ready_on = serializers.DateField(allow_null=True)


class ReasonSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240)


class ReturnViewSet(ReadViewSet):
    """What is owed at sites, and what becomes of it."""

    roles = RETURNS
    deed_roles = dict.fromkeys(("open", "decide", "drop"), OFFICE)
    queryset = ReturnOwed.objects.select_related("unit", "remake", "job")
    serializer_class = ReturnSerializer
    filterset_fields = ["state", "job"]

    def _again(self, row: ReturnOwed) -> Response:
        return Response(ReturnSerializer(self.get_queryset().get(pk=row.pk)).data)

    @extend_schema(request=OpenSerializer, responses=ReturnSerializer)
    @action(detail=False, methods=["post"])
    def open(self, request: ApiRequest) -> Response:
        sent = _valid(OpenSerializer, request)
        job = job_for(request.user, sent["job"])
        unit = Unit.objects.filter(pk=sent["unit"], opening__job=job).first()
        if unit is None:
            raise Refused("this unit is not of that job", field="unit")
        owed = services.open_return(unit=unit, cause_key=sent["cause"], note=sent["note"], by=request.user)
        return self._again(owed)

    @extend_schema(request=DecideSerializer, responses=ReturnSerializer)
    @action(detail=True, methods=["post"])
    def decide(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        services.decide_return(owed=row, by=request.user, **_valid(DecideSerializer, request))
        return self._again(row)

    @extend_schema(request=ReadySerializer, responses=ReturnSerializer)
    @action(detail=True, methods=["post"])
    def ready(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), _valid(ReadySerializer, request)
        services.set_parts_ready(owed=row, ready_on=sent["parts_ready_on"], by=request.user)
        return self._again(row)

    @extend_schema(request=ReasonSerializer, responses=ReturnSerializer)
    @action(detail=True, methods=["post"])
    def drop(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        services.drop_return(owed=row, by=request.user, **_valid(ReasonSerializer, request))
        return self._again(row)


# -- rules, vans, a job's hardware, figures -----------------------------------------------------


class RulesSerializer(serializers.ModelSerializer[HardwareRules]):
    class Meta:
        model = HardwareRules
        fields = ["id", "branch", "revision", "is_current", "note", "saved_at", "definition"]


class SaveRulesSerializer(serializers.Serializer[Any]):
    definition = serializers.JSONField()
    note = serializers.CharField(max_length=240)
    seen = serializers.IntegerField(
        min_value=1, required=False, help_text="the revision it was made from; refused where another was kept since"
    )


class CopySerializer(serializers.Serializer[Any]):
    path = serializers.CharField(max_length=120, help_text="an entry, such as fasteners.hollow")
    key = serializers.CharField(max_length=60)


class ChangeRulesSerializer(serializers.Serializer[Any]):
    """Single fields by their paths, such as ``brackets.slat.sizes[0].height``, as text."""

    changes = serializers.DictField(child=serializers.CharField(allow_blank=True, max_length=2000), default=dict)
    remove = serializers.ListField(child=serializers.CharField(max_length=120), default=list, max_length=200)
    copy = CopySerializer(required=False)
    seen = serializers.IntegerField(min_value=1)
    note = serializers.CharField(max_length=240)


class RulesViewSet(ReadViewSet):
    """The hardware rules, every revision."""

    roles = (OWNER, WORKROOM, DISPATCHER)
    deed_roles = dict.fromkeys(("save", "change"), (OWNER, WORKROOM))
    queryset = HardwareRules.objects.all()
    serializer_class = RulesSerializer
    filterset_fields = ["is_current"]

    @extend_schema(request=SaveRulesSerializer, responses=RulesSerializer)
    @action(detail=False, methods=["post"])
    def save(self, request: ApiRequest) -> Response:
        """A new revision, checked field by field."""
        sent = _valid(SaveRulesSerializer, request)
        if not isinstance(sent["definition"], dict):
            raise Refused("the rules are one object", field="definition")
        row = services.save_rules(branch=request.user.own_branch, by=request.user, **sent)
        return Response(RulesSerializer(row).data, status=201)

    @extend_schema(request=ChangeRulesSerializer, responses=RulesSerializer)
    @action(detail=False, methods=["post"])
    def change(self, request: ApiRequest) -> Response:
        """A new revision with single fields changed, rows taken out, an entry copied."""
        sent = _valid(ChangeRulesSerializer, request)
        copy = sent.pop("copy", None)
        twin = (copy["path"], copy["key"]) if copy else None
        row = services.change_rules(branch=request.user.own_branch, by=request.user, copy=twin, **sent)
        return Response(RulesSerializer(row).data, status=201)


class VanSerializer(serializers.ModelSerializer[VanStock]):
    item = serializers.CharField(source="material.key", read_only=True)
    name = serializers.CharField(source="material.name", read_only=True)

    class Meta:
        model = VanStock
        fields = ["id", "crew", "item", "name", "quantity", "least", "most", "to_take"]


class CountSerializer(serializers.Serializer[Any]):
    quantity = serializers.IntegerField(min_value=0, required=False)
    least = serializers.IntegerField(min_value=0, required=False)
    most = serializers.IntegerField(min_value=0, required=False)


class CrewSerializer(serializers.Serializer[Any]):
    crew = serializers.IntegerField(min_value=1)


class VanViewSet(ReadViewSet):
    """What the vans carry."""

    roles = LOADS
    queryset = VanStock.objects.select_related("material", "crew")
    serializer_class = VanSerializer
    filterset_fields = ["crew"]

    @extend_schema(request=CountSerializer, responses=VanSerializer)
    @action(detail=True, methods=["post"])
    def count(self, request: ApiRequest, pk: str = "") -> Response:
        row = services.set_van_row(row=self.get_object(), by=request.user, **_valid(CountSerializer, request))
        return Response(VanSerializer(row).data)

    @extend_schema(request=CrewSerializer, responses=OpenApiTypes.OBJECT)
    @action(detail=False, methods=["post"])
    def top_up(self, request: ApiRequest) -> Response:
        """Fills a van from the shelf."""
        crew = crew_for(request.user, _valid(CrewSerializer, request)["crew"])
        done = services.top_up_van(crew=crew, by=request.user)
        return Response(
            {"rows": [{"item": row.material.key, "taken": taken, "lacking": lack} for row, taken, lack in done]}
        )


class InstallsViewSet(ViewSet):
    """A job's hardware and installs; the owner's figures."""

    queryset = Job.objects.none()  # names the type of the key in the schema
    permission_classes = [HasRole]
    roles: tuple[str, ...] = LOADS
    deed_roles = {"plan": OFFICE, "figures": (OWNER, DISPATCHER)}

    @extend_schema(responses=OpenApiTypes.OBJECT, parameters=[])
    @action(detail=True)
    def hardware(self, request: ApiRequest, pk: str = "0") -> Response:
        """Every unit of a job with its hardware; `pk` is the job's key."""
        job = job_for(request.user, int(pk) if pk.isdigit() else 0)
        worked = work_out(units_of_job(job), rules_of(job.branch))
        rows = [
            {
                "unit": one.unit.code,
                "cannot": one.cannot,
                "hardware": one.hardware.to_json() if one.hardware is not None else None,
            }
            for one in worked
        ]
        return Response({"job": job.number, "units": rows})

    @extend_schema(request=UnitsSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def plan(self, request: ApiRequest, pk: str = "0") -> Response:
        """An install visit of a job, unplaced; without units it is for all that is to be installed."""
        job = job_for(request.user, int(pk) if pk.isdigit() else 0)
        keys = request.data.get("units") if isinstance(request.data, dict) else None
        units = None
        if keys:
            wanted = _valid(UnitsSerializer, request)["units"]
            units = list(with_needs(Unit.objects.filter(pk__in=wanted, opening__job=job)))
        visit = services.plan_install(job=job, by=request.user, units=units)
        return Response(StopSerializer(visit).data, status=201)

    @extend_schema(responses=OpenApiTypes.OBJECT)
    @action(detail=False)
    def figures(self, request: ApiRequest) -> Response:
        """The owner's figures, a row a week."""
        from installs.views.figures import branch_of, crew_of
        from installs.views.loads import today_of

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


def register(router: DefaultRouter) -> None:
    """The routes of this room."""
    router.register("loads", LoadViewSet, basename="load")
    router.register("stops", StopViewSet, basename="stop")
    router.register("returns", ReturnViewSet, basename="return")
    router.register("hardware-rules", RulesViewSet, basename="hardware-rules")
    router.register("vans", VanViewSet, basename="van")
    router.register("installs", InstallsViewSet, basename="installs")

