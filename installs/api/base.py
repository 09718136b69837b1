"""What the routes of the install day share."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from shared.api import ApiRequest


def _valid(serializer: type[serializers.Serializer[Any]], request: ApiRequest) -> dict[str, Any]:
    found = serializer(data=request.data)
    found.is_valid(raise_exception=True)
    return dict(found.validated_data)


class UnitsSerializer(serializers.Serializer[Any]):
    units = serializers.ListField(child=serializers.IntegerField(min_value=1), min_length=1, max_length=500)


class ReasonSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240)
