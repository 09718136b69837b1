"""The same deeds over HTTP: jobs, visits, sites, crews, plans. Nothing here writes but through a service."""

from __future__ import annotations

import datetime as dt
from typing import Any, TypeVar

from django.db.models import Model
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import DefaultRouter

from jobs import services
from jobs.access import SEES_PHONES, secret_for
from jobs.api_setup import CrewDeeds
from jobs.api_setup import register as register_setup
from jobs.ics import feed_token
from jobs.models import (
    Absence,
    Appointment,
    CalendarFeed,
    Crew,
    Customer,
    Job,
    PossibleWindow,
    Project,
    Proposal,
    ProposedMove,
    Purpose,
    ReadinessAnswer,
    Site,
    Skill,
)
from jobs.ports import Blocker, ports
from jobs.schedule.availability import crew_day
from jobs.schedule.chances import share_told
from jobs.schedule.day import read_schedule
from jobs.schedule.effects import effect_of, in_the_way
from jobs.schedule.offers import Offer, offers_for, read_value
from jobs.views.appointments import effect_json
from jobs.views.jobs import blockers_of
from jobs.views.projects import project_of
from jobs.words import copy_text
from shared import roles
from shared.api import ApiRequest, DeedViewSet, Filled, ReadViewSet, kept_in
from shared.models import User
from shared.routes import RunSerializer

OFFICE, EVERYBODY = roles.OFFICE, roles.ALL
DRIVES = (*roles.FIELD, *OFFICE)
READING = dict.fromkeys(("list", "retrieve"), EVERYBODY)
M = TypeVar("M", bound=Model)
R = TypeVar("R", bound=Model | None)
TAPPING = dict.fromkeys(("on_the_way", "arrived", "done", "undo_tap"), DRIVES)


class _Quiet(serializers.ModelSerializer[M]):
    """Leaves telephone numbers out for who should not see them."""

    phones: tuple[str, ...] = ()

    def to_representation(self, instance: Any) -> dict[str, Any]:
        shown = super().to_representation(instance)
        request = self.context.get("request")
        if request is not None and not request.user.has_role(*SEES_PHONES):
            for name in self.phones:
                shown.pop(name, None)
        return dict(shown)


class CustomerSerializer(_Quiet[Customer]):
    """Who pays."""

    phones = ("phone", "email")

    class Meta:
        model = Customer
        fields = ["id", "name", "phone", "email", "note"]


class SiteSerializer(_Quiet[Site]):
    """Where somebody drives to. The key's place or code goes in and never comes out here."""

    phones = ("door_phone",)
    has_secret = serializers.SerializerMethodField()

    class Meta:
        model = Site
        fields = [
            "id", "customer", "name", "street", "line2", "town", "postcode", "latitude", "longitude", "year_built",
            "floor", "has_lift", "longest_in_lift", "longest_on_stair", "children", "pets", "parking", "access",
            "access_secret", "has_secret", "access_note", "door_contact", "door_phone", "notice_needed", "hours_from",
            "hours_until", "dock_note", "certificate_note",
        ]  # fmt: skip
        extra_kwargs = {"access_secret": {"write_only": True}}

    @extend_schema_field(OpenApiTypes.BOOL)
    def get_has_secret(self, site: Site) -> bool:
        return bool(site.access_secret)

    def validate_customer(self, customer: Customer) -> Customer:
        return _mine(self, Customer, customer)


def _mine(serializer: serializers.BaseSerializer[Any], model: Any, row: R) -> R:
    """The row when the user may see it; else it is as if it were not there."""
    if row is not None and not model.objects.visible_to(serializer.context["request"].user).filter(pk=row.pk).exists():
        raise serializers.ValidationError("There is no such row.")
    return row


class SpanSerializer(serializers.Serializer[Any]):
    """A stretch of time."""

    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField()


class PossibleWindowSerializer(serializers.ModelSerializer[PossibleWindow]):
    class Meta:
        model = PossibleWindow
        fields = ["starts_at", "ends_at"]


class ReadinessSerializer(serializers.ModelSerializer[ReadinessAnswer]):
    class Meta:
        model = ReadinessAnswer
        fields = ["question", "answer", "note", "at"]


