"""Messages to customers over HTTP: what was sent, and what becomes of one that was not."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from jobs.api.base import OFFICE
from jobs.models import Message
from jobs.services import messages
from shared.api import ApiRequest, ReadViewSet, valid


class MessageSerializer(serializers.ModelSerializer[Message]):
    """One message to a customer and what became of it."""

    class Meta:
        model = Message
        fields = [
            "id", "job", "appointment", "kind", "channel", "to", "subject", "body", "state", "answer", "send_from",
            "tries", "created_at", "created_by", "settled_at",
        ]  # fmt: skip


class SettleSerializer(serializers.Serializer[Any]):
    do = serializers.ChoiceField(choices=["again", "told", "drop"])


class MessageViewSet(ReadViewSet[Message]):
    """Messages to the branch's customers, newest first."""

    roles = OFFICE
    queryset = Message.objects.select_related("job__customer", "appointment")
    serializer_class = MessageSerializer
    filterset_fields = ["job", "appointment", "kind", "state"]

    @extend_schema(request=SettleSerializer, responses=MessageSerializer)
    @action(detail=True, methods=["post"])
    def settle(self, request: ApiRequest, pk: str = "") -> Response:
        """Send it again, note that the customer was told, or stop one that waits."""
        row = messages.settle(message=self.get_object(), by=request.user, **valid(SettleSerializer, request))
        return Response(self.get_serializer(row).data)
