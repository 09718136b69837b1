"""Units over the API."""

from __future__ import annotations

from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from measuring import access
from measuring.adapters.options import Offer, gone_options, missing_options, offer_of
from measuring.api.base import ReasonIn
from measuring.api.openings import OptionsIn
from measuring.models import RELEASED_OR_LATER, Unit
from measuring.services import releases, sizes
from measuring.services.releases import release_problems
from shared.api import ApiRequest, ReadViewSet, kept_in, valid
from shared.roles import DISPATCHER, OWNER


class UnitSerializer(serializers.ModelSerializer[Unit]):
    """A unit; `why_not` says what holds its release."""

    opening_name = serializers.CharField(source="opening.__str__", read_only=True)
    job = serializers.IntegerField(source="opening.job_id", read_only=True)
    product_key = serializers.CharField(source="product.key", read_only=True)
    missing_options = serializers.SerializerMethodField()
    why_not = serializers.SerializerMethodField()

    class Meta:
        model = Unit
        fields = [
            "id", "code", "job", "opening", "opening_name", "number", "product_key", "mount", "options", "state",
            "order_width", "order_height", "longest_height", "basis", "steps", "findings", "size_revision", "grade",
            "due_on", "released_at", "made_at", "installed_at", "replaces", "missing_options", "why_not",
        ]  # fmt: skip
        read_only_fields = fields

    def _offer(self, unit: Unit) -> Offer:
        """What can be chosen for its product, looked up once an answer."""
        offered: dict[int, Offer] = kept_in(self.context).setdefault("offers", {})
        if unit.product_id not in offered:
            offered[unit.product_id] = offer_of(unit.product)
        return offered[unit.product_id]

    def get_missing_options(self, unit: Unit) -> list[str]:
        """Labels of what is not chosen, then a sentence for each choice that is not offered any more."""
        if unit.state in RELEASED_OR_LATER:
            return []
        offer = self._offer(unit)
        return [*missing_options(unit, offer), *gone_options(unit, offer)]

    def get_why_not(self, unit: Unit) -> list[str]:
        return release_problems(unit, self._offer(unit))


class UnitFilter(filters.FilterSet):  # type: ignore[misc]  # django-filter has no types
    job = filters.NumberFilter(field_name="opening__job")

    class Meta:
        model = Unit
        fields = ("state", "code")


class UnitViewSet(ReadViewSet[Unit]):
    """Units with their sizes."""

    lookup_value_regex = r"[0-9]+"
    queryset = Unit.objects.select_related(
        "product", "opening__product", "opening__room", "opening__job__branch", "opening__job__site"
    ).prefetch_related("opening__readings__tape", "opening__obstructions")
    serializer_class = UnitSerializer
    filterset_class = UnitFilter
    roles = access.SEES_SIZES
    action_roles = {"choose_options": access.MEASURES, "cancel": (DISPATCHER, OWNER)}

    def _one(self, pk: str | int) -> Unit:
        return access.unit_for(self.person, int(pk))

    @extend_schema(request=OptionsIn, responses=UnitSerializer)
    @action(detail=True, methods=["post"], url_path="options")
    def choose_options(self, request: ApiRequest, pk: str = "") -> Response:
        """Choose options."""
        unit = sizes.set_options(unit=self._one(pk), options=valid(OptionsIn, request)["options"], by=request.user)
        return Response(self.get_serializer(unit).data)

    @extend_schema(request=ReasonIn, responses=UnitSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: ApiRequest, pk: str = "") -> Response:
        """Not wanted any more."""
        unit = releases.cancel_unit(unit=self._one(pk), by=request.user, **valid(ReasonIn, request))
        return Response(self.get_serializer(self._one(unit.pk)).data)
