"""Where a phone registers and sends its entries, and what the office does about those not taken."""

from __future__ import annotations

import logging

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import authentication, exceptions, serializers, status
from rest_framework.decorators import action
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import ViewSet

from shared.api import ApiRequest, ReadViewSet, valid
from shared.devices import entries, receiver
from shared.devices.models import FieldDevice, ParkedEntry
from shared.errors import AWAY
from shared.roles import OFFICE
from shared.second_factor.door import demand_second_step

log = logging.getLogger("jambwise.entries")


class DeviceAuthentication(authentication.BaseAuthentication):
    """``Authorization: Device <token>``: it outlives the session, and can be revoked alone."""

    def authenticate(self, request: Request) -> tuple[object, FieldDevice] | None:
        word, _, token = request.headers.get("Authorization", "").partition(" ")
        if word != "Device":
            return None
        device = receiver.device_of(token.strip()) if token else None
        if device is None:
            raise exceptions.AuthenticationFailed("this device is not known any more; sign in on it again")
        demand_second_step(device.user)
        return device.user, device

    def authenticate_header(self, request: Request) -> str:
        return "Device"


class DeviceScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]  # registers itself, untyped
    """How the schema tells of it."""

    target_class = DeviceAuthentication
    name = "device"

    def get_security_definition(self, _schema: object) -> dict[str, str]:
        return {"type": "apiKey", "in": "header", "name": "Authorization", "description": "Device <token>"}


class DeviceIn(serializers.Serializer[None]):
    name = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)


class EntriesIn(serializers.Serializer[None]):
    asks = serializers.ListField(
        child=serializers.UUIDField(),
        max_length=receiver.MOST_AT_ONCE,
        required=False,
        default=list,
        help_text="ids of entries that were answered 202 before",
    )
    entries = serializers.ListField(max_length=receiver.MOST_AT_ONCE)


class TryAgain(exceptions.APIException):
    """The database was busy or away; what was sent is to be sent again."""

    status_code = status.HTTP_503_SERVICE_UNAVAILABLE
    default_detail = "The office is busy for a moment; send it again."
    default_code = "busy"


class FieldViewSet(ViewSet):
    """What a phone in the field needs: a token of its own, the day to take along, and where entries go."""

    authentication_classes = [DeviceAuthentication, authentication.SessionAuthentication]
    permission_classes = [IsAuthenticated]

    @extend_schema(request=DeviceIn, responses={201: OpenApiTypes.OBJECT})
    @action(detail=False, methods=["post"])
    def devices(self, request: ApiRequest) -> Response:
        """Register this phone for who is signed in; its token is told this once."""
        if isinstance(request.auth, FieldDevice):
            raise exceptions.PermissionDenied("sign in to register a device")
        device, token = receiver.register_device(user=request.user, name=valid(DeviceIn, request)["name"])
        return Response({"id": device.pk, "token": token}, status=status.HTTP_201_CREATED)

    @extend_schema(request=EntriesIn, responses=OpenApiTypes.OBJECT)
    @action(detail=False, methods=["post"])
    def entries(self, request: ApiRequest) -> Response:
        """
        Entries made without signal, in the device's order; a reply for each.

        202: kept at the office and not taken yet. Its reply changes when it is; `asks` asks for it.
        """
        if not isinstance(request.auth, FieldDevice):
            raise exceptions.NotAuthenticated("entries come with a device's token")
        sent = valid(EntriesIn, request)
        try:
            replies = receiver.receive(device=request.auth, sent=sent["entries"])
            return Response({"replies": replies, "asked": receiver.answers(device=request.auth, ids=sent["asks"])})
        except AWAY as error:
            log.warning("a phone is asked to send again: %s", error)
            raise TryAgain from None


class ReasonSerializer(serializers.Serializer[None]):
    reason = serializers.CharField(max_length=240)


class ParkedEntrySerializer(serializers.ModelSerializer[ParkedEntry]):
    """An entry of a phone that is not taken: whose, of which kind, what it is about, what failed."""

    entry = serializers.UUIDField(source="entry.entry_id", read_only=True)
    kind = serializers.CharField(source="entry.kind", read_only=True)
    user = serializers.IntegerField(source="entry.device.user_id", read_only=True)
    job = serializers.IntegerField(source="job_id", read_only=True)
    reply_status = serializers.IntegerField(source="entry.reply_status", read_only=True)

    class Meta:
        model = ParkedEntry
        fields = [
            "id", "entry", "kind", "user", "job", "where", "parked_at", "needs_yes", "tries", "failed", "failed_at",
            "next_at", "settled_at", "reply_status", "dropped_why",
        ]  # fmt: skip


class ParkedEntryViewSet(ReadViewSet[ParkedEntry]):
    """Entries of phones that a fault of ours keeps from being taken."""

    roles = OFFICE
    queryset = ParkedEntry.objects.unsettled().select_related("entry__device__user")
    serializer_class = ParkedEntrySerializer

    def _now(self, parked: ParkedEntry) -> Response:
        return Response(self.get_serializer(ParkedEntry.objects.select_related("entry__device").get(pk=parked.pk)).data)

    @extend_schema(request=None, responses=ParkedEntrySerializer)
    @action(detail=True, methods=["post"])
    def again(self, request: ApiRequest, pk: str = "") -> Response:
        """Run it again now."""
        parked = self.get_object()
        entries.try_again(parked=parked, by=request.user)
        return self._now(parked)

    @extend_schema(request=ReasonSerializer, responses=ParkedEntrySerializer)
    @action(detail=True, methods=["post"])
    def drop(self, request: ApiRequest, pk: str = "") -> Response:
        """Give it up, for a reason its phone shows."""
        parked = self.get_object()
        entries.drop(parked=parked, by=request.user, reason=valid(ReasonSerializer, request)["reason"])
        return self._now(parked)
