"""The workroom's deeds over the API."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.response import Response
from rest_framework.routers import DefaultRouter

from fabrication.costs import cost_of
from fabrication.models import (
    AssemblyStep,
    Batch,
    CutPlan,
    KeptEnd,
    Material,
    OwnCloth,
    Part,
    PlannedCut,
    StockItem,
    UnitMake,
)
from fabrication.services import assembly, batches, bench, own_cloth, planning, setting_up, stock
from fabrication.services.making import remake_effects
from fabrication.views import LOOKS, WORKS
from jobs.models import Job
from measuring.models import Family
from measuring.services.readings import refuse_large
from shared.api import ApiRequest, ReadViewSet
from shared.fields import LengthSerializerField
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
    job = serializers.CharField(source="unit.opening.job.number", read_only=True)
    room = serializers.CharField(source="unit.opening.room.name", read_only=True)
    product = serializers.CharField(source="unit.product.key", read_only=True)
    unit_state = serializers.CharField(source="unit.state", read_only=True)
    finished_width = LengthSerializerField(read_only=True)
    finished_height = LengthSerializerField(read_only=True)
    parts = PartSerializer(many=True, read_only=True)

    class Meta:
        model = UnitMake
        fields = [
            "id", "code", "job", "room", "product", "unit_state", "state", "source", "batch",
            "finished_width", "finished_height", "weight_g", "steps", "figures", "parts",
        ]  # fmt: skip


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


class BatchSerializer(serializers.ModelSerializer[Batch]):
    makes: Any = serializers.PrimaryKeyRelatedField(many=True, read_only=True)

    class Meta:
        model = Batch
        fields = ["id", "number", "state", "due_on", "note", "makes"]


class KeptEndSerializer(serializers.ModelSerializer[KeptEnd]):
    stock = serializers.CharField(source="item.code", read_only=True)
    job = serializers.CharField(source="job.number", read_only=True)
    length = LengthSerializerField(read_only=True)

    class Meta:
        model = KeptEnd
        fields = ["id", "stock", "job", "length"]


class StepSerializer(serializers.ModelSerializer[AssemblyStep]):
    class Meta:
        model = AssemblyStep
        fields = ["id", "family", "order", "text", "is_active"]


class OwnClothSerializer(serializers.ModelSerializer[OwnCloth]):
    job = serializers.CharField(source="job.number", read_only=True)
    item = serializers.CharField(source="item.code", read_only=True, default=None)
    width_needed = LengthSerializerField(read_only=True)
    length_needed = LengthSerializerField(read_only=True)
    repeat_expected = LengthSerializerField(read_only=True)
    width = LengthSerializerField(read_only=True)
    length = LengthSerializerField(read_only=True)
    repeat = LengthSerializerField(read_only=True)

    class Meta:
        model = OwnCloth
        fields = [
            "id", "job", "name", "units", "state", "width_needed", "length_needed", "repeat_expected", "expected_on",
            "width", "length", "repeat", "flaws", "verdict", "place", "item",
        ]  # fmt: skip


class StockSerializer(serializers.ModelSerializer[StockItem]):
    material = serializers.CharField(source="material.key", read_only=True)
    length = LengthSerializerField(read_only=True)
    width = LengthSerializerField(read_only=True)

    class Meta:
        model = StockItem
        fields = ["id", "code", "material", "length", "width", "lot", "place", "is_offcut", "quantity", "reserved"]


class MakesSerializer(serializers.Serializer[Any]):
    """Keys of units as they are made."""

    makes = serializers.ListField(child=serializers.IntegerField(min_value=1), min_length=1, max_length=2000)


class PiecesSerializer(serializers.Serializer[Any]):
    parts = serializers.ListField(child=serializers.IntegerField(min_value=1), max_length=500)


class SecondsSerializer(serializers.Serializer[Any]):
    seconds = serializers.IntegerField(min_value=1, max_value=600, required=False)
    any_lot = serializers.BooleanField(default=False)


class ReasonSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=160)


class PieceSerializer(serializers.Serializer[Any]):
    place = serializers.IntegerField(min_value=0, max_value=10_000)


class FlawSerializer(serializers.Serializer[Any]):
    start = LengthSerializerField()
    end = LengthSerializerField()
    note = serializers.CharField(max_length=80, required=False)


class PhotoSerializer(serializers.Serializer[Any]):
    photo = serializers.FileField()


class StepsSerializer(serializers.Serializer[Any]):
    family = serializers.ChoiceField(choices=Family.choices)
    texts = serializers.ListField(child=serializers.CharField(max_length=160), max_length=setting_up.MOST_STEPS)


class StepPickSerializer(serializers.Serializer[Any]):
    step = serializers.IntegerField(min_value=1)
    undo = serializers.BooleanField(default=False)


class ExpectClothSerializer(serializers.Serializer[Any]):
    job = serializers.IntegerField(min_value=1)
    name = serializers.CharField(max_length=80)
    units = serializers.CharField(max_length=160, required=False)
    width_needed = LengthSerializerField()
    length_needed = LengthSerializerField()
    repeat_expected = LengthSerializerField(required=False)
    expected_on = serializers.DateField(required=False)


class PlaceSerializer(serializers.Serializer[Any]):
    place = serializers.CharField(max_length=30, required=False)


class StretchSerializer(serializers.Serializer[Any]):
    start = LengthSerializerField()
    end = LengthSerializerField()


class CheckClothSerializer(serializers.Serializer[Any]):
    width = LengthSerializerField()
    length = LengthSerializerField()
    repeat = LengthSerializerField(required=False)
    flaws = StretchSerializer(many=True, required=False)
    anyway = serializers.CharField(max_length=160, required=False)


class MiscutSerializer(ReasonSerializer):
    spoiled = serializers.ListField(child=serializers.IntegerField(min_value=0), min_length=1, max_length=200)


class CheckSerializer(serializers.Serializer[Any]):
    width = LengthSerializerField()
    height = LengthSerializerField()


class CountSerializer(ReasonSerializer):
    counted = serializers.IntegerField(min_value=0)


class ReceiveSerializer(serializers.Serializer[Any]):
    material = serializers.SlugField(max_length=50)
    quantity = serializers.IntegerField(min_value=1, max_value=100_000, default=1)
    length = LengthSerializerField(required=False)
    width = LengthSerializerField(required=False)
    lot = serializers.CharField(max_length=30, required=False)
    place = serializers.CharField(max_length=30, required=False)
    price = serializers.DecimalField(max_digits=10, decimal_places=2, required=False, min_value=0)


def asked(kind: type[serializers.Serializer[Any]], request: ApiRequest) -> dict[str, Any]:
    """What was sent, checked."""
    form = kind(data=request.data, context={"request": request})
    form.is_valid(raise_exception=True)
    return dict(form.validated_data)


class BatchViewSet(ReadViewSet):
    """Batches, and the deeds on them."""

    queryset = Batch.objects.prefetch_related("makes")
    serializer_class = BatchSerializer
    filterset_fields = ["state"]
    roles = LOOKS
    deed_roles = dict.fromkeys(["create", "add", "take_out", "split", "plan", "cancel"], WORKS)

    @extend_schema(request=MakesSerializer, responses={201: BatchSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Open a batch of waiting units."""
        batch = batches.open_batch(branch=request.user.own_branch, by=request.user, **asked(MakesSerializer, request))
        return Response(BatchSerializer(batch).data, status=201)

    @extend_schema(request=MakesSerializer)
    @action(detail=True, methods=["post"])
    def add(self, request: ApiRequest, pk: str = "") -> Response:
        """Put waiting units into the batch."""
        batch = batches.add_units(batch=self.get_object(), by=request.user, **asked(MakesSerializer, request))
        return Response(BatchSerializer(batch).data)

    @extend_schema(request=MakesSerializer)
    @action(detail=True, methods=["post"])
    def take_out(self, request: ApiRequest, pk: str = "") -> Response:
        """Take units out of the batch."""
        batch = batches.take_out(batch=self.get_object(), by=request.user, **asked(MakesSerializer, request))
        return Response(BatchSerializer(batch).data)

    @extend_schema(request=MakesSerializer, responses={201: BatchSerializer})
    @action(detail=True, methods=["post"])
    def split(self, request: ApiRequest, pk: str = "") -> Response:
        """Move units into a new batch."""
        batch = batches.split_batch(batch=self.get_object(), by=request.user, **asked(MakesSerializer, request))
        return Response(BatchSerializer(batch).data, status=201)

    @extend_schema(request=SecondsSerializer, responses={202: RunSerializer(many=True)})
    @action(detail=True, methods=["post"])
    def plan(self, request: ApiRequest, pk: str = "") -> Response:
        """Plan the cuts of every material: one run each."""
        runs = planning.plan_batch(batch=self.get_object(), by=request.user, **asked(SecondsSerializer, request))
        return Response(RunSerializer(runs, many=True).data, status=202)

    @extend_schema(request=ReasonSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: ApiRequest, pk: str = "") -> Response:
        """Give the units back."""
        batch = batches.cancel_batch(batch=self.get_object(), by=request.user, **asked(ReasonSerializer, request))
        return Response(BatchSerializer(batch).data)


