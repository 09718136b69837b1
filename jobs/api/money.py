"""A job's money over HTTP: what the order comes to, what was paid, what is due; no invoices."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from jobs.api.base import OFFICE, mine
from jobs.models import Appointment, Job, Payment
from jobs.ports import ports
from jobs.services import money as services
from shared.api import ApiRequest, Filled, ReadViewSet


class ValueSerializer(serializers.Serializer[Any]):
    """What the measured units come to by the firm's prices."""

    total = serializers.DecimalField(max_digits=12, decimal_places=2, read_only=True)
    priced = serializers.IntegerField(read_only=True)
    unpriced = serializers.IntegerField(read_only=True)
    why = serializers.CharField(read_only=True, help_text="Why the first of the others has no price.")


class MoneySerializer(serializers.ModelSerializer[Job]):
    """What the order comes to and which deposit is asked; what is paid and due of them."""

    currency = serializers.CharField(source="branch.currency", read_only=True)
    paid = serializers.DecimalField(max_digits=12, decimal_places=2, read_only=True)
    due = serializers.DecimalField(max_digits=12, decimal_places=2, read_only=True, allow_null=True)
    deposit_due = serializers.DecimalField(max_digits=12, decimal_places=2, read_only=True)
    value = ValueSerializer(read_only=True, allow_null=True)

    class Meta:
        model = Job
        fields = ["order_value", "deposit", "currency", "paid", "due", "deposit_due", "value"]

    def to_representation(self, instance: Job) -> dict[str, Any]:
        balance = services.balance_of(instance)
        for name in ("paid", "due", "deposit_due"):
            setattr(instance, name, getattr(balance, name))
        instance.value = ports.value(instance)  # type: ignore[attr-defined]  # read above as the field is
        return super().to_representation(instance)


class PaymentSerializer(serializers.ModelSerializer[Payment]):
    """Money that came."""

    amount = serializers.DecimalField(
        max_digits=11, decimal_places=2, min_value=Decimal("0.01"), max_value=Decimal(100_000_000)
    )

    class Meta:
        model = Payment
        fields = ["id", "job", "amount", "how", "note", "appointment", "by", "at", "taken_back_at"]
        read_only_fields = ["by", "at", "taken_back_at"]

    def validate_job(self, job: Job) -> Job:
        return mine(self, Job, job)

    def validate_appointment(self, appointment: Appointment | None) -> Appointment | None:
        return mine(self, Appointment, appointment)

    def validate(self, values: dict[str, Any]) -> dict[str, Any]:
        visit = values.get("appointment")
        if visit is not None and visit.job_id != values["job"].pk:
            raise serializers.ValidationError({"appointment": "This visit is of another job."})
        return values


class PaymentViewSet(ReadViewSet[Payment], mixins.CreateModelMixin):
    """Payments: recorded, and taken back where they did not come after all; the lines stay."""

    roles = OFFICE
    queryset = Payment.objects.select_related("job__branch")
    serializer_class = PaymentSerializer
    filterset_fields = ["job", "how", "appointment"]

    def perform_create(self, serializer: Filled) -> None:
        serializer.instance = services.record_payment(by=self.person, **serializer.validated_data)

    @extend_schema(request=None, responses=PaymentSerializer)
    @action(detail=True, methods=["post"], url_path="take-back")
    def take_back(self, request: ApiRequest, pk: str = "") -> Response:
        """It did not come after all."""
        row = services.take_back_payment(payment=self.get_object(), by=request.user)
        return Response(self.get_serializer(row).data)
