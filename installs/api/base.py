"""What the routes of the install day share."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers


class UnitsSerializer(serializers.Serializer[Any]):
    units = serializers.ListField(child=serializers.IntegerField(min_value=1), min_length=1, max_length=500)


class ReasonSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240)
