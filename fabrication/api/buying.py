"""Purchases over the API."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from fabrication.access import WORKS
from fabrication.models import Material, Purchase, PurchaseLine, Supplier
from fabrication.services import buying
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.fields import DayField, LengthSerializerField


class PurchaseLineSerializer(serializers.ModelSerializer[PurchaseLine]):
    material = serializers.CharField(source="material.key", read_only=True, default=None)
    length = LengthSerializerField(read_only=True)
    width = LengthSerializerField(read_only=True)

    class Meta:
        model = PurchaseLine
        fields = [
            "id", "make", "material", "quantity", "length", "width", "price", "mount", "basis", "state", "differences",
            "packages_received", "note",
        ]  # fmt: skip


class PurchaseSerializer(serializers.ModelSerializer[Purchase]):
    supplier = serializers.CharField(source="supplier.name", read_only=True)
    lines = PurchaseLineSerializer(many=True, read_only=True)

    class Meta:
        model = Purchase
        fields = ["id", "number", "supplier", "state", "ordered_at", "ships_on", "expected_on", "lines"]


class StockLineSerializer(serializers.Serializer[None]):
    material = serializers.SlugField(max_length=50)
    quantity = serializers.IntegerField(min_value=1, max_value=100_000)
    length = LengthSerializerField(required=False)
    width = LengthSerializerField(required=False)
    price = serializers.DecimalField(max_digits=10, decimal_places=2, min_value=0, max_value=1_000_000, required=False)


class OrderSerializer(serializers.Serializer[None]):
    """Units that are bought in, or lines of stock."""

    supplier = IdField()
    makes = serializers.ListField(child=IdField(), required=False, max_length=500)
    lines = StockLineSerializer(many=True, required=False)

    def validate(self, attrs: dict[str, object]) -> dict[str, Any]:
        """One or the other."""
        if bool(attrs.get("makes")) == bool(attrs.get("lines")):
            raise serializers.ValidationError({"makes": "name units or lines of stock, not both"})
        return attrs


class ShipDateSerializer(serializers.Serializer[None]):
    ships_on = DayField(allow_null=True)


class PurchaseViewSet(ReadViewSet[Purchase]):
    """Purchases and their lines."""

    queryset = Purchase.objects.select_related("supplier").prefetch_related("lines__material")
    serializer_class = PurchaseSerializer
    filterset_fields = ["state"]
    roles = WORKS

    @extend_schema(request=OrderSerializer, responses={201: PurchaseSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Order units that are bought in, or stock."""
        sent = valid(OrderSerializer, request)
        supplier = Supplier.objects.visible_to(request.user).filter(pk=sent["supplier"]).first()
        if supplier is None:
            raise serializers.ValidationError({"supplier": "no such supplier in this branch"})
        if sent.get("makes"):
            purchase = buying.order_units(supplier=supplier, makes=sent["makes"], by=request.user)
        else:
            lines = [self._line(request, row) for row in sent["lines"]]
            purchase = buying.order_stock(supplier=supplier, lines=lines, by=request.user)
        return Response(PurchaseSerializer(purchase).data, status=201)

    @extend_schema(request=ShipDateSerializer, responses=PurchaseSerializer)
    @action(detail=True, methods=["post"], url_path="ship-date")
    def ship_date(self, request: ApiRequest, pk: str = "") -> Response:
        """The day on which the supplier ships, as acknowledged."""
        sent = valid(ShipDateSerializer, request)
        purchase = buying.acknowledge_shipping(purchase=self.get_object(), by=request.user, **sent)
        return Response(PurchaseSerializer(purchase).data)

    def _line(self, request: ApiRequest, row: dict[str, Any]) -> buying.StockLine:
        material = Material.objects.visible_to(request.user).filter(key=row["material"]).first()
        if material is None:
            raise serializers.ValidationError({"lines": f"no material {row['material']} in this branch"})
        return buying.StockLine(**{**row, "material": material})


class AcknowledgeSerializer(serializers.Serializer[None]):
    width = LengthSerializerField()
    height = LengthSerializerField()
    options = serializers.DictField(child=serializers.CharField(max_length=120, allow_blank=True), required=False)


class ReceiveLineSerializer(serializers.Serializer[None]):
    packages = serializers.IntegerField(min_value=1, max_value=99)
    length = LengthSerializerField(required=False, help_text="of one, as it came")
    width = LengthSerializerField(required=False, help_text="of a roll, as it came")
    lot = serializers.CharField(max_length=30, required=False)
    shelf = serializers.CharField(max_length=30, required=False)


class InspectSerializer(serializers.Serializer[None]):
    is_good = serializers.BooleanField()
    note = serializers.CharField(max_length=240, required=False)


class PurchaseLineViewSet(ReadViewSet[PurchaseLine]):
    """What comes back of a purchase, line by line."""

    queryset = PurchaseLine.objects.select_related("make__unit", "material")
    serializer_class = PurchaseLineSerializer
    filterset_fields = ["purchase", "state"]
    roles = WORKS

    @extend_schema(request=AcknowledgeSerializer)
    @action(detail=True, methods=["post"])
    def acknowledge(self, request: ApiRequest, pk: str = "") -> Response:
        """What the supplier's acknowledgement says; differences are named."""
        sent = {"options": {}, **valid(AcknowledgeSerializer, request)}
        line = buying.acknowledge(line=self.get_object(), by=request.user, **sent)
        return Response(PurchaseLineSerializer(line).data)

    @extend_schema(request=ReceiveLineSerializer)
    @action(detail=True, methods=["post"])
    def receive(self, request: ApiRequest, pk: str = "") -> Response:
        """Packages that came."""
        line = buying.receive_line(line=self.get_object(), by=request.user, **valid(ReceiveLineSerializer, request))
        return Response(PurchaseLineSerializer(line).data)

    @extend_schema(request=InspectSerializer)
    @action(detail=True, methods=["post"])
    def inspect(self, request: ApiRequest, pk: str = "") -> Response:
        """Good, or going back."""
        line = buying.inspect_line(line=self.get_object(), by=request.user, **valid(InspectSerializer, request))
        return Response(PurchaseLineSerializer(line).data)
