"""How a branch drives, over HTTP: crews' hours and people, holidays, skills, rules, imports."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, status, viewsets
from rest_framework.decorators import action
from rest_framework.response import Response
from rest_framework.routers import DefaultRouter

from jobs.models import Absence, CalendarRules, Crew, CrewDay, CrewMember, Holiday, Skill, UsualWindow, WorkingHours
from jobs.schedule.offers import usual_windows
from jobs.services import appointments as appointment_services
from jobs.services import crews, imports
from shared import roles
from shared.api import ApiRequest, Filled, HasRole, IdField, VisibleMixin, valid, valid_rows
from shared.fields import DayField
from shared.models import User
from shared.routes import RunSerializer


class HoursSerializer(serializers.ModelSerializer[WorkingHours]):
    """A crew's usual hours on one weekday; 0 is Monday."""

    class Meta:
        model = WorkingHours
        fields = ["weekday", "starts", "ends", "lunch_from", "lunch_until", "lunch_min"]


class MemberSerializer(serializers.ModelSerializer[CrewMember]):
    """Somebody who drives with the crew from one day to another."""

    class Meta:
        model = CrewMember
        fields = ["id", "user", "from_on", "until_on"]
        extra_kwargs = {"from_on": {"required": True}}

    def validate_user(self, user: User) -> User:
        if user.branch_id != self.context["request"].user.branch_id:
            raise serializers.ValidationError("There is no such person.")
        return user


class EndSerializer(serializers.Serializer[None]):
    member = IdField()
    until_on = DayField(required=False, help_text="the last day; left out: today")


class CrewDaySerializer(serializers.ModelSerializer[CrewDay]):
    """What differs for a crew on one day."""

    class Meta:
        model = CrewDay
        fields = ["day", "is_off", "starts", "ends", "people", "note"]


class WhichSerializer(serializers.Serializer[None]):
    absence = IdField()


class SwapSerializer(serializers.Serializer[None]):
    other = IdField(help_text="the crew to trade with")
    day = DayField()
    anyway = serializers.BooleanField(default=False)


class TradedSerializer(serializers.Serializer[None]):
    appointments = serializers.ListField(child=IdField())


class CrewActions(VisibleMixin[Crew]):
    """What is set up for one crew, as actions of its viewset."""

    @extend_schema(request=HoursSerializer(many=True), responses=HoursSerializer(many=True))
    @action(detail=True, methods=["get", "post"])
    def hours(self, request: ApiRequest, pk: str = "") -> Response:
        """The usual week; what is sent stands instead of what there was, a day left out is free."""
        crew = self.get_object()
        if request.method == "POST":
            hours = valid_rows(HoursSerializer, request)
            if len({one["weekday"] for one in hours}) < len(hours):
                raise serializers.ValidationError({"weekday": "Each weekday once."})
            crews.set_hours(crew=crew, hours=hours, by=request.user)
        return Response(HoursSerializer(crew.hours.all(), many=True).data)

    @extend_schema(request=MemberSerializer, responses=MemberSerializer(many=True))
    @action(detail=True, methods=["get", "post"])
    def members(self, request: ApiRequest, pk: str = "") -> Response:
        """Who drives with it; one more."""
        crew = self.get_object()
        if request.method == "POST":
            crews.add_member(crew=crew, by=request.user, **valid(MemberSerializer, request))
        return Response(MemberSerializer(crew.members.all(), many=True).data)

    @extend_schema(request=EndSerializer, responses=MemberSerializer(many=True))
    @action(detail=True, methods=["post"], url_path="end-member")
    def end_member(self, request: ApiRequest, pk: str = "") -> Response:
        """The last day on which somebody drives with it."""
        crew, asked = self.get_object(), valid(EndSerializer, request)
        member = get_object_or_404(crew.members, pk=asked["member"])
        today = timezone.now().astimezone(crew.branch.tz).date()
        crews.end_member(member=member, until_on=asked.get("until_on", today), by=request.user)
        return Response(MemberSerializer(crew.members.all(), many=True).data)

    @extend_schema(request=CrewDaySerializer, responses=CrewDaySerializer)
    @action(detail=True, methods=["post"])
    def differs(self, request: ApiRequest, pk: str = "") -> Response:
        """Other hours or people on one day, or none."""
        row = crews.set_crew_day(crew=self.get_object(), by=request.user, **valid(CrewDaySerializer, request))
        return Response(CrewDaySerializer(row).data)

    @extend_schema(request=WhichSerializer, responses={204: None})
    @action(detail=True, methods=["post"], url_path="remove-absence")
    def remove_absence(self, request: ApiRequest, pk: str = "") -> Response:
        """They are back."""
        which = valid(WhichSerializer, request)["absence"]
        absence = get_object_or_404(Absence.objects.filter(crew=self.get_object()), pk=which)
        crews.remove_absence(absence=absence, by=request.user)
        return Response(status=status.HTTP_204_NO_CONTENT)

    @extend_schema(request=SwapSerializer, responses=TradedSerializer)
    @action(detail=True, methods=["post"])
    def swap(self, request: ApiRequest, pk: str = "") -> Response:
        """Trade a whole day with another crew."""
        asked = valid(SwapSerializer, request)
        other = get_object_or_404(Crew.objects.visible_to(request.user), pk=asked.pop("other"))
        rows = appointment_services.swap_crews(one=self.get_object(), other=other, by=request.user, **asked)
        return Response({"appointments": [row.pk for row in rows]})


