"""Groups over the API: openings that belong together, a bay's corners and walls."""

from __future__ import annotations

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.access import job_for
from measuring import access
from measuring.models import Group, Opening
from measuring.services import bays, openings
from measuring.services.bays import CornerRead
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.fields import length_answer
from shared.lengths import Length


class GroupSerializer(serializers.ModelSerializer[Group]):
    """A group; a bay's angles and who runs past, left to right, in the order of its openings."""

    openings = serializers.SerializerMethodField()
    stands_off = serializers.SerializerMethodField()

    class Meta:
        model = Group
        fields = [
            "id",
            "job",
            "kind",
            "name",
            "openings",
            "angles",
            "past",
            "stands_off",
            "room_between",
            "bottoms_level",
        ]
        read_only_fields = fields

    @extend_schema_field(OpenApiTypes.OBJECT)
    def get_stands_off(self, group: Group) -> dict[str, dict[str, object]]:
        """By opening, where it is not the product's own."""
        unit = group.job.branch.unit
        return {key: length_answer(Length(ticks), unit) for key, ticks in group.stands_off.items()}

    def get_openings(self, group: Group) -> list[int]:
        return [one.pk for one in group.openings.all()]


class GroupIn(serializers.Serializer[None]):
    """Openings of one job that belong together."""

    job = IdField()
    kind = serializers.ChoiceField(choices=Group.Kind.choices)
    name = serializers.CharField(max_length=60, default="", allow_blank=True)
    openings = serializers.ListField(child=IdField(), max_length=60)
    bottoms_level = serializers.BooleanField(default=False)


class CornerIn(serializers.Serializer[None]):
    """An angle in degrees, or three lengths it follows from: along the left and the right wall, and across."""

    angle = serializers.CharField(max_length=10, default="", allow_blank=True)
    legs = serializers.ListField(
        child=serializers.CharField(max_length=40, allow_blank=True), min_length=3, max_length=3, default=["", "", ""]
    )
    runs_past = serializers.ChoiceField(choices=["", "left", "right"], default="")


class WallIn(serializers.Serializer[None]):
    """The wall of an opening, corner to corner; how far its unit stands off, where it is not the product's own."""

    opening = IdField()
    wall = serializers.CharField(max_length=40, default="", allow_blank=True)
    stands_off = serializers.CharField(max_length=40, default="", allow_blank=True)


class BayIn(serializers.Serializer[None]):
    """A bay's corners, left to right, and its walls."""

    corners = serializers.ListField(child=CornerIn(), max_length=60)
    walls = serializers.ListField(child=WallIn(), max_length=60, default=[])
    room_between = serializers.CharField(max_length=40, default="", allow_blank=True)


class GroupViewSet(ReadViewSet[Group]):
    """Openings that belong together: bays and corners, pairs, line-ups, layers."""

    lookup_value_regex = r"[0-9]+"
    queryset = Group.objects.select_related("job__branch").prefetch_related("openings")
    serializer_class = GroupSerializer
    filterset_fields = ("job", "kind")
    roles = access.SEES_SIZES
    action_roles = dict.fromkeys(("create", "bay", "apart"), access.MEASURES)

    @extend_schema(request=GroupIn, responses={201: GroupSerializer})
    def create(self, request: Request) -> Response:
        """Openings that belong together from now on."""
        sent = valid(GroupIn, request)
        job = job_for(self.person, sent.pop("job"))
        rows = list(Opening.objects.filter(job=job, pk__in=sent.pop("openings")))
        made = openings.make_group(job=job, openings=rows, by=self.person, **sent)
        return Response(self.get_serializer(made).data, status=status.HTTP_201_CREATED)

    @extend_schema(request=BayIn, responses=GroupSerializer)
    @action(detail=True, methods=["post"])
    def bay(self, request: ApiRequest, pk: str = "") -> Response:
        """A bay's corners and walls; the sizes of its openings follow."""
        found, sent = access.bay_for(request.user, int(pk)), valid(BayIn, request)
        group = bays.set_bay(
            group=found,
            corners=[CornerRead(one["angle"], tuple(one["legs"]), one["runs_past"]) for one in sent["corners"]],
            walls={one["opening"]: one["wall"] for one in sent["walls"]},
            stands_off={one["opening"]: one["stands_off"] for one in sent["walls"]},
            room_between=sent["room_between"],
            by=request.user,
        )
        return Response(self.get_serializer(group).data)

    @extend_schema(request=None, responses={204: None})
    @action(detail=True, methods=["post"])
    def apart(self, request: ApiRequest, pk: str = "") -> Response:
        """Openings on their own again."""
        openings.ungroup(group=access.group_for(request.user, int(pk)), by=request.user)
        return Response(status=status.HTTP_204_NO_CONTENT)
