"""Stops of the install day over the API: what went up, what did not, the sign-off."""

from __future__ import annotations

import base64
from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from fabrication.models import Material
from installs.access import INSTALLS, LOADS, OFFICE, RETURNS, unit_key
from installs.adapters.evaluation import visit_units
from installs.api.base import UnitsSerializer
from installs.models import Pull, VisitUnit
from installs.rules.causes import CAUSES
from installs.services import hardware as hardware_services
from installs.services import stops, visits
from installs.services.hardware import visit_hardware
from jobs.models import INSTALLING, Appointment
from measuring.models import Unit
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.errors import Refused
from shared.pictures import LARGEST_PHOTO

# -- stops ---------------------------------------------------------------------------------


class VisitUnitSerializer(serializers.ModelSerializer[VisitUnit]):
    code = serializers.CharField(source="unit.code", read_only=True)
    opening = serializers.CharField(source="unit.opening", read_only=True)

    class Meta:
        model = VisitUnit
        fields = ["unit", "code", "opening", "outcome", "cause", "note", "marked_at"]


class NotInstalledSerializer(serializers.Serializer[None]):
    unit = IdField()
    cause = serializers.ChoiceField(choices=[entry.key for entry in CAUSES])
    note = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class UnitSerializer(serializers.Serializer[None]):
    unit = IdField()


def no_strokes() -> Any:
    return []


class SignSerializer(serializers.Serializer[None]):
    name = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")
    strokes = serializers.JSONField(required=False, default=no_strokes)
    left_with = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")


class HardwareUsedSerializer(serializers.Serializer[None]):
    material = serializers.SlugField(max_length=50, required=False, allow_blank=True, default="")
    change = serializers.IntegerField(min_value=-10_000, max_value=10_000, default=0)
    note = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class PhotoSerializer(serializers.Serializer[None]):
    photo = serializers.CharField(max_length=4 * LARGEST_PHOTO // 3 + 4, help_text="the picture, base64")
    unit = IdField(required=False, allow_null=True)
    caption = serializers.CharField(max_length=160, required=False, allow_blank=True, default="")


class CloseSerializer(serializers.Serializer[None]):
    note = serializers.CharField(max_length=2000, required=False, allow_blank=True, default="")


class StopSerializer(serializers.ModelSerializer[Appointment]):
    """An install or return visit as it goes."""

    job_number = serializers.CharField(source="job.number", read_only=True)
    address = serializers.CharField(source="job.site.address", read_only=True)
    units = serializers.SerializerMethodField()
    signed_name = serializers.SerializerMethodField()
    left_with = serializers.SerializerMethodField()
    closed_at = serializers.SerializerMethodField()

    class Meta:
        model = Appointment
        fields = [
            "id", "job_number", "address", "purpose", "state", "crew", "day", "starts_at", "promised_from",
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


class StopViewSet(ReadViewSet[Appointment]):
    """Install and return visits: outcomes, sign-off, hardware."""

    roles = LOADS
    action_roles = dict.fromkeys(
        ("arrived", "installed", "not_installed", "undo", "sign", "hardware_used", "photos", "done", "reopen"), INSTALLS
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
        stops.arrive(appointment=row, by=request.user)
        return self._again(row)

    @extend_schema(request=UnitsSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def installed(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), valid(UnitsSerializer, request)
        stops.mark_installed(appointment=row, units=self._units(row, sent["units"]), by=request.user)
        return self._again(row)

    @extend_schema(request=NotInstalledSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"], url_path="not-installed")
    def not_installed(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), valid(NotInstalledSerializer, request)
        unit = unit_key(row, sent.pop("unit"))
        stops.mark_not_installed(appointment=row, unit=unit, by=request.user, **sent)
        return self._again(row)

    @extend_schema(request=UnitSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def undo(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), valid(UnitSerializer, request)
        stops.undo_outcome(appointment=row, unit=unit_key(row, sent["unit"]), by=request.user)
        return self._again(row)

    @extend_schema(request=SignSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def sign(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        stops.sign(appointment=row, by=request.user, **valid(SignSerializer, request))
        return self._again(row)

    @extend_schema(request=HardwareUsedSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"], url_path="hardware-used")
    def hardware_used(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), valid(HardwareUsedSerializer, request)
        key = sent.pop("material")
        material = Material.objects.filter(branch=row.job.branch, key=key).first() if key else None
        if key and material is None:
            raise Refused(f"{key} is no item of this branch", field="material")
        stops.note_hardware(appointment=row, material=material, by=request.user, **sent)
        return self._again(row)

    @extend_schema(request=PhotoSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def photos(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), valid(PhotoSerializer, request)
        try:
            data = base64.b64decode(sent["photo"], validate=True)
        except ValueError:
            raise Refused("the photo did not come through whole", field="photo") from None
        unit = unit_key(row, sent["unit"]) if sent.get("unit") else None
        stops.add_photo(appointment=row, data=data, unit=unit, caption=sent["caption"], by=request.user)
        return self._again(row)

    @extend_schema(request=CloseSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def done(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        stops.close_stop(appointment=row, by=request.user, **valid(CloseSerializer, request))
        return self._again(row)

    @extend_schema(request=None, responses=StopSerializer)
    @action(detail=True, methods=["post"])
    def reopen(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        stops.reopen_stop(appointment=row, by=request.user)
        return self._again(row)

    @extend_schema(request=UnitsSerializer, responses=StopSerializer)
    @action(detail=True, methods=["post"], url_path="set-units")
    def set_units(self, request: ApiRequest, pk: str = "") -> Response:
        """Which units this visit is for."""
        row, sent = self.get_object(), valid(UnitsSerializer, request)
        units = Unit.objects.filter(pk__in=sent["units"], opening__job=row.job_id)
        visits.set_visit_units(appointment=row, units=units, by=request.user)
        return self._again(row)

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def pull(self, request: ApiRequest, pk: str = "") -> Response:
        """Reserves the visit's hardware; what is short is named."""
        pulls = hardware_services.pull_hardware(appointment=self.get_object(), by=request.user)
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
                "cannot": [{"unit_code": one.unit.code, "why": one.cannot} for one in found.worked if one.cannot],
                "shortages": [short.to_json() for short in hardware_services.shortages_of(row)],
            }
        )


class PullSerializer(serializers.ModelSerializer[Pull]):
    material = serializers.CharField(source="material.key", read_only=True)

    class Meta:
        model = Pull
        fields = ["material", "needed", "held", "short", "state", "why"]
