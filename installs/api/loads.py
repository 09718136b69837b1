"""Loads over the API."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from installs.access import LOADS, crew_for
from installs.models import Load, LoadLine
from installs.services import loads as services
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.errors import Refused
from shared.fields import DayField


class LoadLineSerializer(serializers.ModelSerializer[LoadLine]):
    unit_code = serializers.CharField(source="unit.code", default="", read_only=True)
    material = serializers.CharField(source="material.key", default="", read_only=True)

    class Meta:
        model = LoadLine
        fields = [
            "id",
            "order",
            "section",
            "unit_code",
            "package",
            "material",
            "text",
            "quantity",
            "checked",
            "returned",
            "why",
        ]


class LoadSerializer(serializers.ModelSerializer[Load]):
    lines = LoadLineSerializer(many=True, read_only=True)

    class Meta:
        model = Load
        fields = ["id", "crew", "day", "state", "left_at", "back_at", "gap_reason", "weight_g", "findings", "lines"]


class MakeLoadSerializer(serializers.Serializer[None]):
    crew = IdField()
    day = DayField()


class CodeSerializer(serializers.Serializer[None]):
    code = serializers.CharField(max_length=200)
    bundle = serializers.BooleanField(default=False)


class CheckSerializer(serializers.Serializer[None]):
    lines = serializers.ListField(child=IdField(), min_length=1, max_length=1000)
    count = serializers.IntegerField(min_value=0, max_value=100_000, required=False, allow_null=True)


class LeaveSerializer(serializers.Serializer[None]):
    reason = serializers.CharField(max_length=240, required=False, allow_blank=True, default="")


class PutBackSerializer(serializers.Serializer[None]):
    line = IdField()
    count = serializers.IntegerField(min_value=0, max_value=100_000)


class LoadViewSet(ReadViewSet[Load]):
    """The truck's load of a crew-day."""

    roles = LOADS
    queryset = Load.objects.select_related("crew__branch").prefetch_related("lines__unit", "lines__material")
    serializer_class = LoadSerializer
    filterset_fields = ["crew", "day", "state"]

    def _again(self, load: Load) -> Response:
        return Response(LoadSerializer(self.get_queryset().get(pk=load.pk)).data)

    @extend_schema(request=MakeLoadSerializer, responses={200: LoadSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Puts the list of a crew-day together, or brings it up to date."""
        sent = valid(MakeLoadSerializer, request)
        crew = crew_for(request.user, sent["crew"])
        return self._again(services.refresh_load(crew=crew, day=sent["day"], by=request.user))

    @extend_schema(request=CheckSerializer, responses=LoadSerializer)
    @action(detail=True, methods=["post"])
    def check(self, request: ApiRequest, pk: str = "") -> Response:
        """Ticks lines off as on the truck."""
        load, sent = self.get_object(), valid(CheckSerializer, request)
        lines = load.lines.filter(pk__in=sent["lines"])
        services.check_lines(load=load, lines=lines, count=sent.get("count"), by=request.user)
        return self._again(load)

    @extend_schema(request=CodeSerializer, responses=LoadSerializer)
    @action(detail=True, methods=["post"])
    def code(self, request: ApiRequest, pk: str = "") -> Response:
        """Ticks off by the code on a label."""
        load, sent = self.get_object(), valid(CodeSerializer, request)
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
        services.leave_yard(load=load, by=request.user, **valid(LeaveSerializer, request))
        return self._again(load)

    @extend_schema(request=PutBackSerializer, responses=LoadSerializer)
    @action(detail=True, methods=["post"], url_path="put-back")
    def put_back(self, request: ApiRequest, pk: str = "") -> Response:
        """So many of one line came back."""
        load, sent = self.get_object(), valid(PutBackSerializer, request)
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