class CutPlanViewSet(ReadViewSet):
    """Cut plans with their cuts."""

    queryset = CutPlan.objects.counted().select_related("material").prefetch_related("cuts__item")
    serializer_class = CutPlanSerializer
    filterset_fields = ["batch", "state"]
    roles = LOOKS


class PlannedCutViewSet(ReadViewSet):
    """One stock piece or cross cut, and the deeds at the saw."""

    queryset = PlannedCut.objects.select_related("item", "plan__batch")
    serializer_class = PlannedCutSerializer
    roles = LOOKS
    deed_roles = dict.fromkeys(["cut", "undo", "miscut", "piece", "undo_piece", "flaw"], WORKS)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def cut(self, request: ApiRequest, pk: str = "") -> Response:
        """It is cut."""
        return Response(PlannedCutSerializer(bench.mark_cut(cut=self.get_object(), by=request.user)).data)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def undo(self, request: ApiRequest, pk: str = "") -> Response:
        """It was not cut after all."""
        return Response(PlannedCutSerializer(bench.undo_cut(cut=self.get_object(), by=request.user)).data)

    @extend_schema(request=PieceSerializer)
    @action(detail=True, methods=["post"])
    def piece(self, request: ApiRequest, pk: str = "") -> Response:
        """One of its pieces is cut."""
        cut = bench.mark_piece(cut=self.get_object(), by=request.user, **asked(PieceSerializer, request))
        return Response(PlannedCutSerializer(cut).data)

    @extend_schema(request=PieceSerializer)
    @action(detail=True, methods=["post"])
    def undo_piece(self, request: ApiRequest, pk: str = "") -> Response:
        """It was not cut after all."""
        cut = bench.undo_piece(cut=self.get_object(), by=request.user, **asked(PieceSerializer, request))
        return Response(PlannedCutSerializer(cut).data)

    @extend_schema(request=FlawSerializer, responses={202: RunSerializer(many=True)})
    @action(detail=True, methods=["post"])
    def flaw(self, request: ApiRequest, pk: str = "") -> Response:
        """A flaw found at the table; what is left is planned anew."""
        runs = bench.report_flaw(cut=self.get_object(), by=request.user, **asked(FlawSerializer, request))
        return Response(RunSerializer(runs, many=True).data, status=202)

    @extend_schema(request=MiscutSerializer, responses={202: RunSerializer})
    @action(detail=True, methods=["post"])
    def miscut(self, request: ApiRequest, pk: str = "") -> Response:
        """Pieces were spoiled; what is left is planned anew."""
        run = bench.report_miscut(cut=self.get_object(), by=request.user, **asked(MiscutSerializer, request))
        return Response(RunSerializer(run).data, status=202)


