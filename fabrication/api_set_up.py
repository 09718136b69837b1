# mypy: ignore-errors
# As in the other half of the API: to the checker a request may be nobody's.
"""What a workroom sets and buys, over the API: recipes, label size, places of work, purchases."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response
from rest_framework.routers import DefaultRouter

from fabrication.api import asked
from fabrication.forms import LabelSizeForm
from fabrication.models import LabelSize, Material, Purchase, PurchaseLine, RecipeRevision, Supplier, WorkPlace
from fabrication.services import buying, recipes, setting_up
from fabrication.services.stock import save_label_size
from fabrication.views import WORKS
from measuring.models import Product
from shared.api import ApiRequest, ReadViewSet
from shared.fields import LengthSerializerField


class WorkPlaceSerializer(serializers.ModelSerializer[WorkPlace]):
    class Meta:
        model = WorkPlace
        fields = ["id", "name", "order", "day_min", "minutes"]


class NewPlaceSerializer(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=60)
    day_min = serializers.IntegerField(min_value=1, max_value=setting_up.DAY_MIN)
    minutes = serializers.DictField(child=serializers.IntegerField(min_value=0, max_value=setting_up.DAY_MIN))


class WorkPlaceViewSet(ReadViewSet):
    """Places of work with their hours."""

    queryset = WorkPlace.objects.all()
    serializer_class = WorkPlaceSerializer
    roles = WORKS

    @extend_schema(request=NewPlaceSerializer, responses={201: WorkPlaceSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Another place."""
        place = setting_up.save_work_place(
            branch=request.user.own_branch, by=request.user, **asked(NewPlaceSerializer, request)
        )
        return Response(WorkPlaceSerializer(place).data, status=201)

    @extend_schema(request=NewPlaceSerializer)
    def update(self, request: ApiRequest, pk: str = "") -> Response:
        """Its name, hours and minutes anew."""
        place = self.get_object()
        place = setting_up.save_work_place(
            branch=place.branch, place=place, by=request.user, **asked(NewPlaceSerializer, request)
        )
        return Response(WorkPlaceSerializer(place).data)

    @extend_schema(responses={204: None})
    def destroy(self, request: ApiRequest, pk: str = "") -> Response:
        """Take it away."""
        setting_up.remove_work_place(place=self.get_object(), by=request.user)
        return Response(status=204)


class LabelSizeSerializer(serializers.ModelSerializer[LabelSize]):
    """Lengths as the branch writes them."""

    width = LengthSerializerField()
    height = LengthSerializerField()
    left = LengthSerializerField()
    top = LengthSerializerField()
    across = LengthSerializerField()
    down = LengthSerializerField()

    class Meta:
        model = LabelSize
        fields = ["id", "kind", "width", "height", "columns", "rows", "left", "top", "across", "down"]


