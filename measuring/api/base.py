"""What the routes of this app share."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from shared.api import ApiRequest


class ReasonIn(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240)


def _valid(kind: type[serializers.Serializer[Any]], request: ApiRequest) -> dict[str, Any]:
    sent = kind(data=request.data)
    sent.is_valid(raise_exception=True)
    return dict(sent.validated_data)
