"""Measure visits over the API."""

from __future__ import annotations

from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.response import Response
from rest_framework.viewsets import ViewSet

from jobs.models import Appointment
from measuring import access
from measuring.api import field
from measuring.models import MeasureVisit
from measuring.services import openings as opening_services
from measuring.services import visits
from shared.api import ApiRequest, HasRole, IdField, PersonMixin, valid


class BeginIn(serializers.Serializer[None]):
    tape = IdField(required=False, allow_null=True)


class RoomIn(serializers.Serializer[None]):
    name = serializers.CharField(max_length=60)
    floor = serializers.CharField(max_length=20, required=False, default="", allow_blank=True)


class NewOpeningIn(serializers.Serializer[None]):
    room = IdField()
    facts = serializers.DictField(required=False, default=dict)


class CloseIn(serializers.Serializer[None]):
    in_part = serializers.BooleanField(default=False)
    note = serializers.CharField(max_length=4000, required=False, default="", allow_blank=True)


class NotMeasuredIn(serializers.Serializer[None]):
    reason = serializers.CharField(max_length=240)


class VisitViewSet(PersonMixin, ViewSet):
    """Visits by their appointment's key."""

    lookup_value_regex = r"[0-9]+"
    queryset = Appointment.objects.none()  # names the type of the key in the schema
    permission_classes = [HasRole]
    roles = access.MEASURES

    def _appointment(self, pk: str) -> Appointment:
        return access.appointment_for(self.person, int(pk))

    def _answer(self, appointment: Appointment, code: int = 200) -> Response:
        user = self.person
        body = field.visit_of(user, access.appointment_for(user, appointment.pk))
        return Response(body, status=code)

    @extend_schema(responses=OpenApiTypes.OBJECT)
    def list(self, request: ApiRequest) -> Response:
        """The visits of today and tomorrow with the range: what a phone takes along."""
        return Response(field.day_of(request.user))

    @extend_schema(responses=OpenApiTypes.OBJECT)
    def retrieve(self, request: ApiRequest, pk: str = "") -> Response:
        """One visit with its rooms and openings."""
        return self._answer(self._appointment(pk))

    @extend_schema(request=BeginIn, responses={201: OpenApiTypes.OBJECT})
    @action(detail=True, methods=["post"])
    def begin(self, request: ApiRequest, pk: str = "") -> Response:
        """Begin to measure, or take another tape."""
        appointment, tape = self._appointment(pk), valid(BeginIn, request).get("tape")
        visits.open_visit(
            appointment=appointment,
            by=request.user,
            tape=access.tape_for(request.user, tape) if tape else None,
        )
        return self._answer(appointment, status.HTTP_201_CREATED)

    def _visit(self, pk: str) -> MeasureVisit:
        return access.visit_for(self.person, self._appointment(pk).pk)

    @extend_schema(request=RoomIn, responses={201: OpenApiTypes.OBJECT})
    @action(detail=True, methods=["post"])
    def rooms(self, request: ApiRequest, pk: str = "") -> Response:
        """A room."""
        visit = self._visit(pk)
        opening_services.add_room(job=visit.appointment.job, by=request.user, **valid(RoomIn, request))
        return self._answer(visit.appointment, status.HTTP_201_CREATED)

    @extend_schema(request=NewOpeningIn, responses={201: OpenApiTypes.OBJECT})
    @action(detail=True, methods=["post"])
    def openings(self, request: ApiRequest, pk: str = "") -> Response:
        """An opening of a room."""
        visit, sent = self._visit(pk), valid(NewOpeningIn, request)
        room = visit.appointment.job.rooms.filter(pk=sent["room"]).first()
        if room is None:
            raise Http404
        opening_services.add_opening(room=room, facts=sent["facts"], visit=visit, by=request.user)
        return self._answer(visit.appointment, status.HTTP_201_CREATED)

    @extend_schema(request=CloseIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def close(self, request: ApiRequest, pk: str = "") -> Response:
        """The close-out."""
        visit, sent = self._visit(pk), valid(CloseIn, request)
        visits.close_visit(visit=visit, by=request.user, in_part=sent["in_part"], note_text=sent["note"])
        return self._answer(visit.appointment)

    @extend_schema(request=NotMeasuredIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], url_path="not-measured")
    def not_measured(self, request: ApiRequest, pk: str = "") -> Response:
        """Nothing could be measured, and why: the visit is over, its openings wait for another."""
        appointment, sent = self._appointment(pk), valid(NotMeasuredIn, request)
        visits.could_not_measure(appointment=appointment, reason=sent["reason"], by=request.user)
        return self._answer(appointment)

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def reopen(self, request: ApiRequest, pk: str = "") -> Response:
        """Open a closed visit again."""
        visit = self._visit(pk)
        visits.reopen_visit(visit=visit, by=request.user)
        return self._answer(visit.appointment)
