"""Crews and their absences over HTTP."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.response import Response

from jobs.api.base import OFFICE, InstantField, colleague, mine
from jobs.api.setting_up import CrewActions
from jobs.models import Absence, Crew, Purpose, Skill
from jobs.schedule.availability import crew_day
from jobs.services import crews, planning
from shared.api import ActionViewSet, ApiRequest, Filled, valid
from shared.fields import DayField
from shared.models import User
from shared.routes import RunSerializer


class AbsenceSerializer(serializers.ModelSerializer[Absence]):
    starts_at = InstantField()
    ends_at = InstantField()
    spread = serializers.BooleanField(default=False, write_only=True)

    class Meta:
        model = Absence
        fields = ["id", "user", "starts_at", "ends_at", "reason", "spread"]

    def validate_user(self, user: User | None) -> User | None:
        return colleague(self, user)


class CrewSerializer(serializers.ModelSerializer[Crew]):
    """Who drives together."""

    skills = serializers.SlugRelatedField(many=True, slug_field="key", queryset=Skill.objects.all(), required=False)
    purposes = serializers.ListField(child=serializers.ChoiceField(choices=Purpose.choices), required=False)

    class Meta:
        model = Crew
        fields = [
            "id", "name", "purposes", "skills", "people", "latitude", "longitude", "overtime_min", "truck_longest",
            "is_active",
        ]  # fmt: skip

    def validate_skills(self, skills: list[Skill]) -> list[Skill]:
        for skill in skills:
            mine(self, Skill, skill)
        return skills


class CrewViewSet(CrewActions, ActionViewSet[Crew]):
    """Crews, their days and absences."""

    roles = OFFICE
    queryset = Crew.objects.select_related("branch").prefetch_related("skills")
    serializer_class = CrewSerializer
    filterset_fields = ["is_active"]

    def perform_create(self, serializer: Filled) -> None:
        user = self.person
        serializer.instance = crews.save_crew(branch=user.own_branch, by=user, **serializer.validated_data)

    def perform_update(self, serializer: Any) -> None:
        crew, values = serializer.instance, dict(serializer.validated_data)
        skills = values.pop("skills", crew.skills.all())
        crews.save_crew(branch=crew.branch, crew=crew, by=self.person, skills=list(skills), **values)

    @extend_schema(parameters=[OpenApiParameter("day", OpenApiTypes.DATE)], responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["get"])
    def day(self, request: ApiRequest, pk: str = "") -> Response:
        """When the crew works on a day, and why not."""
        try:
            day = DayField().run_validation(request.query_params.get("day", ""))
        except serializers.ValidationError as error:
            raise serializers.ValidationError({"day": error.detail}) from None
        work = crew_day(self.get_object(), day)
        return Response({"shifts": work.shifts, "people": work.people, "why": work.why, "note": work.note})

    @extend_schema(request=AbsenceSerializer, responses={201: OpenApiTypes.OBJECT})
    @action(detail=True, methods=["post"])
    def absences(self, request: ApiRequest, pk: str = "") -> Response:
        """Note an absence; the visits it hits are named, and with `spread` a run proposes other crews for them."""
        data = valid(AbsenceSerializer, request)
        spread = data.pop("spread", False)
        row, hit = crews.add_absence(crew=self.get_object(), by=request.user, **data)
        run = planning.spread_absence(absence=row, by=request.user) if spread and hit else None
        return Response(
            {
                "absence": AbsenceSerializer(row).data,
                "hits": [visit.pk for visit in hit],
                "run": RunSerializer(run).data if run is not None else None,
            },
            status=status.HTTP_201_CREATED,
        )
