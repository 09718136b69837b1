"""Returns over the API."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from installs.access import OFFICE, RETURNS, job_for
from installs.api.base import ReasonSerializer
from installs.models import ReturnOwed
from installs.rules.causes import CAUSES
from installs.services import returns as services
from measuring.models import Unit
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.errors import Refused
from shared.fields import DayField


class ReturnSerializer(serializers.ModelSerializer[ReturnOwed]):
    unit_code = serializers.CharField(source="unit.code", read_only=True)
    remake_code = serializers.CharField(source="remake.code", default="", read_only=True)
    job_number = serializers.CharField(source="job.number", read_only=True)

    class Meta:
        model = ReturnOwed
        fields = [
            "id", "job_number", "unit_code", "cause", "cause_text", "state", "remake_code", "remeasure",
            "parts_ready_on", "note", "appointment", "opened_at", "decided_at",
        ]  # fmt: skip


class OpenSerializer(serializers.Serializer[None]):
    job = IdField()
    unit = IdField()
    cause = serializers.ChoiceField(choices=[entry.key for entry in CAUSES])
    note = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class DecideSerializer(serializers.Serializer[None]):
    remake = serializers.BooleanField()
    remeasure = serializers.BooleanField(default=False)
    parts_ready_on = DayField(required=False, allow_null=True, default=None)
    note = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class ReadySerializer(serializers.Serializer[None]):
    parts_ready_on = DayField(allow_null=True)


class ReturnViewSet(ReadViewSet[ReturnOwed]):
    """What is owed at sites, and what becomes of it."""

    roles = RETURNS
    action_roles = dict.fromkeys(("create", "decide", "drop"), OFFICE)
    queryset = ReturnOwed.objects.select_related("unit", "remake", "job")
    serializer_class = ReturnSerializer
    filterset_fields = ["state", "job"]

    def _again(self, row: ReturnOwed) -> Response:
        return Response(ReturnSerializer(self.get_queryset().get(pk=row.pk)).data)

    @extend_schema(request=OpenSerializer, responses={200: ReturnSerializer})
    def create(self, request: ApiRequest) -> Response:
        """A return is owed for a unit."""
        sent = valid(OpenSerializer, request)
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
        services.decide_return(owed=row, by=request.user, **valid(DecideSerializer, request))
        return self._again(row)

    @extend_schema(request=ReadySerializer, responses=ReturnSerializer)
    @action(detail=True, methods=["post"])
    def ready(self, request: ApiRequest, pk: str = "") -> Response:
        row, sent = self.get_object(), valid(ReadySerializer, request)
        services.set_parts_ready(owed=row, ready_on=sent["parts_ready_on"], by=request.user)
        return self._again(row)

    @extend_schema(request=ReasonSerializer, responses=ReturnSerializer)
    @action(detail=True, methods=["post"])
    def drop(self, request: ApiRequest, pk: str = "") -> Response:
        row = self.get_object()
        services.drop_return(owed=row, by=request.user, **valid(ReasonSerializer, request))
        return self._again(row)
