"""What the routes of the install day share."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from shared.api import IdField


class UnitsSerializer(serializers.Serializer[Any]):
    units = serializers.ListField(child=IdField(), min_length=1, max_length=500)


class ReasonSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240)