class UnitMakeViewSet(ReadViewSet):
    """Units as they are made."""

    queryset = UnitMake.objects.select_related(
        "unit__opening__job", "unit__opening__room", "unit__product"
    ).prefetch_related("parts__material")
    serializer_class = UnitMakeSerializer
    filterset_fields = ["state", "batch"]
    roles = LOOKS
    deed_roles = dict.fromkeys(["check_result", "step", "photo"], WORKS)

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
        make, sent = self.get_object(), asked(StepPickSerializer, request)
        step = AssemblyStep.objects.visible_to(request.user).filter(pk=sent["step"]).first()
        if step is None:
            raise serializers.ValidationError({"step": "no such step in this branch"})
        deed = assembly.untick_step if sent["undo"] else assembly.tick_step
        deed(make=make, step=step, by=request.user)
        left = [one.pk for one in assembly.steps_left(make)]
        return Response({"left": left})

    @extend_schema(request={"multipart/form-data": PhotoSerializer}, responses={201: dict})
    @action(detail=True, methods=["post"], parser_classes=[MultiPartParser])
    def photo(self, request: ApiRequest, pk: str = "") -> Response:
        """A photo of the finished unit."""
        make, sent = self.get_object(), asked(PhotoSerializer, request)
        refuse_large(sent["photo"].size)
        photo = assembly.add_photo(make=make, data=sent["photo"].read(), by=request.user)
        return Response({"id": photo.pk}, status=201)

    @extend_schema(request=CheckSerializer)
    @action(detail=True, methods=["post"], url_path="check", url_name="check")
    def check_result(self, request: ApiRequest, pk: str = "") -> Response:
        """Record what the finished unit measures."""
        make = bench.check_unit(make=self.get_object(), by=request.user, **asked(CheckSerializer, request))
        return Response(UnitMakeSerializer(make).data)