class SkillSerializer(serializers.ModelSerializer[Skill]):
    class Meta:
        model = Skill
        fields = ["id", "key", "name"]


class SkillViewSet(VisibleMixin[Skill], mixins.ListModelMixin, mixins.CreateModelMixin):
    """What crews can do beside what they drive for."""

    roles = roles.OFFICE
    queryset = Skill.objects.all()
    serializer_class = SkillSerializer

    def perform_create(self, serializer: Filled) -> None:
        user = self.person
        serializer.instance = crews.add_skill(branch=user.own_branch, by=user, **serializer.validated_data)


class HolidaySerializer(serializers.ModelSerializer[Holiday]):
    """A day the branch does not work, or a public holiday on which it does."""

    class Meta:
        model = Holiday
        fields = ["id", "day", "name", "is_worked"]


class HolidayViewSet(VisibleMixin[Holiday], mixins.ListModelMixin, mixins.CreateModelMixin, mixins.DestroyModelMixin):
    """The branch's own days off; public ones come from its country."""

    roles = roles.OFFICE
    queryset = Holiday.objects.all()
    serializer_class = HolidaySerializer

    def perform_create(self, serializer: Filled) -> None:
        user = self.person
        serializer.instance = crews.set_holiday(branch=user.own_branch, by=user, **serializer.validated_data)

    def perform_destroy(self, instance: Holiday) -> None:
        user = self.person
        crews.remove_holiday(holiday=instance, by=user)


class WindowSpanSerializer(serializers.ModelSerializer[UsualWindow]):
    class Meta:
        model = UsualWindow
        fields = ["starts", "ends"]


class RulesSerializer(serializers.ModelSerializer[CalendarRules]):
    """How the branch prices and promises."""

    windows = WindowSpanSerializer(many=True, required=False, help_text="promised on the phone; all of them at once")

    class Meta:
        model = CalendarRules
        fields = [
            "drive_price", "paid_price", "overtime_price", "moved_price", "wait_price", "overdue_price", "chance_floor",
            "reservation_min", "pack_days", "days_offered", "ask_days", "road_factor", "holiday_country",
            "holiday_region", "windows",
        ]  # fmt: skip


class RulesViewSet(viewsets.ViewSet):
    """The branch's prices, rules and usual windows; what is posted is changed, the rest stays."""

    permission_classes = [HasRole]
    roles = roles.OFFICE

    @extend_schema(responses=RulesSerializer)
    def list(self, request: ApiRequest) -> Response:
        """As they are."""
        branch = request.user.own_branch
        rules = CalendarRules.of(branch)
        shown: Any = {name: getattr(rules, name) for name in RulesSerializer.Meta.fields if hasattr(rules, name)}
        shown["windows"] = [{"starts": a, "ends": b} for a, b in usual_windows(branch)]
        return Response(RulesSerializer(shown).data)

    @extend_schema(request=RulesSerializer, responses={200: RulesSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Change some."""
        values = valid(RulesSerializer, request, partial=True)
        windows = values.pop("windows", None)
        if values:
            crews.set_rules(branch=request.user.own_branch, by=request.user, **values)
        if windows is not None:
            spans = [(one["starts"], one["ends"]) for one in windows]
            crews.set_usual_windows(branch=request.user.own_branch, windows=spans, by=request.user)
        return self.list(request)


class ImportSerializer(serializers.Serializer[None]):
    text = serializers.CharField(max_length=4_000_000, help_text="CSV, its first line names our columns")
    kind = serializers.ChoiceField(
        ["jobs", "customers", "crews", "postcodes", "openings", "products"],
        default="jobs",
        help_text="what its lines are",
    )
    dry = serializers.BooleanField(default=True, help_text="write nothing: say what would become of each line")


class ImportViewSet(viewsets.ViewSet):
    """Jobs, customers, crews, openings and products from CSV."""

    permission_classes = [HasRole]
    roles = roles.OFFICE

    @extend_schema(request=ImportSerializer, responses={202: RunSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Ask for an import: the run that looks at it or books it; its result tells each line's fate."""
        asked = valid(ImportSerializer, request)
        run = imports.ask_for_import(branch=request.user.own_branch, by=request.user, **asked)
        return Response(RunSerializer(run).data, status=status.HTTP_202_ACCEPTED)


def register(router: DefaultRouter) -> None:
    """The routes of how a branch drives."""
    router.register("skills", SkillViewSet, basename="skill")
    router.register("holidays", HolidayViewSet, basename="holiday")
    router.register("calendar-rules", RulesViewSet, basename="calendar-rules")
    router.register("job-imports", ImportViewSet, basename="job-import")