class AppointmentSerializer(serializers.ModelSerializer[Appointment]):
    """A visit: where it stands, its promise, how the day went."""

    job_number = serializers.CharField(source="job.number", read_only=True)
    address = serializers.CharField(source="job.site.address", read_only=True)
    possible_windows = PossibleWindowSerializer(many=True, read_only=True)
    bring = serializers.SerializerMethodField()
    access_secret = serializers.SerializerMethodField()
    in_the_way = serializers.SerializerMethodField()
    outcome = serializers.SerializerMethodField(help_text="What became of it once it is done.")
    skills: Any = serializers.SlugRelatedField(many=True, slug_field="key", read_only=True)
    expected_at = serializers.SerializerMethodField()

    class Meta:
        model = Appointment
        fields = [
            "id", "job", "job_number", "address", "purpose", "state", "outcome", "crew", "day", "starts_at",
            "duration_min", "duration_safe_min", "promised_from", "promised_until", "earliest_on", "people", "priority",
            "is_locked", "held_until", "skills", "possible_windows", "note", "on_the_way_at", "arrived_at", "done_at",
            "expected_at", "version", "sequence", "bring", "in_the_way", "access_secret",
        ]  # fmt: skip
        read_only_fields = fields

    @extend_schema_field({"type": "string", "format": "date-time", "nullable": True})
    def get_expected_at(self, row: Appointment) -> str | None:
        """When it will begin, once its day runs otherwise than planned; as its page says."""
        now, tz = timezone.now(), row.job.branch.tz
        if row.crew is None or row.day != now.astimezone(tz).date() or not row.is_placed():
            return None
        known = kept_in(self.context).setdefault("expected", {})
        if row.job.branch_id not in known:
            crews = list(Crew.objects.filter(branch=row.job.branch, appointments__day=row.day).distinct())
            days = read_schedule(row.job.branch, crews, [row.day]).days.values()
            known[row.job.branch_id] = {pk: when for one in days for pk, when in one.expected(now).items()}
        when = known[row.job.branch_id].get(row.pk)
        return None if when is None else serializers.DateTimeField().to_representation(when)

    @extend_schema_field({"type": "array", "items": {"type": "string"}})
    def get_bring(self, row: Appointment) -> list[str]:
        return ports.bring([row])[row.pk] if self.context.get("whole") else []

    @extend_schema_field({"type": "array", "items": {"type": "string"}})
    def get_in_the_way(self, row: Appointment) -> list[str]:
        return [blocker.text for blocker in in_the_way(row)] if self.context.get("whole") else []

    @extend_schema_field(OpenApiTypes.STR)
    def get_outcome(self, row: Appointment) -> str:
        return str(self.context.get("outcomes", {}).get(row.pk, ""))

    @extend_schema_field(OpenApiTypes.STR)
    def get_access_secret(self, row: Appointment) -> str:
        request = self.context.get("request")
        return secret_for(request.user, row) if request is not None and self.context.get("whole") else ""


class JobSerializer(serializers.ModelSerializer[Job]):
    """A job and where it stands."""

    customer_name = serializers.CharField(source="customer.name", read_only=True)
    address = serializers.CharField(source="site.address", read_only=True)

    class Meta:
        model = Job
        fields = [
            "id", "number", "customer", "customer_name", "site", "address", "project", "phase", "title", "note",
            "openings_expected", "rooms_expected", "policy", "stage", "stage_since", "hold", "hold_note",
            "cancelled_at", "wanted_by", "created_at",
        ]  # fmt: skip
        read_only_fields = [
            "number", "customer", "site", "stage", "stage_since", "hold", "hold_note", "cancelled_at", "created_at",
        ]  # fmt: skip


class BookSerializer(serializers.Serializer[Any]):
    """A booking: who and where, each known or new, and what is known of when."""

    customer = serializers.PrimaryKeyRelatedField(queryset=Customer.objects.all(), required=False)
    new_customer = CustomerSerializer(required=False)
    site = serializers.PrimaryKeyRelatedField(queryset=Site.objects.all(), required=False)
    new_site = serializers.DictField(required=False, help_text="The fields of a site but its customer.")
    openings_expected = serializers.IntegerField(min_value=1, max_value=999, default=1)
    rooms_expected = serializers.CharField(max_length=240, default="", allow_blank=True)
    title = serializers.CharField(max_length=160, default="", allow_blank=True)
    note = serializers.CharField(default="", allow_blank=True)
    duration_min = serializers.IntegerField(min_value=1, max_value=1440, required=False, allow_null=True)
    project = serializers.PrimaryKeyRelatedField(queryset=Project.objects.all(), required=False, allow_null=True)
    phase = serializers.CharField(max_length=60, default="", allow_blank=True)
    possible = SpanSerializer(many=True, default=list)
    impossible = SpanSerializer(many=True, default=list)

    def validate_project(self, project: Project | None) -> Project | None:
        return _mine(self, Project, project)

    def validate_customer(self, customer: Customer) -> Customer:
        return _mine(self, Customer, customer)

    def validate_site(self, site: Site) -> Site:
        return _mine(self, Site, site)

    def validate_new_site(self, values: dict[str, Any]) -> dict[str, Any]:
        names = [name for name in SiteSerializer.Meta.fields if name not in {"id", "customer", "has_secret"}]
        inner = SiteSerializer(data=values, partial=True, context=self.context)
        inner.is_valid(raise_exception=True)
        for name in ("street", "town"):
            if not values.get(name):
                raise serializers.ValidationError({name: "This is needed."})
        return {name: value for name, value in inner.validated_data.items() if name in names}

    def validate(self, values: dict[str, Any]) -> dict[str, Any]:
        if ("site" in values) == ("new_site" in values):
            raise serializers.ValidationError({"site": "Give a known site or a new one."})
        if "site" not in values and ("customer" in values) == ("new_customer" in values):
            raise serializers.ValidationError({"customer": "Give a known customer or a new one."})
        return values


