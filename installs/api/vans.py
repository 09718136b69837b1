"""What the vans carry, over the API."""

from __future__ import annotations

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from installs.access import LOADS, crew_for
from installs.models import VanStock
from installs.services import hardware as services
from shared.api import ApiRequest, IdField, ReadViewSet, valid


class VanSerializer(serializers.ModelSerializer[VanStock]):
    material = serializers.CharField(source="material.key", read_only=True)
    name = serializers.CharField(source="material.name", read_only=True)

    class Meta:
        model = VanStock
        fields = ["id", "crew", "material", "name", "quantity", "least", "most", "to_take"]


class CountSerializer(serializers.Serializer[None]):
    quantity = serializers.IntegerField(min_value=0, max_value=100_000, required=False)
    least = serializers.IntegerField(min_value=0, max_value=100_000, required=False)
    most = serializers.IntegerField(min_value=0, max_value=100_000, required=False)


class CrewSerializer(serializers.Serializer[None]):
    crew = IdField()


class VanViewSet(ReadViewSet[VanStock]):
    """What the vans carry."""

    roles = LOADS
    queryset = VanStock.objects.select_related("material", "crew")
    serializer_class = VanSerializer
    filterset_fields = ["crew"]

    @extend_schema(request=CountSerializer, responses=VanSerializer)
    @action(detail=True, methods=["post"])
    def count(self, request: ApiRequest, pk: str = "") -> Response:
        row = services.set_van_row(row=self.get_object(), by=request.user, **valid(CountSerializer, request))
        return Response(VanSerializer(row).data)

    @extend_schema(request=CrewSerializer, responses=OpenApiTypes.OBJECT)
    @action(detail=False, methods=["post"], url_path="top-up")
    def top_up(self, request: ApiRequest) -> Response:
        """Fills a van from the shelf."""
        crew = crew_for(request.user, valid(CrewSerializer, request)["crew"])
        done = services.top_up_van(crew=crew, by=request.user)
        return Response(
            {"rows": [{"material": row.material.key, "taken": taken, "lacking": lack} for row, taken, lack in done]}
        )
