"""Jobs over HTTP."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.api.appointments import AppointmentSerializer, ServiceCallSerializer
from jobs.api.base import (
    OFFICE,
    READING,
    NewVisitSerializer,
    ReasonSerializer,
    SpanSerializer,
    blocker_json,
    colleague,
    mine,
    spans_of,
)
from jobs.api.customers import CustomerSerializer, SiteSerializer
from jobs.api.money import MoneySerializer
from jobs.models import Customer, Job, Project, Purpose, Site, Skill
from jobs.rules.dates import Way
from jobs.schedule.dates import DateNow, date_now
from jobs.services import appointments as appointment_services
from jobs.services import booking, dates, money, service_calls, times
from jobs.services.stages import blockers_of
from shared.api import ActionViewSet, ApiRequest, valid, valid_rows
from shared.fields import LONGEST_NOTE, DayField
from shared.models import User
from shared.schema import ROWS


class JobSerializer(serializers.ModelSerializer[Job]):
    """A job and where it stands."""

    customer_name = serializers.CharField(source="customer.name", read_only=True)
    address = serializers.CharField(source="site.address", read_only=True)
    installed_by = serializers.DateField(
        source="date.told_on", allow_null=True, read_only=True, default=None, help_text="as the customer was told"
    )

    class Meta:
        model = Job
        fields = [
            "id", "number", "customer", "customer_name", "site", "address", "project", "phase", "title", "note",
            "openings_expected", "product_expected", "rooms_expected", "policy", "stage", "stage_since", "hold",
            "hold_note", "hold_due", "hold_owner", "customer_measures", "cancelled_at", "wanted_by", "installed_by",
            "created_at",
        ]  # fmt: skip
        read_only_fields = [
            "number", "customer", "site", "stage", "stage_since", "hold", "hold_note", "hold_due", "hold_owner",
            "cancelled_at", "created_at",
        ]  # fmt: skip


class BookSerializer(serializers.Serializer[None]):
    """A booking: who and where, each known or new, and what is known of when."""

    customer = serializers.PrimaryKeyRelatedField(queryset=Customer.objects.all(), required=False)
    new_customer = CustomerSerializer(required=False)
    site = serializers.PrimaryKeyRelatedField(queryset=Site.objects.all(), required=False)
    new_site = serializers.DictField(required=False, help_text="The fields of a site but its customer.")
    purpose = serializers.ChoiceField(
        [Purpose.MEASURE.value, Purpose.SERVICE.value], default=Purpose.MEASURE.value, help_text="Of the first visit."
    )
    service = ServiceCallSerializer(required=False, help_text="Of a service call.")
    openings_expected = serializers.IntegerField(min_value=1, max_value=999, default=1)
    product_expected = serializers.CharField(
        max_length=30, default="", allow_blank=True, help_text="Product family of most openings."
    )
    rooms_expected = serializers.CharField(max_length=240, default="", allow_blank=True)
    title = serializers.CharField(max_length=160, default="", allow_blank=True)
    note = serializers.CharField(max_length=LONGEST_NOTE, default="", allow_blank=True)
    people = serializers.IntegerField(min_value=1, max_value=20, default=1)
    duration_min = serializers.IntegerField(min_value=1, max_value=1440, required=False, allow_null=True)
    project = serializers.PrimaryKeyRelatedField(queryset=Project.objects.all(), required=False, allow_null=True)
    phase = serializers.CharField(max_length=60, default="", allow_blank=True)
    possible = SpanSerializer(many=True, default=list)
    impossible = SpanSerializer(many=True, default=list)

    def validate_project(self, project: Project | None) -> Project | None:
        return mine(self, Project, project)

    def validate_customer(self, customer: Customer) -> Customer:
        return mine(self, Customer, customer)

    def validate_site(self, site: Site) -> Site:
        return mine(self, Site, site)

    def validate_new_site(self, values: dict[str, object]) -> dict[str, Any]:
        names = [name for name in SiteSerializer.Meta.fields if name not in {"id", "customer", "has_secret"}]
        inner = SiteSerializer(data=values, partial=True, context=self.context)
        inner.is_valid(raise_exception=True)
        for name in ("street", "town"):
            if not values.get(name):
                raise serializers.ValidationError({name: "This is needed."})
        return {name: value for name, value in inner.validated_data.items() if name in names}

    def validate(self, values: dict[str, object]) -> dict[str, Any]:
        if ("site" in values) == ("new_site" in values):
            raise serializers.ValidationError({"site": "Give a known site or a new one."})
        if "site" not in values and ("customer" in values) == ("new_customer" in values):
            raise serializers.ValidationError({"customer": "Give a known customer or a new one."})
        if ("service" in values) != (values["purpose"] == Purpose.SERVICE):
            raise serializers.ValidationError({"service": "Say what a service call is about, and of no other visit."})
        return values


class TellDateSerializer(serializers.Serializer[None]):
    on = DayField(required=False, help_text="Without it the day that is expected.")


class WaySerializer(serializers.Serializer[Way]):
    text = serializers.CharField(read_only=True)
    by = serializers.DateField(read_only=True)
    chance = serializers.IntegerField(read_only=True)
    price = serializers.DecimalField(max_digits=9, decimal_places=2, allow_null=True, read_only=True)


class InstallDateSerializer(serializers.Serializer[DateNow]):
    """When a job is measured and installed; chances are of 100."""

    may_be_nothing = True
    measured_on = serializers.DateField(source="outlook.course.measure_on", read_only=True)
    installed_by = serializers.DateField(source="outlook.by", read_only=True)
    is_confirmed = serializers.BooleanField(source="outlook.is_confirmed", read_only=True)
    missing = serializers.ListField(
        child=serializers.CharField(read_only=True), source="outlook.missing", read_only=True
    )
    decides = serializers.CharField(source="outlook.decides", read_only=True)
    told_on = serializers.DateField(allow_null=True, read_only=True)
    chance = serializers.IntegerField(allow_null=True, read_only=True)
    ways = WaySerializer(many=True, read_only=True)


class HoldSerializer(serializers.Serializer[None]):
    reason = serializers.ChoiceField(choices=Job.Hold.choices)
    note = serializers.CharField(max_length=240, default="", allow_blank=True)
    due_on = DayField(required=False, help_text="To be settled by; without, in a week.")
    owner = serializers.PrimaryKeyRelatedField(
        queryset=User.people.filter(is_active=True), required=False, help_text="Who settles it; without, who asks."
    )

    def validate_owner(self, owner: User) -> User | None:
        return colleague(self, owner)


BOOKED = ("openings_expected", "product_expected", "rooms_expected", "title", "note", "project", "phase")


class JobViewSet(ActionViewSet[Job]):
    """Jobs: book, change, pause, cancel; ask for visits."""

    roles = OFFICE
    action_roles = READING | {"money": OFFICE}
    queryset = Job.objects.select_related("customer", "site", "date")
    serializer_class = JobSerializer
    filterset_fields = ["stage", "number", "customer", "site", "project", "phase", "hold"]

    @extend_schema(request=BookSerializer, responses={201: JobSerializer})
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Book a job with its customer, site and first visit, all or nothing."""
        asked = BookSerializer(data=request.data, context=self.get_serializer_context())
        asked.is_valid(raise_exception=True)
        data = asked.validated_data
        site = data.get("site")
        with transaction.atomic():
            job = booking.book_job(
                branch=self.person.own_branch,
                by=self.person,
                customer=site.customer if site else data.get("customer") or data["new_customer"],
                site=site or data["new_site"],
                job={name: data[name] for name in BOOKED if name in data},
                purpose=data["purpose"],
                duration_min=data.get("duration_min"),
                people=data["people"],
                possible=spans_of(data["possible"]),
                impossible=spans_of(data["impossible"]),
            )
            if "service" in data:
                service_calls.note_call(appointment=job.appointments.get(), by=self.person, **data["service"])
        return Response(self.get_serializer(job).data, status=status.HTTP_201_CREATED)

    def perform_update(self, serializer: Any) -> None:
        values = dict(serializer.validated_data)
        if "project" in values:
            mine(serializer, Project, values["project"])
        serializer.instance = booking.edit_job(job=serializer.instance, by=self.person, **values)

    def _answer(self, job: Job) -> Response:
        return Response(self.get_serializer(job).data)

    @extend_schema(request=HoldSerializer, responses=JobSerializer)
    @action(detail=True, methods=["post"])
    def hold(self, request: ApiRequest, pk: str = "") -> Response:
        """Pause it."""
        return self._answer(booking.hold(job=self.get_object(), by=request.user, **valid(HoldSerializer, request)))

    @extend_schema(request=None, responses=JobSerializer)
    @action(detail=True, methods=["post"])
    def unhold(self, request: ApiRequest, pk: str = "") -> Response:
        """Let it go on."""
        return self._answer(booking.unhold(job=self.get_object(), by=request.user))

    @extend_schema(request=ReasonSerializer, responses=JobSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: ApiRequest, pk: str = "") -> Response:
        """Cancel it and its coming visits."""
        data = valid(ReasonSerializer, request)
        return self._answer(booking.cancel_job(job=self.get_object(), by=request.user, **data))

    @extend_schema(request=None, responses=JobSerializer)
    @action(detail=True, methods=["post"], url_path="take-up")
    def take_up(self, request: ApiRequest, pk: str = "") -> Response:
        """Take a cancelled job up again."""
        return self._answer(booking.take_up_again(job=self.get_object(), by=request.user))

    @extend_schema(request=SpanSerializer(many=True), responses=SpanSerializer(many=True))
    @action(detail=True, methods=["get", "post"])
    def impossible(self, request: ApiRequest, pk: str = "") -> Response:
        """The stretches in which the customer can't be there; what is sent stands instead of those there were."""
        job = self.get_object()
        if request.method == "POST":
            times.set_impossible_times(job=job, spans=spans_of(valid_rows(SpanSerializer, request)), by=request.user)
        return Response(SpanSerializer(job.impossible_times.all(), many=True).data)

    @extend_schema(request=NewVisitSerializer, responses={201: AppointmentSerializer})
    @action(detail=True, methods=["post"])
    def appointments(self, request: ApiRequest, pk: str = "") -> Response:
        """Ask for another visit; it is unplaced."""
        data = valid(NewVisitSerializer, request)
        skills = Skill.objects.visible_to(request.user).filter(key__in=data.pop("skills"))
        data["possible"] = spans_of(data["possible"])
        row = appointment_services.new_appointment(job=self.get_object(), by=request.user, skills=skills, **data)
        context = {**self.get_serializer_context(), "whole": True}
        return Response(AppointmentSerializer(row, context=context).data, status=status.HTTP_201_CREATED)

    @extend_schema(request=TellDateSerializer, responses=InstallDateSerializer)
    @action(detail=True, methods=["get", "post"])
    def date(self, request: ApiRequest, pk: str = "") -> Response:
        """By when it is installed; what is sent is what the customer was told. Nothing where it can't be known."""
        job = self.get_object()
        if request.method == "POST":
            dates.tell_date(job=job, on=valid(TellDateSerializer, request).get("on"), by=request.user)
        found = date_now(job)
        return Response(InstallDateSerializer(found).data if found is not None else {})

    @extend_schema(request=MoneySerializer, responses=MoneySerializer)
    @action(detail=True, methods=["get", "post"])
    def money(self, request: ApiRequest, pk: str = "") -> Response:
        """What the order comes to, is paid and due; what is posted of order value and deposit stands from now on."""
        job = self.get_object()
        if request.method == "POST":
            sent = {"order_value": job.order_value, "deposit": job.deposit} | valid(MoneySerializer, request)
            job = money.set_order(job=job, by=request.user, **sent)
        return Response(MoneySerializer(job).data)

    @extend_schema(responses={200: ROWS})
    @action(detail=True, methods=["get"])
    def blockers(self, request: ApiRequest, pk: str = "") -> Response:
        """What holds it up."""
        job = self.get_object()
        visits = job.appointments.prefetch_related("readiness")
        return Response([blocker_json(one) for one in blockers_of(job, visits)])