class HoldSerializer(serializers.Serializer[Any]):
    reason = serializers.ChoiceField(choices=Job.Hold.choices)
    note = serializers.CharField(max_length=240, default="", allow_blank=True)


class ReasonSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240)


class NewVisitSerializer(serializers.Serializer[Any]):
    purpose = serializers.ChoiceField(choices=Purpose.choices)
    duration_min = serializers.IntegerField(min_value=1, max_value=1440, required=False, allow_null=True)
    people = serializers.IntegerField(min_value=1, max_value=20, default=1)
    priority = serializers.IntegerField(min_value=1, max_value=100, default=1)
    earliest_on = serializers.DateField(required=False, allow_null=True)
    note = serializers.CharField(default="", allow_blank=True)
    skills = serializers.ListField(child=serializers.SlugField(), default=list)
    possible = SpanSerializer(many=True, default=list)


class ChangeVisitSerializer(serializers.Serializer[Any]):
    duration_min = serializers.IntegerField(min_value=1, max_value=1440, required=False)
    people = serializers.IntegerField(min_value=1, max_value=20, required=False)
    priority = serializers.IntegerField(min_value=1, max_value=100, required=False)
    earliest_on = serializers.DateField(required=False, allow_null=True)
    note = serializers.CharField(required=False, allow_blank=True)


class PlaceSerializer(serializers.Serializer[Any]):
    crew = serializers.PrimaryKeyRelatedField(queryset=Crew.objects.all())
    starts_at = serializers.DateTimeField()
    anyway = serializers.BooleanField(default=False)
    version = serializers.IntegerField(required=False, allow_null=True)

    def validate_crew(self, crew: Crew) -> Crew:
        return _mine(self, Crew, crew)


class WindowSerializer(serializers.Serializer[Any]):
    window = serializers.CharField(help_text="An offer's `window` as it was given.")


class PromiseSerializer(serializers.Serializer[Any]):
    window_from = serializers.DateTimeField(required=False)
    window_until = serializers.DateTimeField(required=False)
    anyway = serializers.BooleanField(default=False, help_text="promise although something is in the way")

    def validate(self, values: dict[str, Any]) -> dict[str, Any]:
        if ("window_from" in values) != ("window_until" in values):
            raise serializers.ValidationError({"window_until": "Give both ends of the window, or none."})
        return values


class LockSerializer(serializers.Serializer[Any]):
    locked = serializers.BooleanField(default=True)


class AnywaySerializer(serializers.Serializer[Any]):
    anyway = serializers.BooleanField(default=False)


class SplitSerializer(serializers.Serializer[Any]):
    first_min = serializers.IntegerField(min_value=1, max_value=1440)


class TapSerializer(serializers.Serializer[Any]):
    at = serializers.DateTimeField(required=False)

    def validate_at(self, when: dt.datetime) -> dt.datetime:
        if when > timezone.now() + dt.timedelta(minutes=5):
            raise serializers.ValidationError("This lies in the future.")
        return when


class AnswersSerializer(serializers.Serializer[Any]):
    answers = serializers.DictField(child=serializers.CharField(allow_blank=True))
    note = serializers.CharField(max_length=160, default="", allow_blank=True)


def _offer(offer: Offer) -> dict[str, Any]:
    return {
        "window": offer.value,
        "crew": offer.crew.pk,
        "crew_name": offer.crew.name,
        "day": offer.day.isoformat(),
        "from": offer.window[0].isoformat(),
        "until": offer.window[1].isoformat(),
        "starts_at": offer.starts_at.isoformat(),
        "price": str(offer.price),
        "drive_min": offer.drive_min,
        "wait_min": offer.wait_min,
        "others_moved": len(offer.others),
        "chance": share_told(offer.chance) if offer.chance else None,
        "chance_words": offer.chance.words if offer.chance else "",
    }


# -- viewsets ------------------------------------------------------------------------------------