class LabelSizeViewSet(ReadViewSet):
    """What the branch prints labels on; none where it never said."""

    queryset = LabelSize.objects.all()
    serializer_class = LabelSizeSerializer
    roles = WORKS

    @extend_schema(request=LabelSizeSerializer, responses={200: LabelSizeSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Set it: the page's own bounds hold."""
        form = LabelSizeForm(request.data, user=request.user)
        if not form.is_valid():
            raise serializers.ValidationError(form.errors)
        size = save_label_size(branch=request.user.own_branch, by=request.user, **form.cleaned_data)
        return Response(LabelSizeSerializer(size).data)


class RecipeSerializer(serializers.ModelSerializer[RecipeRevision]):
    product = serializers.CharField(source="product.key", read_only=True)

    class Meta:
        model = RecipeRevision
        fields = ["id", "product", "number", "definition", "note", "is_current", "saved_at"]


class NewRecipeSerializer(serializers.Serializer[Any]):
    product = serializers.SlugField(max_length=50)
    definition = serializers.DictField()
    note = serializers.CharField(max_length=240, required=False)


class RecipeViewSet(ReadViewSet):
    """Recipes with all their revisions; a new one is checked over its whole size range."""

    queryset = RecipeRevision.objects.select_related("product")
    serializer_class = RecipeSerializer
    filterset_fields = ["product", "is_current"]
    roles = WORKS

    def get_queryset(self) -> QuerySet[RecipeRevision]:
        """Of the products this person sees."""
        if getattr(self, "swagger_fake_view", False):
            return self.queryset.none()
        return self.queryset.filter(product__in=Product.objects.visible_to(self.request.user))

    @extend_schema(request=NewRecipeSerializer, responses={201: RecipeSerializer})
    def create(self, request: ApiRequest) -> Response:
        """The next revision of a product's recipe."""
        sent = asked(NewRecipeSerializer, request)
        product = Product.objects.visible_to(request.user).filter(key=sent.pop("product")).first()
        if product is None:
            raise serializers.ValidationError({"product": "no such product in this branch"})
        return Response(
            RecipeSerializer(recipes.save_recipe(product=product, by=request.user, **sent)).data, status=201
        )


class PurchaseLineSerializer(serializers.ModelSerializer[PurchaseLine]):
    material = serializers.CharField(source="material.key", read_only=True, default=None)
    length = LengthSerializerField(read_only=True)
    width = LengthSerializerField(read_only=True)

    class Meta:
        model = PurchaseLine
        fields = [
            "id", "make", "material", "quantity", "length", "width", "state", "differences", "packages_received",
            "note",
        ]  # fmt: skip


class PurchaseSerializer(serializers.ModelSerializer[Purchase]):
    supplier = serializers.CharField(source="supplier.name", read_only=True)
    lines = PurchaseLineSerializer(many=True, read_only=True)

    class Meta:
        model = Purchase
        fields = ["id", "number", "supplier", "state", "ordered_at", "expected_on", "lines"]


class StockLineSerializer(serializers.Serializer[Any]):
    material = serializers.SlugField(max_length=50)
    quantity = serializers.IntegerField(min_value=1, max_value=100_000)
    length = LengthSerializerField(required=False)
    width = LengthSerializerField(required=False)


class OrderSerializer(serializers.Serializer[Any]):
    """Units that are bought in, or lines of stock."""

    supplier = serializers.IntegerField(min_value=1)
    makes = serializers.ListField(child=serializers.IntegerField(min_value=1), required=False, max_length=500)
    lines = StockLineSerializer(many=True, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """One or the other."""
        if bool(attrs.get("makes")) == bool(attrs.get("lines")):
            raise serializers.ValidationError({"makes": "name units or lines of stock, not both"})
        return attrs


class PurchaseViewSet(ReadViewSet):
    """Purchases and their lines."""

    queryset = Purchase.objects.select_related("supplier").prefetch_related("lines__material")
    serializer_class = PurchaseSerializer
    filterset_fields = ["state"]
    roles = WORKS

    @extend_schema(request=OrderSerializer, responses={201: PurchaseSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Order units that are bought in, or stock."""
        sent = asked(OrderSerializer, request)
        supplier = Supplier.objects.visible_to(request.user).filter(pk=sent["supplier"]).first()
        if supplier is None:
            raise serializers.ValidationError({"supplier": "no such supplier in this branch"})
        if sent.get("makes"):
            purchase = buying.order_units(supplier=supplier, makes=sent["makes"], by=request.user)
        else:
            lines = [self._line(request, row) for row in sent["lines"]]
            purchase = buying.order_stock(supplier=supplier, lines=lines, by=request.user)
        return Response(PurchaseSerializer(purchase).data, status=201)

    def _line(self, request: ApiRequest, row: dict[str, Any]) -> tuple[Material, int, Any, Any]:
        material = Material.objects.visible_to(request.user).filter(key=row["material"]).first()
        if material is None:
            raise serializers.ValidationError({"lines": f"no material {row['material']} in this branch"})
        return material, row["quantity"], row.get("length"), row.get("width")


class AcknowledgeSerializer(serializers.Serializer[Any]):
    width = LengthSerializerField()
    height = LengthSerializerField()
    options = serializers.DictField(child=serializers.CharField(max_length=120, allow_blank=True), required=False)


class ReceiveLineSerializer(serializers.Serializer[Any]):
    packages = serializers.IntegerField(min_value=1, max_value=99)
    lot = serializers.CharField(max_length=30, required=False)
    place = serializers.CharField(max_length=30, required=False)


class InspectSerializer(serializers.Serializer[Any]):
    is_good = serializers.BooleanField()
    note = serializers.CharField(max_length=240, required=False)


class PurchaseLineViewSet(ReadViewSet):
    """What comes back of a purchase, line by line."""

    queryset = PurchaseLine.objects.select_related("make__unit", "material")
    serializer_class = PurchaseLineSerializer
    filterset_fields = ["purchase", "state"]
    roles = WORKS

    @extend_schema(request=AcknowledgeSerializer)
    @action(detail=True, methods=["post"])
    def acknowledge(self, request: ApiRequest, pk: str = "") -> Response:
        """What the supplier's acknowledgement says; differences are named."""
        sent = {"options": {}, **asked(AcknowledgeSerializer, request)}
        line = buying.acknowledge(line=self.get_object(), by=request.user, **sent)
        return Response(PurchaseLineSerializer(line).data)

    @extend_schema(request=ReceiveLineSerializer)
    @action(detail=True, methods=["post"])
    def receive(self, request: ApiRequest, pk: str = "") -> Response:
        """Packages that came."""
        line = buying.receive_line(line=self.get_object(), by=request.user, **asked(ReceiveLineSerializer, request))
        return Response(PurchaseLineSerializer(line).data)

    @extend_schema(request=InspectSerializer)
    @action(detail=True, methods=["post"])
    def inspect(self, request: ApiRequest, pk: str = "") -> Response:
        """Good, or going back."""
        line = buying.inspect_line(line=self.get_object(), by=request.user, **asked(InspectSerializer, request))
        return Response(PurchaseLineSerializer(line).data)


def register(router: DefaultRouter) -> None:
    """The routes of this half of the app."""
    router.register("work-places", WorkPlaceViewSet, basename="work-place")
    router.register("label-sizes", LabelSizeViewSet, basename="label-size")
    router.register("recipes", RecipeViewSet, basename="recipe")
    router.register("purchases", PurchaseViewSet, basename="purchase")
    router.register("purchase-lines", PurchaseLineViewSet, basename="purchase-line")
