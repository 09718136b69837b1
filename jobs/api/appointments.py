"""Visits over HTTP: offers, promises, moves, and the crew's taps."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from jobs.access import secret_for
from jobs.api.base import (
    OFFICE,
    READING,
    TAPPING,
    InstantField,
    ReasonSerializer,
    SpanSerializer,
    blocker_json,
    colleague,
    mine,
    spans_of,
)
from jobs.models import (
    Appointment,
    Crew,
    PossibleWindow,
    ReadinessAnswer,
    ServiceCall,
)
from jobs.ports import ports
from jobs.schedule.chances import outlooks, shown_share
from jobs.schedule.day import read_schedule
from jobs.schedule.effects import effect_json, effect_of, in_the_way
from jobs.schedule.offers import Offer, offers_for, read_value
from jobs.schedule.words import copy_text
from jobs.services import appointments, feeds, service_calls, times
from shared.api import ApiRequest, IdField, ReadViewSet, kept_in, valid, valid_rows
from shared.fields import LONGEST_NOTE, DayField
from shared.models import User


class PossibleWindowSerializer(serializers.ModelSerializer[PossibleWindow]):
    class Meta:
        model = PossibleWindow
        fields = ["starts_at", "ends_at"]


class ReadinessSerializer(serializers.ModelSerializer[ReadinessAnswer]):
    class Meta:
        model = ReadinessAnswer
        fields = ["question", "answer", "note", "at"]


class CallSerializer(serializers.Serializer[None]):
    on = DayField()
    note = serializers.CharField(max_length=240, default="", allow_blank=True, help_text="Why; no time was found.")
    owner = serializers.PrimaryKeyRelatedField(
        queryset=User.people.filter(is_active=True), required=False, help_text="Who calls; without, who asks."
    )

    def validate_owner(self, owner: User) -> User | None:
        return colleague(self, owner)


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
    reserved_until = serializers.DateTimeField(read_only=True)

    class Meta:
        model = Appointment
        fields = [
            "id", "job", "job_number", "address", "purpose", "state", "outcome", "crew", "day", "starts_at",
            "duration_min", "duration_safe_min", "promised_from", "promised_until", "earliest_on", "people", "priority",
            "is_locked", "reserved_until", "call_on", "call_note", "call_owner", "skills", "possible_windows", "note",
            "on_the_way_at", "arrived_at",
            "done_at", "expected_at", "version", "sequence", "bring", "in_the_way", "access_secret",
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
            ahead = [outlooks(one, now) for one in days]
            known[row.job.branch_id] = {
                pk: look.expected for looks in ahead for pk, look in looks.items() if not look.is_off_today
            }
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


class ServiceCallSerializer(serializers.ModelSerializer[ServiceCall]):
    """What a service call is about; what was done is written when its stop is finished."""

    class Meta:
        model = ServiceCall
        fields = ["product", "fault", "made_by", "years", "parts", "trip_charge", "result", "done", "follow_up"]
        read_only_fields = ["result", "done", "follow_up"]


class ChangeVisitSerializer(serializers.Serializer[None]):
    duration_min = serializers.IntegerField(min_value=1, max_value=1440, required=False)
    people = serializers.IntegerField(min_value=1, max_value=20, required=False)
    priority = serializers.IntegerField(min_value=1, max_value=100, required=False)
    earliest_on = DayField(required=False, allow_null=True)
    note = serializers.CharField(max_length=LONGEST_NOTE, required=False, allow_blank=True)


class PlaceSerializer(serializers.Serializer[None]):
    crew = serializers.PrimaryKeyRelatedField(queryset=Crew.objects.all())
    starts_at = InstantField()
    anyway = serializers.BooleanField(default=False)
    version = IdField(min_value=0, required=False, allow_null=True)

    def validate_crew(self, crew: Crew) -> Crew:
        return mine(self, Crew, crew)


class WindowSerializer(serializers.Serializer[None]):
    window = serializers.CharField(max_length=120, help_text="An offer's `window` as it was given.")


class PromiseSerializer(serializers.Serializer[None]):
    window_from = InstantField(required=False)
    window_until = InstantField(required=False)
    anyway = serializers.BooleanField(default=False, help_text="promise although something is in the way")

    def validate(self, values: dict[str, object]) -> dict[str, Any]:
        if ("window_from" in values) != ("window_until" in values):
            raise serializers.ValidationError({"window_until": "Give both ends of the window, or none."})
        return values


class LockSerializer(serializers.Serializer[None]):
    locked = serializers.BooleanField(default=True)


class AnywaySerializer(serializers.Serializer[None]):
    anyway = serializers.BooleanField(default=False)


class SplitSerializer(serializers.Serializer[None]):
    first_min = serializers.IntegerField(min_value=1, max_value=1440)


class TapSerializer(serializers.Serializer[None]):
    at = InstantField(required=False)

    def validate_at(self, when: dt.datetime) -> dt.datetime:
        if when > timezone.now() + dt.timedelta(minutes=5):
            raise serializers.ValidationError("This lies in the future.")
        return when


class AnswersSerializer(serializers.Serializer[None]):
    answers = serializers.DictField(child=serializers.CharField(max_length=20, allow_blank=True))
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
        "cost": offer.cost_text,
        "harm": offer.harm.text if offer.harm else "",
        "is_risky": offer.is_risky,
        "chance": shown_share(offer.chance) if offer.chance else None,
        "chance_words": offer.chance.words if offer.chance else "",
    }


# -- viewsets ------------------------------------------------------------------------------------


class AppointmentViewSet(ReadViewSet[Appointment]):
    """Visits: offers, reserving, promising, moving, and the crew's taps."""

    roles = OFFICE
    action_roles = READING | TAPPING
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
        if isinstance(exc, appointments.Stopped):
            response.data["blockers"] = [blocker_json(one) for one in exc.blockers]
        return response

    def _answer(self, row: Appointment) -> Response:
        row = self.get_queryset().get(pk=row.pk)
        return Response(self.get_serializer(row).data)

    @extend_schema(request=ChangeVisitSerializer, responses=AppointmentSerializer)
    def partial_update(self, request: ApiRequest, pk: str = "") -> Response:
        """Minutes, people, priority, earliest day, note."""
        row = self.get_object()
        data = {"earliest_on": row.earliest_on} | valid(ChangeVisitSerializer, request)
        return self._answer(appointments.edit_appointment(appointment=row, by=request.user, **data))

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
        windows = spans_of(valid_rows(SpanSerializer, request))
        row = times.set_possible_windows(appointment=self.get_object(), windows=windows, by=request.user)
        return self._answer(row)

    @extend_schema(request=CallSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def call(self, request: ApiRequest, pk: str = "") -> Response:
        """Say by when the customer is called, why and by whom: a visit without a time."""
        asked = valid(CallSerializer, request)
        return self._answer(times.call_customer(appointment=self.get_object(), by=request.user, **asked))

    @extend_schema(request=WindowSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def reserve(self, request: ApiRequest, pk: str = "") -> Response:
        """Reserve an offered window."""
        row = self.get_object()
        crews = list(Crew.objects.visible_to(request.user).filter(is_active=True))
        crew, window = read_value(crews, valid(WindowSerializer, request)["window"])
        return self._answer(appointments.reserve_offer(appointment=row, crew=crew, window=window, by=request.user))

    @extend_schema(request=PlaceSerializer, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def effect(self, request: ApiRequest, pk: str = "") -> Response:
        """What placing it there would cost and break; nothing is written."""
        data = valid(PlaceSerializer, request)
        found = effect_of(self.get_object(), crew=data["crew"], starts_at=data["starts_at"])
        return Response(effect_json(found))

    @extend_schema(request=PlaceSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def place(self, request: ApiRequest, pk: str = "") -> Response:
        """Place or move it."""
        data = valid(PlaceSerializer, request)
        return self._answer(appointments.place(appointment=self.get_object(), by=request.user, **data))

    @extend_schema(request=PromiseSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def promise(self, request: ApiRequest, pk: str = "") -> Response:
        """
        Promise the reserved window, or the one given.

        What is `in_the_way` refuses it with 409 and the list as `blockers`, unless `anyway`.
        """
        data = valid(PromiseSerializer, request)
        window = (data["window_from"], data["window_until"]) if "window_from" in data else None
        row = appointments.promise(appointment=self.get_object(), by=request.user, window=window, anyway=data["anyway"])
        return self._answer(row)

    @extend_schema(request=None, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"], url_path="let-go")
    def let_go(self, request: ApiRequest, pk: str = "") -> Response:
        """Give a reserved window back."""
        return self._answer(appointments.let_go(appointment=self.get_object(), by=request.user))

    @extend_schema(request=None, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def undo(self, request: ApiRequest, pk: str = "") -> Response:
        """Take the last move back."""
        return self._answer(appointments.undo_move(appointment=self.get_object(), by=request.user))

    @extend_schema(request=LockSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def lock(self, request: ApiRequest, pk: str = "") -> Response:
        """Lock or unlock it."""
        data = valid(LockSerializer, request)
        return self._answer(appointments.lock(appointment=self.get_object(), by=request.user, **data))

    @extend_schema(request=AnywaySerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def unplace(self, request: ApiRequest, pk: str = "") -> Response:
        """Take it out of the calendar."""
        data = valid(AnywaySerializer, request)
        return self._answer(appointments.unplace(appointment=self.get_object(), by=request.user, **data))

    @extend_schema(request=ReasonSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: ApiRequest, pk: str = "") -> Response:
        """Call the visit off."""
        data = valid(ReasonSerializer, request)
        return self._answer(appointments.cancel_appointment(appointment=self.get_object(), by=request.user, **data))

    @extend_schema(request=SplitSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def split(self, request: ApiRequest, pk: str = "") -> Response:
        """Two visits instead of one; the second is the answer."""
        data = valid(SplitSerializer, request)
        return self._answer(appointments.split_appointment(appointment=self.get_object(), by=request.user, **data))

    def _tap(self, request: ApiRequest, tap: Callable[..., Appointment]) -> Response:
        data = valid(TapSerializer, request)
        return self._answer(tap(appointment=self.get_object(), by=request.user, at=data.get("at")))

    @extend_schema(request=TapSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"], url_path="on-the-way")
    def on_the_way(self, request: ApiRequest, pk: str = "") -> Response:
        """The crew has set out."""
        return self._tap(request, appointments.mark_on_the_way)

    @extend_schema(request=TapSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def arrived(self, request: ApiRequest, pk: str = "") -> Response:
        """The crew is there."""
        return self._tap(request, appointments.mark_arrived)

    @extend_schema(request=TapSerializer, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def done(self, request: ApiRequest, pk: str = "") -> Response:
        """The visit is over."""
        return self._tap(request, appointments.mark_done)

    @extend_schema(request=None, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"])
    def told(self, request: ApiRequest, pk: str = "") -> Response:
        """The customer was told that the crew is late, and when to expect it as the day goes now."""
        return self._answer(appointments.told_late(appointment=self.get_object(), by=request.user))

    @extend_schema(request=None, responses=AppointmentSerializer)
    @action(detail=True, methods=["post"], url_path="undo-tap")
    def undo_tap(self, request: ApiRequest, pk: str = "") -> Response:
        """Take "on the way" or "arrived" back, while nothing is recorded at the visit."""
        return self._answer(appointments.undo_tap(appointment=self.get_object(), by=request.user))

    @extend_schema(request=AnswersSerializer, responses=ReadinessSerializer(many=True))
    @action(detail=True, methods=["get", "post"])
    def readiness(self, request: ApiRequest, pk: str = "") -> Response:
        """What was answered about the site."""
        row = self.get_object()
        if request.method == "POST":
            feeds.answer_readiness(appointment=row, by=request.user, **valid(AnswersSerializer, request))
        return Response(ReadinessSerializer(row.readiness.all(), many=True).data)

    @extend_schema(request=ServiceCallSerializer, responses=ServiceCallSerializer)
    @action(detail=True, methods=["get", "post"])
    def service(self, request: ApiRequest, pk: str = "") -> Response:
        """What a service call is about, and what was done; what is posted is what it is about from now on."""
        row = self.get_object()
        if request.method == "POST":
            service_calls.note_call(appointment=row, by=request.user, **valid(ServiceCallSerializer, request))
        return Response(ServiceCallSerializer(get_object_or_404(ServiceCall, appointment=row)).data)

    @extend_schema(responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["get"])
    def text(self, request: ApiRequest, pk: str = "") -> Response:
        """The confirmation as a text to copy."""
        return Response({"text": copy_text(self.get_object())})
