"""Sizes over the API: the customer's yes, the release, changes after it."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response
from rest_framework.viewsets import ViewSet

from jobs.access import job_for
from jobs.models import Job
from measuring import access
from measuring.api.units import UnitSerializer
from measuring.models import Product, SizeChange, Unit
from measuring.services import changes, releases
from measuring.services.sizes import effects_of
from shared.api import ApiRequest, HasRole, IdField, PersonMixin, valid
from shared.fields import DayField
from shared.roles import DISPATCHER, OWNER


class ApproveIn(serializers.Serializer[None]):
    units = serializers.ListField(child=IdField(), min_length=1)
    approved_by = serializers.CharField(max_length=120)
    how = serializers.CharField(max_length=60, default="", allow_blank=True)


class ReleaseIn(serializers.Serializer[None]):
    units = serializers.ListField(child=IdField(), min_length=1)
    due_on = DayField(required=False, allow_null=True)


class SizesViewSet(PersonMixin, ViewSet):
    """Approval and release of a job's units."""

    lookup_value_regex = r"[0-9]+"
    queryset = Job.objects.none()  # names the type of the key in the schema
    permission_classes = [HasRole]
    roles = access.SEES_SIZES
    action_roles = {"approve": (DISPATCHER, OWNER), "release": (DISPATCHER, OWNER)}

    def _job(self, pk: str) -> Job:
        return job_for(self.person, int(pk))

    def _rows(self, job: Job) -> Response:
        units = Unit.objects.filter(opening__job=job).live()
        rows = units.select_related("product", "opening__room", "opening__job__branch", "opening__job__site")
        return Response(UnitSerializer(rows, many=True, context={"request": self.request}).data)

    @extend_schema(responses=UnitSerializer(many=True))
    @action(detail=True, url_name="list")
    def sizes(self, request: ApiRequest, pk: str = "") -> Response:
        """Every live unit of the job."""
        return self._rows(self._job(pk))

    @extend_schema(request=ApproveIn, responses=UnitSerializer(many=True))
    @action(detail=True, methods=["post"], url_path="sizes/approve")
    def approve(self, request: ApiRequest, pk: str = "") -> Response:
        """Record the customer's yes to these units as they stand."""
        job, sent = self._job(pk), valid(ApproveIn, request)
        sent["units"] = list(Unit.objects.filter(opening__job=job, pk__in=sent["units"]))
        releases.approve_sizes(job=job, by=request.user, **sent)
        return self._rows(job)

    @extend_schema(request=ReleaseIn, responses=UnitSerializer(many=True))
    @action(detail=True, methods=["post"], url_path="sizes/release")
    def release(self, request: ApiRequest, pk: str = "") -> Response:
        """Hand these units to the workroom."""
        job, sent = self._job(pk), valid(ReleaseIn, request)
        units = list(Unit.objects.filter(opening__job=job, pk__in=sent["units"]))
        releases.release_to_workroom(job=job, units=units, by=request.user, due_on=sent.get("due_on"))
        return self._rows(job)


class SizeChangeSerializer(serializers.ModelSerializer[SizeChange]):
    effects = serializers.SerializerMethodField()

    class Meta:
        model = SizeChange
        fields = [
            "id", "unit", "state", "kind", "reason", "price", "old_width", "old_height", "new_width", "new_height",
            "new_longest_height", "new_options", "new_product", "steps", "findings", "effects", "opened_at",
            "decided_at", "decision_note",
        ]  # fmt: skip
        read_only_fields = fields

    def get_effects(self, change: SizeChange) -> list[str]:
        if change.state != SizeChange.State.OPEN:
            return list(change.effects)
        return effects_of(change)


class DecisionIn(serializers.Serializer[None]):
    accept = serializers.BooleanField()
    text = serializers.CharField(max_length=240, default="", allow_blank=True)
    approved_by = serializers.CharField(
        max_length=120, default="", allow_blank=True, help_text="needed where more than the measured size changes"
    )
    how = serializers.CharField(max_length=60, default="", allow_blank=True)


class ChangeIn(serializers.Serializer[None]):
    """What somebody wants of a released unit."""

    unit = IdField()
    kind = serializers.ChoiceField(choices=SizeChange.Kind.choices)
    options = serializers.DictField(child=serializers.CharField(max_length=120, allow_blank=True), required=False)
    product = serializers.SlugField(max_length=40, required=False)
    reason = serializers.CharField(max_length=240, default="", allow_blank=True)
    price = serializers.DecimalField(max_digits=10, decimal_places=2, min_value=0, max_value=1_000_000, required=False)
    look = serializers.BooleanField(default=False, help_text="only say what it would do; nothing is kept")


class SizeChangeViewSet(PersonMixin, ViewSet):
    """Changes of units after their release."""

    lookup_value_regex = r"[0-9]+"
    queryset = SizeChange.objects.none()  # names the type of the key in the schema
    permission_classes = [HasRole]
    roles = access.SEES_SIZES
    action_roles = {"decide": (DISPATCHER, OWNER), "create": access.ASKS}

    def _one(self, pk: str) -> SizeChange:
        return access.change_for(self.person, int(pk))

    @extend_schema(responses=SizeChangeSerializer)
    def retrieve(self, request: ApiRequest, pk: str = "") -> Response:
        """One change and what it does."""
        return Response(SizeChangeSerializer(self._one(pk), context={"request": request}).data)

    @extend_schema(request=DecisionIn, responses=SizeChangeSerializer)
    @action(detail=True, methods=["post"])
    def decide(self, request: ApiRequest, pk: str = "") -> Response:
        """Accept or refuse it."""
        change, sent = self._one(pk), valid(DecisionIn, request)
        if sent.pop("accept"):
            changes.accept_change(change=change, by=request.user, **sent)
        else:
            changes.refuse_change(change=change, by=request.user, text=sent["text"])
        return self.retrieve(request, pk)

    @extend_schema(request=ChangeIn, responses={200: SizeChangeSerializer, 201: SizeChangeSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Put a released unit on hold until its change is decided, or only say what the change would do."""
        sent = valid(ChangeIn, request)
        unit, look = access.unit_for(self.person, sent.pop("unit")), sent.pop("look")
        if key := sent.pop("product", None):
            rows = Product.objects.filter(branch=unit.opening.job.branch_id, is_active=True)
            sent["product"] = rows.filter(key=key).first()
        asked = changes.Asked(**sent)
        if look:
            change = changes.proposed(unit, asked, request.user)
        else:
            change = changes.ask_for_change(unit=unit, asked=asked, by=request.user)
        context = {"request": request}
        return Response(SizeChangeSerializer(change, context=context).data, status=200 if look else 201)