class PartViewSet(ReadViewSet):
    """Pieces to cut or pull."""

    queryset = Part.objects.select_related("material", "make__unit")
    serializer_class = PartSerializer
    filterset_fields = ["state", "make"]
    roles = LOOKS
    deed_roles = dict.fromkeys(["pull"], WORKS)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def pull(self, request: ApiRequest, pk: str = "") -> Response:
        """Take it from the store."""
        return Response(PartSerializer(bench.pull_part(part=self.get_object(), by=request.user)).data)


class StockViewSet(ReadViewSet):
    """What there is."""

    queryset = StockItem.objects.select_related("material")
    serializer_class = StockSerializer
    filterset_fields = ["is_offcut", "material__kind"]
    roles = LOOKS
    deed_roles = dict.fromkeys(["receive", "count", "flaw"], WORKS)

    @extend_schema(request=FlawSerializer, responses={202: RunSerializer(many=True)})
    @action(detail=True, methods=["post"])
    def flaw(self, request: ApiRequest, pk: str = "") -> Response:
        """Mark a stretch of a roll; plans that stand on it are worked out anew."""
        runs = bench.flaw_in_roll(item=self.get_object(), by=request.user, **asked(FlawSerializer, request))
        return Response(RunSerializer(runs, many=True).data, status=202)

    @extend_schema(request=ReceiveSerializer, responses={201: StockSerializer})
    @action(detail=False, methods=["post"])
    def receive(self, request: ApiRequest) -> Response:
        """Book stock in."""
        sent = asked(ReceiveSerializer, request)
        material = Material.objects.visible_to(request.user).filter(key=sent.pop("material")).first()
        if material is None:
            raise serializers.ValidationError({"material": "no such material in this branch"})
        item = stock.receive_stock(material=material, by=request.user, **sent)
        return Response(StockSerializer(item).data, status=201)

    @extend_schema(request=CountSerializer)
    @action(detail=True, methods=["post"])
    def count(self, request: ApiRequest, pk: str = "") -> Response:
        """Set what was counted."""
        item = stock.count_stock(item=self.get_object(), by=request.user, **asked(CountSerializer, request))
        return Response(StockSerializer(item).data)


class KeptEndViewSet(ReadViewSet):
    """Ends of rolls kept for the remakes of open jobs."""

    queryset = KeptEnd.objects.select_related("item", "job")
    serializer_class = KeptEndSerializer
    roles = LOOKS
    deed_roles = dict.fromkeys(["let_go"], WORKS)

    @extend_schema(request=ReasonSerializer, responses={204: None})
    @action(detail=True, methods=["post"])
    def let_go(self, request: ApiRequest, pk: str = "") -> Response:
        """Other jobs may use it."""
        stock.let_end_go(kept=self.get_object(), by=request.user, **asked(ReasonSerializer, request))
        return Response(status=204)


