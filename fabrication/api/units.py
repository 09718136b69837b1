"""Units as they are made, their parts and steps, over the API."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.response import Response

from fabrication.access import LOOKS, WORKS
from fabrication.adapters.costs import cost_of
from fabrication.api.base import ReasonSerializer
from fabrication.models import (
    AssemblyStep,
    Part,
    UnitMake,
)
from fabrication.services import assembly, bench, miscuts, setting_up
from fabrication.services.making import remake_effects
from measuring.models import Family
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.fields import LengthSerializerField
from shared.pictures import refuse_large
from shared.routes import RunSerializer


class PartSerializer(serializers.ModelSerializer[Part]):
    material = serializers.CharField(source="material.key", read_only=True)
    length = LengthSerializerField(read_only=True)
    width = LengthSerializerField(read_only=True)

    class Meta:
        model = Part
        fields = ["id", "name", "kind", "material", "quantity", "done", "length", "width", "derivation", "state"]


class UnitMakeSerializer(serializers.ModelSerializer[UnitMake]):
    """A unit as it is made. The workroom sees sizes and no telephone numbers."""

    code = serializers.CharField(source="unit.code", read_only=True)
    job_number = serializers.CharField(source="unit.opening.job.number", read_only=True)
    room = serializers.CharField(source="unit.opening.room.name", read_only=True)
    product_key = serializers.CharField(source="unit.product.key", read_only=True)
    unit_state = serializers.CharField(source="unit.state", read_only=True)
    finished_width = LengthSerializerField(read_only=True)
    finished_height = LengthSerializerField(read_only=True)
    parts = PartSerializer(many=True, read_only=True)

    class Meta:
        model = UnitMake
        fields = [
            "id", "code", "job_number", "room", "product_key", "unit_state", "state", "source", "batch",
            "finished_width", "finished_height", "weight_g", "steps", "figures", "parts",
        ]  # fmt: skip


class StepSerializer(serializers.ModelSerializer[AssemblyStep]):
    class Meta:
        model = AssemblyStep
        fields = ["id", "family", "order", "text", "is_active"]


class PhotoSerializer(serializers.Serializer[None]):
    photo = serializers.FileField()


class StepsSerializer(serializers.Serializer[None]):
    family = serializers.ChoiceField(choices=Family.choices)
    texts = serializers.ListField(child=serializers.CharField(max_length=160), max_length=setting_up.MOST_STEPS)


class StepPickSerializer(serializers.Serializer[None]):
    step = IdField()
    undo = serializers.BooleanField(default=False)


class CheckSerializer(serializers.Serializer[None]):
    width = LengthSerializerField()
    height = LengthSerializerField()


class UnitMakeViewSet(ReadViewSet[UnitMake]):
    """Units as they are made."""

    queryset = UnitMake.objects.select_related(
        "unit__opening__job", "unit__opening__room", "unit__product"
    ).prefetch_related("parts__material")
    serializer_class = UnitMakeSerializer
    filterset_fields = ["state", "batch"]
    roles = LOOKS
    action_roles = dict.fromkeys(["check_result", "step", "photos"], WORKS)

    @extend_schema(responses={200: dict})
    @action(detail=True, methods=["get"])
    def cost(self, request: ApiRequest, pk: str = "") -> Response:
        """Material at stock prices, and what making it anew would cost and move."""
        make = self.get_object()
        cost = cost_of(make)
        return Response(
            {
                "total": str(cost.total),
                "cut": str(cost.cut),
                "unpriced": cost.unpriced,
                "remake": remake_effects(make),
            }
        )

    @extend_schema(request=StepPickSerializer, responses={200: dict})
    @action(detail=True, methods=["post"])
    def step(self, request: ApiRequest, pk: str = "") -> Response:
        """Tick a step of assembly, or take the tick back."""
        make, sent = self.get_object(), valid(StepPickSerializer, request)
        step = AssemblyStep.objects.visible_to(request.user).filter(pk=sent["step"]).first()
        if step is None:
            raise serializers.ValidationError({"step": "no such step in this branch"})
        tick = assembly.untick_step if sent["undo"] else assembly.tick_step
        tick(make=make, step=step, by=request.user)
        left = [one.pk for one in assembly.steps_left(make)]
        return Response({"left": left})

    @extend_schema(request={"multipart/form-data": PhotoSerializer}, responses={201: dict})
    @action(detail=True, methods=["post"], parser_classes=[MultiPartParser])
    def photos(self, request: ApiRequest, pk: str = "") -> Response:
        """A photo of the finished unit."""
        make, sent = self.get_object(), valid(PhotoSerializer, request)
        refuse_large(sent["photo"].size)
        photo = assembly.add_photo(make=make, data=sent["photo"].read(), by=request.user)
        return Response({"id": photo.pk}, status=201)

    @extend_schema(request=CheckSerializer)
    @action(detail=True, methods=["post"], url_path="check", url_name="check")
    def check_result(self, request: ApiRequest, pk: str = "") -> Response:
        """Record what the finished unit measures."""
        make = bench.check_unit(make=self.get_object(), by=request.user, **valid(CheckSerializer, request))
        return Response(UnitMakeSerializer(make).data)


class PartViewSet(ReadViewSet[Part]):
    """Pieces to cut or pull."""

    queryset = Part.objects.select_related("material", "make__unit")
    serializer_class = PartSerializer
    filterset_fields = ["state", "make"]
    roles = LOOKS
    action_roles = dict.fromkeys(["pull", "scrap"], WORKS)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def pull(self, request: ApiRequest, pk: str = "") -> Response:
        """Take it from the store."""
        return Response(PartSerializer(bench.pull_part(part=self.get_object(), by=request.user)).data)

    @extend_schema(request=ReasonSerializer, responses={202: RunSerializer})
    @action(detail=True, methods=["post"])
    def scrap(self, request: ApiRequest, pk: str = "") -> Response:
        """A piece of it that was cut can't be used: it is cut again, and its material planned anew."""
        run = miscuts.scrap_part(part=self.get_object(), by=request.user, **valid(ReasonSerializer, request))
        return Response(RunSerializer(run).data, status=202)


class StepViewSet(ReadViewSet[AssemblyStep]):
    """The firm's steps of assembly, by family."""

    queryset = AssemblyStep.objects.all()
    serializer_class = StepSerializer
    filterset_fields = ["family"]
    roles = LOOKS
    action_roles = {"create": WORKS}

    @extend_schema(request=StepsSerializer, responses={200: StepSerializer(many=True)})
    def create(self, request: ApiRequest) -> Response:
        """All steps of one family, in order; one left out is asked for no more."""
        sent = valid(StepsSerializer, request)
        steps = setting_up.save_steps(branch=request.user.own_branch, by=request.user, **sent)
        return Response(StepSerializer(steps, many=True).data)
