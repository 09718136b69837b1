"""Stock over the API."""

from __future__ import annotations

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from fabrication.access import LOOKS, WORKS
from fabrication.api.base import ReasonSerializer
from fabrication.api.cutting import FlawSerializer
from fabrication.models import KeptEnd, Material, StockItem
from fabrication.services import miscuts, rack, stock
from shared.api import ApiRequest, ReadViewSet, valid
from shared.fields import LengthSerializerField
from shared.models import Run
from shared.routes import RunSerializer


class KeptEndSerializer(serializers.ModelSerializer[KeptEnd]):
    stock = serializers.CharField(source="item.code", read_only=True)
    job_number = serializers.CharField(source="job.number", read_only=True)
    length = LengthSerializerField(read_only=True)

    class Meta:
        model = KeptEnd
        fields = ["id", "stock", "job_number", "length"]


class StockSerializer(serializers.ModelSerializer[StockItem]):
    material = serializers.CharField(source="material.key", read_only=True)
    length = LengthSerializerField(read_only=True)
    width = LengthSerializerField(read_only=True)
    shelf = serializers.CharField(read_only=True)

    class Meta:
        model = StockItem
        fields = ["id", "code", "material", "length", "width", "lot", "shelf", "is_offcut", "quantity", "reserved"]


class CountSerializer(ReasonSerializer):
    counted = serializers.IntegerField(min_value=0, max_value=100_000)


class ScrapSerializer(ReasonSerializer):
    quantity = serializers.IntegerField(min_value=1, max_value=100_000)


class ShelveSerializer(ReasonSerializer):
    shelf = serializers.CharField(max_length=30)


class MeasureSerializer(ReasonSerializer):
    length = LengthSerializerField()
    width = LengthSerializerField(required=False)


class SplitSerializer(ReasonSerializer):
    quantity = serializers.IntegerField(min_value=1, max_value=100_000, required=False)
    length = LengthSerializerField(required=False)


class JoinSerializer(ReasonSerializer):
    other = serializers.CharField(max_length=12, help_text="the code of what is taken in")


class StockAfterSerializer(StockSerializer):
    planned_again = serializers.ListField(
        child=serializers.CharField(read_only=True),
        read_only=True,
        help_text="materials and batches whose plans stood on it",
    )

    class Meta(StockSerializer.Meta):
        fields = [*StockSerializer.Meta.fields, "planned_again"]


class ReceiveSerializer(serializers.Serializer[None]):
    material = serializers.SlugField(max_length=50)
    quantity = serializers.IntegerField(min_value=1, max_value=100_000, default=1)
    length = LengthSerializerField(required=False)
    width = LengthSerializerField(required=False)
    lot = serializers.CharField(max_length=30, required=False)
    shelf = serializers.CharField(max_length=30, required=False)
    price = serializers.DecimalField(max_digits=10, decimal_places=2, required=False, min_value=0, max_value=1_000_000)
    sure = serializers.BooleanField(default=False, help_text="a surprising number is right")


class StockFilter(filters.FilterSet):  # type: ignore[misc]  # django-filter has no types
    kind = filters.ChoiceFilter(field_name="material__kind", choices=Material.Kind.choices)

    class Meta:
        model = StockItem
        fields = ["is_offcut"]


