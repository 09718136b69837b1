"""A firm's own goods over the API: materials, suppliers, tolerances."""

from __future__ import annotations

import datetime as dt
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, viewsets
from rest_framework.response import Response

from fabrication.access import WORKS
from fabrication.models import Material, Supplier, Tolerance
from fabrication.services import range as services
from fabrication.services import range_tables
from fabrication.services.making import OWN
from jobs.api.base import mine
from measuring.models import Family
from shared.api import ApiRequest, HasRole, ReadViewSet, valid
from shared.fields import DayField, LengthSerializerField
from shared.routes import RunSerializer


class MaterialSerializer(serializers.ModelSerializer[Material]):
    """`facts` as they are kept: lengths as text in inches unless they say mm, numbers as text."""

    kerf = LengthSerializerField(required=False, allow_null=True)
    trim = LengthSerializerField(required=False, allow_null=True)
    keep = LengthSerializerField(required=False, allow_null=True)
    supplier = serializers.PrimaryKeyRelatedField(queryset=Supplier.objects.all(), required=False, allow_null=True)
    facts = serializers.DictField(required=False)

    class Meta:
        model = Material
        fields = ["id", "key", "kind", *services.MATERIAL_COLUMNS]
        read_only_fields = ["key"]

    def validate_supplier(self, supplier: Supplier | None) -> Supplier | None:
        return mine(self, Supplier, supplier)


class MaterialViewSet(ReadViewSet[Material]):
    """Materials: what is cut and pulled, how it is bought and sawn."""

    queryset = Material.objects.exclude(key__startswith=OWN)
    serializer_class = MaterialSerializer
    filterset_fields = ["kind", "is_active"]
    roles = WORKS

    @extend_schema(request=MaterialSerializer, responses={201: MaterialSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Another material; its key is made of its name."""
        values = dict(valid(MaterialSerializer, request))
        kind = values.pop("kind")
        made = services.save_material(branch=request.user.own_branch, by=request.user, kind=kind, values=values)
        return Response(MaterialSerializer(made, context={"request": request}).data, status=201)

    @extend_schema(request=MaterialSerializer)
    def update(self, request: ApiRequest, pk: str = "") -> Response:
        """Its figures anew; what is left out stays, a fact that is null goes."""
        row = self.get_object()
        sent = MaterialSerializer(row, data=request.data, partial=True, context={"request": request})
        sent.is_valid(raise_exception=True)
        values = dict(sent.validated_data)
        values.pop("kind", None)
        row = services.save_material(branch=row.branch, by=request.user, material=row, values=values)
        return Response(MaterialSerializer(row, context={"request": request}).data)


class SupplierSerializer(serializers.ModelSerializer[Supplier]):
    closed = serializers.ListField(
        child=serializers.ListField(child=DayField(), min_length=2, max_length=2),
        required=False,
        max_length=services.MOST_SHUTDOWNS,
        help_text="First and last day of each shutdown.",
    )

    def validate_closed(self, spans: list[list[dt.date]]) -> list[list[str]]:
        return [[day.isoformat() for day in span] for span in spans]

    class Meta:
        model = Supplier
        fields = ["id", *services.SUPPLIER_COLUMNS]


class SupplierViewSet(ReadViewSet[Supplier]):
    """Who materials and units are bought from."""

    queryset = Supplier.objects.all()
    serializer_class = SupplierSerializer
    roles = WORKS

    @extend_schema(request=SupplierSerializer, responses={201: SupplierSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Another supplier."""
        values = valid(SupplierSerializer, request)
        made = services.save_supplier(branch=request.user.own_branch, by=request.user, values=values)
        return Response(SupplierSerializer(made).data, status=201)

    @extend_schema(request=SupplierSerializer)
    def update(self, request: ApiRequest, pk: str = "") -> Response:
        """Name, address and lead time anew."""
        row, values = self.get_object(), valid(SupplierSerializer, request)
        row = services.save_supplier(branch=row.branch, by=request.user, supplier=row, values=values)
        return Response(SupplierSerializer(row).data)


class ToleranceSerializer(serializers.ModelSerializer[Tolerance]):
    family = serializers.ChoiceField(choices=Family.choices)
    width_under = LengthSerializerField()
    width_over = LengthSerializerField()
    width_over_inside = LengthSerializerField()
    height_under = LengthSerializerField()
    height_over = LengthSerializerField()

    class Meta:
        model = Tolerance
        fields = ["id", "family", *services.OFF_COLUMNS]
        validators: list[Any] = []


class ToleranceViewSet(ReadViewSet[Tolerance]):
    """How far finished units may be off, a row a family."""

    queryset = Tolerance.objects.all()
    serializer_class = ToleranceSerializer
    roles = WORKS

    @extend_schema(request=ToleranceSerializer, responses={200: ToleranceSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Set a family's."""
        values = dict(valid(ToleranceSerializer, request))
        family = values.pop("family")
        row = services.save_tolerance(branch=request.user.own_branch, by=request.user, family=family, values=values)
        return Response(ToleranceSerializer(row, context={"request": request}).data)


class RangeImportSerializer(serializers.Serializer[None]):
    what = serializers.ChoiceField(choices=range_tables.WHAT)
    text = serializers.CharField(max_length=4_000_000, help_text="CSV, one line a material or supplier")
    dry = serializers.BooleanField(default=True, help_text="write nothing: say what would become of each line and cell")


class RangeImportViewSet(viewsets.ViewSet):
    """Materials and suppliers from CSV."""

    permission_classes = [HasRole]
    roles = WORKS

    @extend_schema(request=RangeImportSerializer, responses={202: RunSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Ask for an import: the run that looks at it or keeps it; its result has each line, with what is wrong."""
        asked = valid(RangeImportSerializer, request)
        run = range_tables.ask_for_import(branch=request.user.own_branch, by=request.user, **asked)
        return Response(RunSerializer(run).data, status=202)
