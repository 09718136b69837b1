"""Cloth customers bring, over the API."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from fabrication.access import LOOKS, WORKS
from fabrication.api.base import ShelfSerializer
from fabrication.api.cutting import PiecesSerializer
from fabrication.models import OwnCloth, StockItem
from fabrication.services import own_cloth
from jobs.models import Job
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.fields import DayField, LengthSerializerField
from shared.routes import RunSerializer


class OwnClothSerializer(serializers.ModelSerializer[OwnCloth]):
    job_number = serializers.CharField(source="job.number", read_only=True)
    stock = serializers.CharField(source="item.code", allow_null=True, read_only=True, default=None)
    shelf = serializers.CharField(read_only=True)
    width_needed = LengthSerializerField(read_only=True)
    length_needed = LengthSerializerField(read_only=True)
    repeat_expected = LengthSerializerField(read_only=True)
    width = LengthSerializerField(read_only=True)
    length = LengthSerializerField(read_only=True)
    repeat = LengthSerializerField(read_only=True)

    class Meta:
        model = OwnCloth
        fields = [
            "id", "job_number", "name", "units", "state", "width_needed", "length_needed", "repeat_expected",
            "expected_on", "width", "length", "repeat", "flaws", "verdict", "shelf", "stock",
        ]  # fmt: skip


class ExpectClothSerializer(serializers.Serializer[None]):
    job = IdField()
    name = serializers.CharField(max_length=80)
    units = serializers.CharField(max_length=160, required=False)
    width_needed = LengthSerializerField()
    length_needed = LengthSerializerField()
    repeat_expected = LengthSerializerField(required=False)
    expected_on = DayField(required=False)


class StretchSerializer(serializers.Serializer[None]):
    start = LengthSerializerField()
    end = LengthSerializerField()


class CheckClothSerializer(serializers.Serializer[None]):
    width = LengthSerializerField()
    length = LengthSerializerField()
    repeat = LengthSerializerField(required=False)
    flaws = StretchSerializer(many=True, required=False)
    anyway = serializers.CharField(max_length=160, required=False)


class OwnPiecesSerializer(PiecesSerializer):
    sure = serializers.BooleanField(default=False, help_text="plan them although the cloth seems too short")


class BackSerializer(serializers.ModelSerializer[StockItem]):
    width = LengthSerializerField(read_only=True)
    length = LengthSerializerField(read_only=True)

    class Meta:
        model = StockItem
        fields = ["code", "width", "length"]


class OwnClothViewSet(ReadViewSet[OwnCloth]):
    """Cloth customers bring."""

    queryset = OwnCloth.objects.select_related("job", "item")
    serializer_class = OwnClothSerializer
    filterset_fields = ["state"]
    roles = LOOKS
    action_roles = dict.fromkeys(["receive", "check_result", "again", "pieces", "back"], WORKS) | {"create": LOOKS}

    @extend_schema(request=ExpectClothSerializer, responses={201: OwnClothSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Expect it; the job waits."""
        sent = valid(ExpectClothSerializer, request)
        job = Job.objects.visible_to(request.user).filter(pk=sent.pop("job")).first()
        if job is None:
            raise serializers.ValidationError({"job": "no such job in this branch"})
        cloth = own_cloth.expect_cloth(job=job, by=request.user, **sent)
        return Response(OwnClothSerializer(cloth).data, status=201)

    @extend_schema(request=ShelfSerializer)
    @action(detail=True, methods=["post"])
    def receive(self, request: ApiRequest, pk: str = "") -> Response:
        """It is here."""
        cloth = own_cloth.receive_cloth(cloth=self.get_object(), by=request.user, **valid(ShelfSerializer, request))
        return Response(OwnClothSerializer(cloth).data)

    @extend_schema(request=CheckClothSerializer)
    @action(detail=True, methods=["post"], url_path="check", url_name="check")
    def check_result(self, request: ApiRequest, pk: str = "") -> Response:
        """What it measures."""
        sent = valid(CheckClothSerializer, request)
        sent["flaws"] = [(flaw["start"], flaw["end"]) for flaw in sent.get("flaws", [])]
        cloth = own_cloth.check_cloth(cloth=self.get_object(), by=request.user, **sent)
        return Response(OwnClothSerializer(cloth).data)

    @extend_schema(request=OwnPiecesSerializer, responses={202: RunSerializer(many=True)})
    @action(detail=True, methods=["post"])
    def pieces(self, request: ApiRequest, pk: str = "") -> Response:
        """All that is cut from it, by the keys of the parts; the plans they stood in are made anew."""
        runs = own_cloth.cut_from_cloth(cloth=self.get_object(), by=request.user, **valid(OwnPiecesSerializer, request))
        return Response(RunSerializer(runs, many=True).data, status=202)

    @extend_schema(request=None, responses={200: BackSerializer(many=True)})
    @action(detail=True, methods=["post"])
    def back(self, request: ApiRequest, pk: str = "") -> Response:
        """The customer takes what remains of it."""
        items = own_cloth.give_back(job=self.get_object().job, by=request.user)
        return Response(BackSerializer(items, many=True).data)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def again(self, request: ApiRequest, pk: str = "") -> Response:
        """Other cloth will come."""
        return Response(OwnClothSerializer(own_cloth.expect_again(cloth=self.get_object(), by=request.user)).data)