class StepViewSet(ReadViewSet):
    """The firm's steps of assembly, by family."""

    queryset = AssemblyStep.objects.all()
    serializer_class = StepSerializer
    filterset_fields = ["family"]
    roles = LOOKS
    deed_roles = {"create": WORKS}

    @extend_schema(request=StepsSerializer, responses={200: StepSerializer(many=True)})
    def create(self, request: ApiRequest) -> Response:
        """All steps of one family, in order; one left out is asked for no more."""
        sent = asked(StepsSerializer, request)
        steps = setting_up.save_steps(branch=request.user.own_branch, by=request.user, **sent)
        return Response(StepSerializer(steps, many=True).data)


class OwnClothViewSet(ReadViewSet):
    """Cloth customers bring."""

    queryset = OwnCloth.objects.select_related("job", "item")
    serializer_class = OwnClothSerializer
    filterset_fields = ["state"]
    roles = LOOKS
    deed_roles = dict.fromkeys(["receive", "check_result", "again", "pieces"], WORKS) | {"create": LOOKS}

    @extend_schema(request=ExpectClothSerializer, responses={201: OwnClothSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Expect it; the job waits."""
        sent = asked(ExpectClothSerializer, request)
        job = Job.objects.visible_to(request.user).filter(pk=sent.pop("job")).first()
        if job is None:
            raise serializers.ValidationError({"job": "no such job in this branch"})
        cloth = own_cloth.expect_cloth(job=job, by=request.user, **sent)
        return Response(OwnClothSerializer(cloth).data, status=201)

    @extend_schema(request=PlaceSerializer)
    @action(detail=True, methods=["post"])
    def receive(self, request: ApiRequest, pk: str = "") -> Response:
        """It is here."""
        cloth = own_cloth.receive_cloth(cloth=self.get_object(), by=request.user, **asked(PlaceSerializer, request))
        return Response(OwnClothSerializer(cloth).data)

    @extend_schema(request=CheckClothSerializer)
    @action(detail=True, methods=["post"], url_path="check", url_name="check")
    def check_result(self, request: ApiRequest, pk: str = "") -> Response:
        """What it measures."""
        sent = asked(CheckClothSerializer, request)
        sent["flaws"] = [(flaw["start"], flaw["end"]) for flaw in sent.get("flaws", [])]
        cloth = own_cloth.check_cloth(cloth=self.get_object(), by=request.user, **sent)
        return Response(OwnClothSerializer(cloth).data)

    @extend_schema(request=PiecesSerializer, responses={202: RunSerializer(many=True)})
    @action(detail=True, methods=["post"])
    def pieces(self, request: ApiRequest, pk: str = "") -> Response:
        """All that is cut from it, by the keys of the parts; the plans they stood in are made anew."""
        runs = own_cloth.cut_from_cloth(cloth=self.get_object(), by=request.user, **asked(PiecesSerializer, request))
        return Response(RunSerializer(runs, many=True).data, status=202)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def again(self, request: ApiRequest, pk: str = "") -> Response:
        """Other cloth will come."""
        return Response(OwnClothSerializer(own_cloth.expect_again(cloth=self.get_object(), by=request.user)).data)


def register(router: DefaultRouter) -> None:
    """The routes of this app."""
    router.register("batches", BatchViewSet, basename="batch")
    router.register("cut-plans", CutPlanViewSet, basename="cut-plan")
    router.register("cuts", PlannedCutViewSet, basename="cut")
    router.register("makes", UnitMakeViewSet, basename="make")
    router.register("parts", PartViewSet, basename="part")
    router.register("stock", StockViewSet, basename="stock")
    router.register("kept-ends", KeptEndViewSet, basename="kept-end")
    router.register("assembly-steps", StepViewSet, basename="assembly-step")
    router.register("own-cloth", OwnClothViewSet, basename="own-cloth")

    from fabrication.api_set_up import register as register_set_up

    register_set_up(router)