class CustomerViewSet(DeedViewSet):
    """Customers of the branch."""

    roles = OFFICE
    queryset = Customer.objects.all()
    serializer_class = CustomerSerializer
    filterset_fields = ["name"]

    def perform_create(self, serializer: Filled) -> None:
        user = self.person
        serializer.instance = services.new_customer(branch=user.own_branch, by=user, **serializer.validated_data)

    def perform_update(self, serializer: Any) -> None:
        services.edit_customer(customer=serializer.instance, by=self.person, **serializer.validated_data)


class SiteViewSet(DeedViewSet):
    """Sites of the branch."""

    roles = OFFICE
    queryset = Site.objects.all()
    serializer_class = SiteSerializer
    filterset_fields = ["customer", "town", "postcode"]

    def perform_create(self, serializer: Filled) -> None:
        serializer.instance = services.new_site(by=self.person, **serializer.validated_data)

    def perform_update(self, serializer: Any) -> None:
        values = {name: value for name, value in serializer.validated_data.items() if name != "customer"}
        services.edit_site(site=serializer.instance, by=self.person, **values)


class ProjectSerializer(serializers.ModelSerializer[Project]):
    """Many sites and phases of one customer, each phase with its jobs and how far they are."""

    phases = serializers.SerializerMethodField()

    class Meta:
        model = Project
        fields = ["id", "customer", "name", "note", "phases"]

    @extend_schema_field({"type": "array", "items": {"type": "object"}})
    def get_phases(self, project: Project) -> list[dict[str, Any]]:
        return project_of(project)

    def validate_customer(self, customer: Customer) -> Customer:
        return _mine(self, Customer, customer)


class ProjectViewSet(DeedViewSet):
    """Projects: opened, changed, and looked at phase by phase; a job joins one by its `project` and `phase`."""

    roles = OFFICE
    queryset = Project.objects.select_related("customer")
    serializer_class = ProjectSerializer
    filterset_fields = ["customer"]

    def perform_create(self, serializer: Filled) -> None:
        serializer.instance = services.new_project(by=self.person, **serializer.validated_data)

    def perform_update(self, serializer: Any) -> None:
        values = {name: value for name, value in serializer.validated_data.items() if name != "customer"}
        services.edit_project(project=serializer.instance, by=self.person, **values)


BOOKED = ("openings_expected", "rooms_expected", "title", "note", "project", "phase")


class JobViewSet(DeedViewSet):
    """Jobs: book, change, pause, cancel; ask for visits."""

    roles = OFFICE
    deed_roles = READING
    queryset = Job.objects.select_related("customer", "site")
    serializer_class = JobSerializer
    filterset_fields = ["stage", "number", "customer", "site", "project", "phase", "hold"]

    @extend_schema(request=BookSerializer, responses={201: JobSerializer})
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Book a job with its customer, site and first visit, all or nothing."""
        asked = BookSerializer(data=request.data, context=self.get_serializer_context())
        asked.is_valid(raise_exception=True)
        data = asked.validated_data
        site = data.get("site")
        job = services.book_job(
            branch=self.person.own_branch,
            by=self.person,
            customer=site.customer if site else data.get("customer") or data["new_customer"],
            site=site or data["new_site"],
            job={name: data[name] for name in BOOKED if name in data},
            duration_min=data.get("duration_min"),
            possible=_spans(data["possible"]),
            impossible=_spans(data["impossible"]),
        )
        return Response(self.get_serializer(job).data, status=status.HTTP_201_CREATED)

    def perform_update(self, serializer: Any) -> None:
        values = dict(serializer.validated_data)
        if "project" in values:
            _mine(serializer, Project, values["project"])
        serializer.instance = services.edit_job(job=serializer.instance, by=self.person, **values)

    def _answer(self, job: Job) -> Response:
        return Response(self.get_serializer(job).data)

    @extend_schema(request=HoldSerializer, responses=JobSerializer)
    @action(detail=True, methods=["post"])
    def hold(self, request: ApiRequest, pk: str = "") -> Response:
        """Pause it."""
        return self._answer(services.hold(job=self.get_object(), by=request.user, **_valid(HoldSerializer, request)))

    @extend_schema(request=None, responses=JobSerializer)
    @action(detail=True, methods=["post"])
    def unhold(self, request: ApiRequest, pk: str = "") -> Response:
        """Let it go on."""
        return self._answer(services.unhold(job=self.get_object(), by=request.user))

    @extend_schema(request=ReasonSerializer, responses=JobSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: ApiRequest, pk: str = "") -> Response:
        """Cancel it and its coming visits."""
        data = _valid(ReasonSerializer, request)
        return self._answer(services.cancel_job(job=self.get_object(), by=request.user, **data))

    @extend_schema(request=None, responses=JobSerializer)
    @action(detail=True, methods=["post"])
    def take_up(self, request: ApiRequest, pk: str = "") -> Response:
        """Take a cancelled job up again."""
        return self._answer(services.take_up_again(job=self.get_object(), by=request.user))

    @extend_schema(request=SpanSerializer(many=True), responses=SpanSerializer(many=True))
    @action(detail=True, methods=["get", "post"])
    def impossible(self, request: ApiRequest, pk: str = "") -> Response:
        """The stretches in which the customer can't be there; what is sent stands instead of those there were."""
        job = self.get_object()
        if request.method == "POST":
            services.set_impossible_times(job=job, spans=_spans(_many(SpanSerializer, request)), by=request.user)
        return Response(SpanSerializer(job.impossible_times.all(), many=True).data)

    @extend_schema(request=NewVisitSerializer, responses={201: AppointmentSerializer})
    @action(detail=True, methods=["post"])
    def visits(self, request: ApiRequest, pk: str = "") -> Response:
        """Ask for another visit; it is unplaced."""
        data = _valid(NewVisitSerializer, request)
        skills = Skill.objects.visible_to(request.user).filter(key__in=data.pop("skills"))
        data["possible"] = _spans(data["possible"])
        row = services.new_appointment(job=self.get_object(), by=request.user, skills=skills, **data)
        context = {**self.get_serializer_context(), "whole": True}
        return Response(AppointmentSerializer(row, context=context).data, status=status.HTTP_201_CREATED)

    @extend_schema(responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["get"])
    def blockers(self, request: ApiRequest, pk: str = "") -> Response:
        """What holds it up."""
        job = self.get_object()
        visits = job.appointments.prefetch_related("readiness")
        return Response([_blocker(one) for one in blockers_of(job, visits)])