class StockViewSet(ReadViewSet[StockItem]):
    """What there is."""

    queryset = StockItem.objects.select_related("material")
    serializer_class = StockSerializer
    filterset_class = StockFilter
    roles = LOOKS
    action_roles = dict.fromkeys(["receive", "count", "flaw", "move", "measure", "scrap", "split", "join"], WORKS)

    @extend_schema(request=FlawSerializer, responses={202: RunSerializer(many=True)})
    @action(detail=True, methods=["post"])
    def flaw(self, request: ApiRequest, pk: str = "") -> Response:
        """Mark a stretch of a roll; plans that stand on it are worked out anew."""
        runs = miscuts.flaw_in_roll(item=self.get_object(), by=request.user, **valid(FlawSerializer, request))
        return Response(RunSerializer(runs, many=True).data, status=202)

    @extend_schema(request=ReceiveSerializer, responses={201: StockSerializer})
    @action(detail=False, methods=["post"])
    def receive(self, request: ApiRequest) -> Response:
        """Book stock in."""
        sent = valid(ReceiveSerializer, request)
        material = Material.objects.visible_to(request.user).filter(key=sent.pop("material")).first()
        if material is None:
            raise serializers.ValidationError({"material": "no such material in this branch"})
        item = stock.receive_stock(material=material, by=request.user, **sent)
        return Response(StockSerializer(item).data, status=201)

    @extend_schema(request=CountSerializer, responses=StockAfterSerializer)
    @action(detail=True, methods=["post"])
    def count(self, request: ApiRequest, pk: str = "") -> Response:
        """Set what was counted; plans that were promised more are made anew."""
        item, sent = self.get_object(), valid(CountSerializer, request)
        return self._after(rack.count_stock(item=item, by=request.user, **sent))

    @extend_schema(request=ShelveSerializer, responses=StockAfterSerializer)
    @action(detail=True, methods=["post"])
    def move(self, request: ApiRequest, pk: str = "") -> Response:
        """It lies somewhere else from now on."""
        item, sent = self.get_object(), valid(ShelveSerializer, request)
        return self._after(rack.shelve_stock(item=item, by=request.user, **sent))

    @extend_schema(request=MeasureSerializer, responses=StockAfterSerializer)
    @action(detail=True, methods=["post"])
    def measure(self, request: ApiRequest, pk: str = "") -> Response:
        """Set what each of it measures; plans that stood on it are made anew."""
        item, sent = self.get_object(), valid(MeasureSerializer, request)
        return self._after(rack.measure_stock(item=item, by=request.user, **sent))

    @extend_schema(request=ScrapSerializer, responses=StockAfterSerializer)
    @action(detail=True, methods=["post"])
    def scrap(self, request: ApiRequest, pk: str = "") -> Response:
        """So many of it can't be used; plans that were promised them are made anew."""
        item, sent = self.get_object(), valid(ScrapSerializer, request)
        return self._after(rack.scrap_stock(item=item, by=request.user, **sent))

    @extend_schema(request=SplitSerializer, responses=StockAfterSerializer)
    @action(detail=True, methods=["post"])
    def split(self, request: ApiRequest, pk: str = "") -> Response:
        """So many, or so much of a roll's free end, go on under a code of their own."""
        item, sent = self.get_object(), valid(SplitSerializer, request)
        return self._after(rack.split_stock(item=item, by=request.user, **sent))

    @extend_schema(request=JoinSerializer, responses=StockAfterSerializer)
    @action(detail=True, methods=["post"])
    def join(self, request: ApiRequest, pk: str = "") -> Response:
        """All of another, equal in lot and size, goes on under this one's code."""
        item, sent = self.get_object(), valid(JoinSerializer, request)
        other = StockItem.objects.visible_to(request.user).filter(code=sent.pop("other")).first()
        if other is None:
            raise serializers.ValidationError({"other": "no such stock piece in this branch"})
        return self._after(rack.join_stock(item=item, other=other, by=request.user, **sent))

    def _after(self, runs: list[Run]) -> Response:
        again = [run.title for run in runs]
        return Response({**StockSerializer(self.get_object()).data, "planned_again": again})


class KeptEndViewSet(ReadViewSet[KeptEnd]):
    """Ends of rolls kept for the remakes of open jobs."""

    queryset = KeptEnd.objects.select_related("item", "job")
    serializer_class = KeptEndSerializer
    roles = LOOKS
    action_roles = dict.fromkeys(["let_go"], WORKS)

    @extend_schema(request=ReasonSerializer, responses={204: None})
    @action(detail=True, methods=["post"], url_path="let-go")
    def let_go(self, request: ApiRequest, pk: str = "") -> Response:
        """Other jobs may use it."""
        stock.let_end_go(kept=self.get_object(), by=request.user, **valid(ReasonSerializer, request))
        return Response(status=204)
