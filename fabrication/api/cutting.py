"""Cut plans and their cuts over the API."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from fabrication.access import LOOKS, WORKS
from fabrication.api.base import PieceSerializer, ReasonSerializer
from fabrication.models import CutPlan, PlannedCut
from fabrication.services import bench, miscuts
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.fields import LengthSerializerField
from shared.routes import RunSerializer


class PlannedCutSerializer(serializers.ModelSerializer[PlannedCut]):
    stock = serializers.CharField(source="item.code", read_only=True)
    length = LengthSerializerField(read_only=True)
    left = LengthSerializerField(read_only=True)
    miscut = serializers.CharField(read_only=True, help_text="why pieces were spoiled; empty where none was")

    class Meta:
        model = PlannedCut
        fields = ["id", "order", "stock", "length", "pieces", "left", "keeps_offcut", "state", "miscut"]


class CutPlanSerializer(serializers.ModelSerializer[CutPlan]):
    material = serializers.CharField(source="material.key", read_only=True)
    cuts = PlannedCutSerializer(many=True, read_only=True)
    cuts_done = serializers.IntegerField(read_only=True, help_text="by plans that were replaced since too")
    cuts_left = serializers.IntegerField(read_only=True)

    class Meta:
        model = CutPlan
        fields = [
            "id", "batch", "material", "revision", "state", "run", "answer", "unplaced", "before", "cuts",
            "cuts_done", "cuts_left",
        ]  # fmt: skip


class PiecesSerializer(serializers.Serializer[None]):
    parts = serializers.ListField(child=IdField(), max_length=500)


class SecondsSerializer(serializers.Serializer[None]):
    seconds = serializers.IntegerField(min_value=1, max_value=600, required=False)
    any_lot = serializers.BooleanField(default=False)


class UndoSerializer(serializers.Serializer[None]):
    reason = serializers.CharField(max_length=120, required=False, allow_blank=True)


class FlawSerializer(serializers.Serializer[None]):
    start = LengthSerializerField()
    end = LengthSerializerField()
    note = serializers.CharField(max_length=80, required=False)


class LeftSerializer(serializers.Serializer[None]):
    length = LengthSerializerField()
    width = LengthSerializerField(required=False, help_text="of cloth")


class MiscutSerializer(ReasonSerializer):
    """What was really cut: without `good` what was tapped as cut, without `left` what the plan leaves beside it."""

    spoiled = serializers.ListField(child=IdField(min_value=0), min_length=1, max_length=200)
    good = serializers.ListField(child=IdField(min_value=0), required=False, max_length=200)
    left = LeftSerializer(many=True, required=False)
    run_off = LengthSerializerField(required=False, help_text="of a roll, where it is not what was planned")


class CutPlanViewSet(ReadViewSet[CutPlan]):
    """Cut plans with their cuts."""

    queryset = CutPlan.objects.counted().select_related("material").prefetch_related("cuts__item")
    serializer_class = CutPlanSerializer
    filterset_fields = ["batch", "state"]
    roles = LOOKS


class PlannedCutViewSet(ReadViewSet[PlannedCut]):
    """One stock piece or cross cut, and the actions at the saw."""

    queryset = PlannedCut.objects.select_related("item", "plan__batch")
    serializer_class = PlannedCutSerializer
    roles = LOOKS
    action_roles = dict.fromkeys(["cut", "undo", "miscut", "piece", "undo_piece", "flaw"], WORKS)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def cut(self, request: ApiRequest, pk: str = "") -> Response:
        """It is cut."""
        return Response(PlannedCutSerializer(bench.mark_cut(cut=self.get_object(), by=request.user)).data)

    @extend_schema(request=UndoSerializer)
    @action(detail=True, methods=["post"])
    def undo(self, request: ApiRequest, pk: str = "") -> Response:
        """It was not cut after all."""
        cut = bench.undo_cut(cut=self.get_object(), by=request.user, **valid(UndoSerializer, request))
        return Response(PlannedCutSerializer(cut).data)

    @extend_schema(request=PieceSerializer)
    @action(detail=True, methods=["post"])
    def piece(self, request: ApiRequest, pk: str = "") -> Response:
        """One of its pieces is cut."""
        cut = bench.mark_piece(cut=self.get_object(), by=request.user, **valid(PieceSerializer, request))
        return Response(PlannedCutSerializer(cut).data)

    @extend_schema(request=PieceSerializer)
    @action(detail=True, methods=["post"], url_path="undo-piece")
    def undo_piece(self, request: ApiRequest, pk: str = "") -> Response:
        """It was not cut after all."""
        cut = bench.undo_piece(cut=self.get_object(), by=request.user, **valid(PieceSerializer, request))
        return Response(PlannedCutSerializer(cut).data)

    @extend_schema(request=FlawSerializer, responses={202: RunSerializer(many=True)})
    @action(detail=True, methods=["post"])
    def flaw(self, request: ApiRequest, pk: str = "") -> Response:
        """A flaw found at the table; what is left is planned anew."""
        runs = miscuts.report_flaw(cut=self.get_object(), by=request.user, **valid(FlawSerializer, request))
        return Response(RunSerializer(runs, many=True).data, status=202)

    @extend_schema(request=MiscutSerializer, responses={202: RunSerializer})
    @action(detail=True, methods=["post"])
    def miscut(self, request: ApiRequest, pk: str = "") -> Response:
        """Pieces were spoiled; what is left is planned anew."""
        sent = valid(MiscutSerializer, request)
        if "left" in sent:
            sent["left"] = [(row["length"], row.get("width")) for row in sent["left"]]
        run = miscuts.report_miscut(cut=self.get_object(), by=request.user, **sent)
        return Response(RunSerializer(run).data, status=202)
