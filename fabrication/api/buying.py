"""Purchases over the API."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from fabrication.access import WORKS
from fabrication.models import Claim, Material, Purchase, PurchaseLine, Supplier
from fabrication.rules.model import FINISHED_SIZE, OPENING_SIZE
from fabrication.services import amendments, buying, deliveries
from measuring.models import Mount
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
            "packages_received", "pieces_received", "answers", "note",
        ]  # fmt: skip


class PurchaseSerializer(serializers.ModelSerializer[Purchase]):
    supplier = serializers.CharField(source="supplier.name", read_only=True)
    lines = PurchaseLineSerializer(many=True, read_only=True)

    class Meta:
        model = Purchase
        fields = ["id", "number", "supplier", "state", "ordered_at", "ships_on", "expected_on", "note", "lines"]


class ClaimSerializer(serializers.ModelSerializer[Claim]):
    class Meta:
        model = Claim
        fields = [
            "id", "purchase", "line", "what", "kind", "quantity", "note", "tell_by", "reported_at", "outcome",
            "remake_number", "credit", "closed_at",
        ]  # fmt: skip


class StockLineSerializer(serializers.Serializer[None]):
    material = serializers.SlugField(max_length=50)
    quantity = serializers.IntegerField(min_value=1, max_value=100_000)
    length = LengthSerializerField(required=False)
    width = LengthSerializerField(required=False)
    price = serializers.DecimalField(max_digits=10, decimal_places=2, min_value=0, max_value=1_000_000, required=False)
    sure = serializers.BooleanField(default=False, help_text="a surprising number is meant")


class OrderSerializer(serializers.Serializer[None]):
    """Units that are bought in, or lines of stock."""

    supplier = IdField()
    makes = serializers.ListField(child=IdField(), required=False, max_length=500)
    lines = StockLineSerializer(many=True, required=False)
    is_sent = serializers.BooleanField(default=True, help_text="false: on the supplier's purchase that is not sent yet")

    def validate(self, attrs: dict[str, object]) -> dict[str, Any]:
        """One or the other."""
        if bool(attrs.get("makes")) == bool(attrs.get("lines")):
            raise serializers.ValidationError({"makes": "name units or lines of stock, not both"})
        return attrs


class EditedLineSerializer(serializers.Serializer[None]):
    """What changes of one line; of a unit only its price."""

    id = IdField()
    quantity = serializers.IntegerField(min_value=1, max_value=100_000, required=False)
    length = LengthSerializerField(required=False)
    width = LengthSerializerField(required=False)
    price = serializers.DecimalField(max_digits=10, decimal_places=2, min_value=0, max_value=1_000_000, required=False)
    sure = serializers.BooleanField(default=False, help_text="a surprising number is meant")


class EditSerializer(serializers.Serializer[None]):
    note = serializers.CharField(max_length=240, required=False, allow_blank=True)
    lines = EditedLineSerializer(many=True, required=False)
    left_out = serializers.ListField(child=IdField(), required=False, max_length=500)


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
            purchase = buying.order_units(
                supplier=supplier, makes=sent["makes"], by=request.user, is_sent=sent["is_sent"]
            )
        else:
            lines = [self._line(request, row) for row in sent["lines"]]
            purchase = buying.order_stock(supplier=supplier, lines=lines, by=request.user, is_sent=sent["is_sent"])
        return Response(PurchaseSerializer(purchase).data, status=201)

    @extend_schema(request=EditSerializer, responses=PurchaseSerializer)
    @action(detail=True, methods=["post"])
    def edit(self, request: ApiRequest, pk: str = "") -> Response:
        """What a purchase says before it is sent; a line that is not named stays."""
        purchase, sent = self.get_object(), valid(EditSerializer, request)
        rows = {line.pk: line for line in purchase.lines.select_related("material")}
        lines: dict[int, buying.StockLine | Decimal | None] = {
            key: buying.line_as_it_stands(line) if line.material else line.price for key, line in rows.items()
        }
        for one in sent.get("lines", []):
            line = rows.get(one.pop("id"))
            if line is None:
                raise serializers.ValidationError({"lines": "no such line on this purchase"})
            stands = lines[line.pk]
            lines[line.pk] = (
                stands._replace(**one) if isinstance(stands, buying.StockLine) else one.get("price", stands)
            )
        left_out = set(sent.get("left_out", []))
        row = buying.edit_draft(
            purchase=purchase, by=request.user, note=sent.get("note", purchase.note), lines=lines, left_out=left_out
        )
        return Response(PurchaseSerializer(row).data)

    @extend_schema(request=None, responses=PurchaseSerializer)
    @action(detail=True, methods=["post"])
    def send(self, request: ApiRequest, pk: str = "") -> Response:
        """Ordered as it stands."""
        return Response(PurchaseSerializer(buying.send_purchase(purchase=self.get_object(), by=request.user)).data)

    @extend_schema(request=None, responses=PurchaseSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: ApiRequest, pk: str = "") -> Response:
        """Not sent after all."""
        return Response(PurchaseSerializer(buying.cancel_draft(purchase=self.get_object(), by=request.user)).data)

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
    mount = serializers.ChoiceField(choices=Mount.choices, required=False)
    basis = serializers.ChoiceField(choices=[OPENING_SIZE, FINISHED_SIZE], required=False)


class AnswerSerializer(serializers.Serializer[None]):
    key = serializers.CharField(max_length=60, help_text="width, height, mount, basis or option_ and the option")
    answer = serializers.ChoiceField(choices=[deliveries.ACCEPTED, deliveries.REFUSED])
    why = serializers.CharField(max_length=160, required=False, help_text="needed where it is accepted")
    approved_by = serializers.CharField(
        max_length=120, required=False, help_text="who said yes for the customer; needed where an option is accepted"
    )


class OpenClaimSerializer(serializers.Serializer[None]):
    kind = serializers.ChoiceField(choices=Claim.Kind.choices)
    note = serializers.CharField(max_length=240)
    quantity = serializers.IntegerField(min_value=1, max_value=100_000, default=1)


class RemakeSerializer(serializers.Serializer[None]):
    remake_number = serializers.CharField(max_length=40)
    ships_on = DayField(required=False)


class CreditSerializer(serializers.Serializer[None]):
    credit = serializers.DecimalField(max_digits=10, decimal_places=2, min_value=0, max_value=1_000_000)


class WithdrawSerializer(serializers.Serializer[None]):
    why = serializers.CharField(max_length=160)


class ReceiveLineSerializer(serializers.Serializer[None]):
    packages = serializers.IntegerField(min_value=1, max_value=99, default=1)
    pieces = serializers.IntegerField(
        min_value=1, max_value=100_000, required=False, help_text="of stock: how many came; all that are to come"
    )
    sure = serializers.BooleanField(default=False, help_text="more came than was ordered")
    length = LengthSerializerField(required=False, help_text="of one, as it came")
    width = LengthSerializerField(required=False, help_text="of a roll, as it came")
    lot = serializers.CharField(max_length=30, required=False)
    shelf = serializers.CharField(max_length=30, required=False)


class InspectSerializer(serializers.Serializer[None]):
    is_good = serializers.BooleanField()
    note = serializers.CharField(max_length=240, required=False)
    kind = serializers.ChoiceField(choices=Claim.Kind.choices, required=False, help_text="what is claimed if not good")


class SupplierAnswerSerializer(serializers.Serializer[None]):
    is_taken = serializers.BooleanField(help_text="they make it as it is now; else the line is cancelled")
    note = serializers.CharField(max_length=240, required=False)


class PurchaseLineViewSet(ReadViewSet[PurchaseLine]):
    """What comes back of a purchase, line by line."""

    queryset = PurchaseLine.objects.select_related("make__unit", "material", "purchase__branch")
    serializer_class = PurchaseLineSerializer
    filterset_fields = ["purchase", "state"]
    roles = WORKS

    @extend_schema(request=AcknowledgeSerializer)
    @action(detail=True, methods=["post"])
    def acknowledge(self, request: ApiRequest, pk: str = "") -> Response:
        """What the supplier's acknowledgement says; differences are named."""
        said = deliveries.Acknowledged(**{"options": {}, **valid(AcknowledgeSerializer, request)})
        line = deliveries.acknowledge(line=self.get_object(), said=said, by=request.user)
        return Response(PurchaseLineSerializer(line).data)

    @extend_schema(request=AnswerSerializer)
    @action(detail=True, methods=["post"])
    def answer(self, request: ApiRequest, pk: str = "") -> Response:
        """Accept or refuse one difference."""
        sent = valid(AnswerSerializer, request)
        line = deliveries.answer_difference(line=self.get_object(), by=request.user, **sent)
        return Response(PurchaseLineSerializer(line).data)

    @extend_schema(request=OpenClaimSerializer, responses={201: ClaimSerializer})
    @action(detail=True, methods=["post"])
    def claim(self, request: ApiRequest, pk: str = "") -> Response:
        """Something of it is damaged, wrong or missing."""
        sent = valid(OpenClaimSerializer, request)
        made = deliveries.open_claim(line=self.get_object(), by=request.user, **sent)
        return Response(ClaimSerializer(made).data, status=201)

    @extend_schema(request=ReceiveLineSerializer)
    @action(detail=True, methods=["post"])
    def receive(self, request: ApiRequest, pk: str = "") -> Response:
        """Packages that came."""
        line = deliveries.receive_line(line=self.get_object(), by=request.user, **valid(ReceiveLineSerializer, request))
        return Response(PurchaseLineSerializer(line).data)

    @extend_schema(request=SupplierAnswerSerializer)
    @action(detail=True, methods=["post"], url_path="supplier-answer")
    def supplier_answer(self, request: ApiRequest, pk: str = "") -> Response:
        """What the supplier said to a change that was asked after the order."""
        sent = valid(SupplierAnswerSerializer, request)
        line = amendments.supplier_answered(line=self.get_object(), by=request.user, **sent)
        return Response(PurchaseLineSerializer(line).data)

    @extend_schema(request=InspectSerializer)
    @action(detail=True, methods=["post"])
    def inspect(self, request: ApiRequest, pk: str = "") -> Response:
        """Good, or going back."""
        line = deliveries.inspect_line(line=self.get_object(), by=request.user, **valid(InspectSerializer, request))
        return Response(PurchaseLineSerializer(line).data)


