"""Batches over the API."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from fabrication.access import LOOKS, WORKS
from fabrication.api.base import ReasonSerializer
from fabrication.api.cutting import SecondsSerializer
from fabrication.models import Batch
from fabrication.services import batches, planning
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.routes import RunSerializer


class BatchSerializer(serializers.ModelSerializer[Batch]):
    makes: Any = serializers.PrimaryKeyRelatedField(many=True, read_only=True)

    class Meta:
        model = Batch
        fields = ["id", "number", "state", "due_on", "note", "makes"]


class MakesSerializer(serializers.Serializer[None]):
    """Keys of units as they are made."""

    makes = serializers.ListField(child=IdField(), min_length=1, max_length=2000)


class BatchViewSet(ReadViewSet[Batch]):
    """Batches, and the actions on them."""

    queryset = Batch.objects.prefetch_related("makes")
    serializer_class = BatchSerializer
    filterset_fields = ["state"]
    roles = LOOKS
    action_roles = dict.fromkeys(["create", "add", "take_out", "split", "plan", "cancel"], WORKS)

    @extend_schema(request=MakesSerializer, responses={201: BatchSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Open a batch of waiting units."""
        batch = batches.open_batch(branch=request.user.own_branch, by=request.user, **valid(MakesSerializer, request))
        return Response(BatchSerializer(batch).data, status=201)

    @extend_schema(request=MakesSerializer)
    @action(detail=True, methods=["post"])
    def add(self, request: ApiRequest, pk: str = "") -> Response:
        """Put waiting units into the batch."""
        batch = batches.add_units(batch=self.get_object(), by=request.user, **valid(MakesSerializer, request))
        return Response(BatchSerializer(batch).data)

    @extend_schema(request=MakesSerializer)
    @action(detail=True, methods=["post"], url_path="take-out")
    def take_out(self, request: ApiRequest, pk: str = "") -> Response:
        """Take units out of the batch."""
        batch = batches.take_out(batch=self.get_object(), by=request.user, **valid(MakesSerializer, request))
        return Response(BatchSerializer(batch).data)

    @extend_schema(request=MakesSerializer, responses={201: BatchSerializer})
    @action(detail=True, methods=["post"])
    def split(self, request: ApiRequest, pk: str = "") -> Response:
        """Move units into a new batch."""
        batch = batches.split_batch(batch=self.get_object(), by=request.user, **valid(MakesSerializer, request))
        return Response(BatchSerializer(batch).data, status=201)

    @extend_schema(request=SecondsSerializer, responses={202: RunSerializer(many=True)})
    @action(detail=True, methods=["post"])
    def plan(self, request: ApiRequest, pk: str = "") -> Response:
        """Plan the cuts of every material: one run each."""
        runs = planning.plan_batch(batch=self.get_object(), by=request.user, **valid(SecondsSerializer, request))
        return Response(RunSerializer(runs, many=True).data, status=202)

    @extend_schema(request=ReasonSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: ApiRequest, pk: str = "") -> Response:
        """Give the units back."""
        batch = batches.cancel_batch(batch=self.get_object(), by=request.user, **valid(ReasonSerializer, request))
        return Response(BatchSerializer(batch).data)