def _blocker(one: Blocker) -> dict[str, Any]:
    return {"text": one.text, "owner": one.owner, "since": one.since, "severity": one.severity}


def _spans(rows: list[dict[str, dt.datetime]]) -> list[tuple[dt.datetime, dt.datetime]]:
    return [(row["starts_at"], row["ends_at"]) for row in rows]


def _valid(serializer: Any, request: ApiRequest, **context: Any) -> dict[str, Any]:
    asked = serializer(data=request.data, context={"request": request, **context})
    asked.is_valid(raise_exception=True)
    return dict(asked.validated_data)


def _many(serializer: Any, request: ApiRequest) -> list[dict[str, Any]]:
    asked = serializer(data=request.data, many=True)
    asked.is_valid(raise_exception=True)
    return list(asked.validated_data)


class AppointmentViewSet(ReadViewSet):
    """Visits: offers, holding, promising, moving, and the crew's taps."""

    roles = OFFICE
    deed_roles = READING | TAPPING
    queryset = Appointment.objects.select_related("job__site", "job__customer", "job__branch", "crew").prefetch_related(
        "skills", "possible_windows"
    )
    serializer_class = AppointmentSerializer
    filterset_fields = ["job", "crew", "day", "state", "purpose"]
    http_method_names = ["get", "post", "patch", "head", "options"]

    def get_serializer_context(self) -> dict[str, Any]:
        return {**super().get_serializer_context(), "whole": self.action != "list"}

    def get_serializer(self, *args: Any, **kwargs: Any) -> Any:
        rows = args[0] if args and kwargs.get("many") else args[:1]
        kwargs["context"] = {**self.get_serializer_context(), "outcomes": ports.outcomes(rows)}
        return super().get_serializer(*args, **kwargs)

    def handle_exception(self, exc: Exception) -> Response:
        response = super().handle_exception(exc)
        if isinstance(exc, services.Stopped):
            response.data["blockers"] = [_blocker(one) for one in exc.blockers]
        return response

    def _answer(self, row: Appointment) -> Response:
        row = self.get_queryset().get(pk=row.pk)
        return Response(self.get_serializer(row).data)

    @extend_schema(request=ChangeVisitSerializer, responses=AppointmentSerializer)
    def partial_update(self, request: ApiRequest, pk: str = "") -> Response:
        """Minutes, people, priority, earliest day, note."""
        row = self.get_object()
        data = {"earliest_on": row.earliest_on} | _valid(ChangeVisitSerializer, request)
        return self._answer(services.edit_appointment(appointment=row, by=request.user, **data))

    @extend_schema(
        parameters=[OpenApiParameter("days", OpenApiTypes.INT), OpenApiParameter("most", OpenApiTypes.INT)],
        responses=OpenApiTypes.OBJECT,
    )
    @action(detail=True, methods=["get"])
    def offers(self, request: ApiRequest, pk: str = "") -> Response:
        """The best windows with price and chance."""
        limits = {"days": (None, 60), "most": (12, 100)}
        asked = {}
        for name, (usual, most) in limits.items():
            text = request.query_params.get(name, "")
            if text and not (text.isdigit() and 1 <= int(text) <= most):
                raise serializers.ValidationError({name: f"A whole number from 1 to {most}."})
            asked[name] = int(text) if text else usual
        found = offers_for(self.get_object(), days_ahead=asked["days"], most=asked["most"] or 12)
        return Response({"offers": [_offer(one) for one in found.best], "why": found.why, "word": found.word})

    @extend_schema(request=SpanSerializer(many=True), responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def possible(self, request: ApiRequest, pk: str = "") -> Response:
        """The windows in which the customer can take it, instead of those there were; none is any time."""
        windows = _spans(_many(SpanSerializer, request))
        row = services.set_possible_windows(appointment=self.get_object(), windows=windows, by=request.user)
        return self._answer(row)

    @extend_schema(request=WindowSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def hold(self, request: ApiRequest, pk: str = "") -> Response:
        """Hold an offered window."""
        row = self.get_object()
        crews = list(Crew.objects.visible_to(request.user).filter(is_active=True))
        crew, window = read_value(crews, _valid(WindowSerializer, request)["window"])
        return self._answer(services.hold_offer(appointment=row, crew=crew, window=window, by=request.user))

    @extend_schema(request=PlaceSerializer, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def effect(self, request: ApiRequest, pk: str = "") -> Response:
        """What placing it there would cost and break; nothing is written."""
        data = _valid(PlaceSerializer, request)
        found = effect_of(self.get_object(), crew=data["crew"], starts_at=data["starts_at"])
        return Response(effect_json(found))

    @extend_schema(request=PlaceSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def place(self, request: ApiRequest, pk: str = "") -> Response:
        """Place or move it."""
        data = _valid(PlaceSerializer, request)
        return self._answer(services.place(appointment=self.get_object(), by=request.user, **data))

    @extend_schema(request=PromiseSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def promise(self, request: ApiRequest, pk: str = "") -> Response:
        """
        Promise the held window, or the one given.

        What is `in_the_way` refuses it with 409 and the list as `blockers`, unless `anyway`.
        """
        data = _valid(PromiseSerializer, request)
        window = (data["window_from"], data["window_until"]) if "window_from" in data else None
        row = services.promise(
            appointment=self.get_object(), by=request.user, window=window, anyway=data["anyway"]
        )
        return self._answer(row)

    @extend_schema(request=None, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def let_go(self, request: ApiRequest, pk: str = "") -> Response:
        """Give a held window back."""
        return self._answer(services.let_go(appointment=self.get_object(), by=request.user))

    @extend_schema(request=None, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def undo(self, request: ApiRequest, pk: str = "") -> Response:
        """Take the last move back."""
        return self._answer(services.undo_move(appointment=self.get_object(), by=request.user))

    @extend_schema(request=LockSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def lock(self, request: ApiRequest, pk: str = "") -> Response:
        """Lock or unlock it."""
        data = _valid(LockSerializer, request)
        return self._answer(services.lock(appointment=self.get_object(), by=request.user, **data))

    @extend_schema(request=AnywaySerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def unplace(self, request: ApiRequest, pk: str = "") -> Response:
        """Take it out of the calendar."""
        data = _valid(AnywaySerializer, request)
        return self._answer(services.unplace(appointment=self.get_object(), by=request.user, **data))

    @extend_schema(request=ReasonSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: ApiRequest, pk: str = "") -> Response:
        """Call the visit off."""
        data = _valid(ReasonSerializer, request)
        return self._answer(services.cancel_appointment(appointment=self.get_object(), by=request.user, **data))

    @extend_schema(request=SplitSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def split(self, request: ApiRequest, pk: str = "") -> Response:
        """Two visits instead of one; the second is the answer."""
        data = _valid(SplitSerializer, request)
        return self._answer(services.split_appointment(appointment=self.get_object(), by=request.user, **data))

    def _tap(self, request: ApiRequest, deed: Any) -> Response:
        data = _valid(TapSerializer, request)
        return self._answer(deed(appointment=self.get_object(), by=request.user, at=data.get("at")))

    @extend_schema(request=TapSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def on_the_way(self, request: ApiRequest, pk: str = "") -> Response:
        """The crew has set out."""
        return self._tap(request, services.mark_on_the_way)

    @extend_schema(request=TapSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def arrived(self, request: ApiRequest, pk: str = "") -> Response:
        """The crew is there."""
        return self._tap(request, services.mark_arrived)

    @extend_schema(request=TapSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def done(self, request: ApiRequest, pk: str = "") -> Response:
        """The visit is over."""
        return self._tap(request, services.mark_done)

    @extend_schema(request=None, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def undo_tap(self, request: ApiRequest, pk: str = "") -> Response:
        """Take "on the way" or "arrived" back, while nothing is recorded at the visit."""
        return self._answer(services.undo_tap(appointment=self.get_object(), by=request.user))

    @extend_schema(request=AnswersSerializer, responses=ReadinessSerializer(many=True))
    @action(detail=True, methods=["get", "post"])
    def readiness(self, request: ApiRequest, pk: str = "") -> Response:
        """What was answered about the site."""
        row = self.get_object()
        if request.method == "POST":
            services.answer_readiness(appointment=row, by=request.user, **_valid(AnswersSerializer, request))
        return Response(ReadinessSerializer(row.readiness.all(), many=True).data)

    @extend_schema(responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["get"])
    def text(self, request: ApiRequest, pk: str = "") -> Response:
        """The confirmation as a text to copy."""
        return Response({"text": copy_text(self.get_object())})


class AbsenceSerializer(serializers.ModelSerializer[Absence]):
    spread = serializers.BooleanField(default=False, write_only=True)

    class Meta:
        model = Absence
        fields = ["id", "user", "starts_at", "ends_at", "reason", "spread"]

    def validate_user(self, user: User | None) -> User | None:
        if user is not None and user.branch_id != self.context["request"].user.branch_id:
            raise serializers.ValidationError("There is no such person.")
        return user


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
            _mine(self, Skill, skill)
        return skills


class CrewViewSet(CrewDeeds, DeedViewSet):
    """Crews, their days and absences."""

    roles = OFFICE
    queryset = Crew.objects.select_related("branch").prefetch_related("skills")
    serializer_class = CrewSerializer
    filterset_fields = ["is_active"]

    def perform_create(self, serializer: Filled) -> None:
        user = self.person
        serializer.instance = services.save_crew(branch=user.own_branch, by=user, **serializer.validated_data)

    def perform_update(self, serializer: Any) -> None:
        crew, values = serializer.instance, dict(serializer.validated_data)
        skills = values.pop("skills", crew.skills.all())
        services.save_crew(branch=crew.branch, crew=crew, by=self.person, skills=list(skills), **values)

    @extend_schema(parameters=[OpenApiParameter("day", OpenApiTypes.DATE)], responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["get"])
    def day(self, request: ApiRequest, pk: str = "") -> Response:
        """When the crew works on a day, and why not."""
        try:
            day = dt.date.fromisoformat(request.query_params.get("day", ""))
        except ValueError:
            raise serializers.ValidationError({"day": "A date such as 2027-03-01."}) from None
        work = crew_day(self.get_object(), day)
        return Response({"shifts": work.shifts, "people": work.people, "why": work.why, "note": work.note})

    @extend_schema(request=AbsenceSerializer, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def absences(self, request: ApiRequest, pk: str = "") -> Response:
        """Note an absence; the visits it hits are named, and with `spread` a run proposes other crews for them."""
        data = _valid(AbsenceSerializer, request)
        spread = data.pop("spread", False)
        row, hit = services.add_absence(crew=self.get_object(), by=request.user, **data)
        run = services.spread_absence(absence=row, by=request.user) if spread and hit else None
        return Response(
            {
                "absence": AbsenceSerializer(row).data,
                "hits": [visit.pk for visit in hit],
                "run": RunSerializer(run).data if run is not None else None,
            },
            status=status.HTTP_201_CREATED,
        )


class AskedPlanSerializer(serializers.Serializer[Any]):
    from_on = serializers.DateField()
    until_on = serializers.DateField()
    crews = serializers.PrimaryKeyRelatedField(queryset=Crew.objects.all(), many=True, default=list)
    seconds = serializers.IntegerField(min_value=1, max_value=600, default=10)
    with_unplaced = serializers.BooleanField(default=True)
    keep = serializers.BooleanField(default=False)
    careful = serializers.BooleanField(default=False)
    sure = serializers.BooleanField(default=False, help_text="every promise kept on 95 of 100 sampled days")
    reason = serializers.CharField(max_length=200, default="", allow_blank=True)

    def validate_crews(self, crews: list[Crew]) -> list[Crew]:
        for crew in crews:
            _mine(self, Crew, crew)
        return crews


class ProposedMoveSerializer(serializers.ModelSerializer[ProposedMove]):
    class Meta:
        model = ProposedMove
        fields = ["id", "appointment", "crew", "day", "starts_at", "price", "why", "state", "state_note"]


class ProposalSerializer(serializers.ModelSerializer[Proposal]):
    """
    A plan and its differences from the calendar.

    In the summary, `bound` is what no plan that places all of these visits can cost less than
    and `above_bound` the share by which this one costs more; both are left out where nothing
    is proved: a visit is unplaced, or only a lost crew's visits were spread.
    """

    moves = ProposedMoveSerializer(many=True, read_only=True)

    class Meta:
        model = Proposal
        fields = ["id", "from_on", "until_on", "reason", "summary", "created_at", "moves"]


class ChosenMovesSerializer(serializers.Serializer[Any]):
    moves = serializers.ListField(child=serializers.IntegerField(), required=False, help_text="Left out: all.")


class ProposalViewSet(ReadViewSet):
    """Plans: ask for one, look at the differences, say yes or no."""

    roles = OFFICE
    queryset = Proposal.objects.prefetch_related("moves")
    serializer_class = ProposalSerializer

    @extend_schema(request=AskedPlanSerializer, responses={202: RunSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Ask for a plan: the run that makes it."""
        data = _valid(AskedPlanSerializer, request)
        run = services.ask_for_plan(branch=request.user.own_branch, by=request.user, **data)
        return Response(RunSerializer(run).data, status=status.HTTP_202_ACCEPTED)

    def _moves(self, request: ApiRequest, proposal: Proposal) -> Any:
        chosen = _valid(ChosenMovesSerializer, request).get("moves")
        rows = proposal.moves.filter(state=ProposedMove.State.OPEN)
        return rows if chosen is None else rows.filter(pk__in=chosen)

    @extend_schema(request=ChosenMovesSerializer, responses=ProposalSerializer)
    @action(detail=True, methods=["post"])
    def accept(self, request: ApiRequest, pk: str = "") -> Response:
        """Take differences over."""
        proposal = self.get_object()
        services.accept_moves(proposal=proposal, moves=self._moves(request, proposal), by=request.user)
        return Response(self.get_serializer(self.get_object()).data)

    @extend_schema(request=ChosenMovesSerializer, responses=ProposalSerializer)
    @action(detail=True, methods=["post"])
    def decline(self, request: ApiRequest, pk: str = "") -> Response:
        """Leave them as they are."""
        proposal = self.get_object()
        services.decline_moves(proposal=proposal, moves=self._moves(request, proposal), by=request.user)
        return Response(self.get_serializer(self.get_object()).data)


class FeedSerializer(serializers.ModelSerializer[CalendarFeed]):
    """A calendar address."""

    token = serializers.SerializerMethodField()

    class Meta:
        model = CalendarFeed
        fields = ["id", "crew", "user", "created_at", "revoked_at", "token"]
        read_only_fields = ["created_at", "revoked_at"]

    @extend_schema_field(OpenApiTypes.STR)
    def get_token(self, feed: CalendarFeed) -> str:
        return "" if feed.revoked_at else feed_token(feed)

    def validate_crew(self, crew: Crew | None) -> Crew | None:
        return _mine(self, Crew, crew)

    def validate_user(self, user: User | None) -> User | None:
        if user is not None and user.branch_id != self.context["request"].user.branch_id:
            raise serializers.ValidationError("There is no such person.")
        return user


class FeedViewSet(ReadViewSet):
    """Calendar addresses of crews and people."""

    roles = OFFICE
    queryset = CalendarFeed.objects.all()
    serializer_class = FeedSerializer

    @extend_schema(request=FeedSerializer, responses={201: FeedSerializer})
    def create(self, request: ApiRequest) -> Response:
        """A new address."""
        data = _valid(FeedSerializer, request)
        feed = services.open_feed(branch=request.user.own_branch, by=request.user, **data)
        return Response(self.get_serializer(feed).data, status=status.HTTP_201_CREATED)

    @extend_schema(request=None, responses=FeedSerializer)
    @action(detail=True, methods=["post"])
    def revoke(self, request: ApiRequest, pk: str = "") -> Response:
        """It answers nothing any more."""
        return Response(self.get_serializer(services.revoke_feed(feed=self.get_object(), by=request.user)).data)


def register(router: DefaultRouter) -> None:
    """The routes of this app."""
    router.register("jobs", JobViewSet, basename="job")
    router.register("appointments", AppointmentViewSet, basename="appointment")
    router.register("customers", CustomerViewSet, basename="customer")
    router.register("projects", ProjectViewSet, basename="project")
    router.register("sites", SiteViewSet, basename="site")
    router.register("crews", CrewViewSet, basename="crew")
    router.register("proposals", ProposalViewSet, basename="proposal")
    router.register("feeds", FeedViewSet, basename="feed")
    register_setup(router)