class ClaimViewSet(ReadViewSet[Claim]):
    """Claims on suppliers."""

    queryset = Claim.objects.all()
    serializer_class = ClaimSerializer
    filterset_fields = ["purchase", "kind", "outcome"]
    roles = WORKS

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def report(self, request: ApiRequest, pk: str = "") -> Response:
        """The supplier was told."""
        return Response(ClaimSerializer(deliveries.report_claim(claim=self.get_object(), by=request.user)).data)

    @extend_schema(request=RemakeSerializer)
    @action(detail=True, methods=["post"])
    def remake(self, request: ApiRequest, pk: str = "") -> Response:
        """They make it again under a number of theirs."""
        sent = valid(RemakeSerializer, request)
        return Response(ClaimSerializer(deliveries.remake_claim(claim=self.get_object(), by=request.user, **sent)).data)

    @extend_schema(request=CreditSerializer)
    @action(detail=True, methods=["post"])
    def credit(self, request: ApiRequest, pk: str = "") -> Response:
        """They credit it; a unit may be ordered again."""
        sent = valid(CreditSerializer, request)
        return Response(ClaimSerializer(deliveries.credit_claim(claim=self.get_object(), by=request.user, **sent)).data)

    @extend_schema(request=WithdrawSerializer)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: ApiRequest, pk: str = "") -> Response:
        """It was none."""
        sent = valid(WithdrawSerializer, request)
        return Response(
            ClaimSerializer(deliveries.withdraw_claim(claim=self.get_object(), by=request.user, **sent)).data
        )
