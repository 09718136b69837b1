"""What the routes of the install day share."""

from __future__ import annotations

from rest_framework import serializers

from shared.api import IdField


class UnitsSerializer(serializers.Serializer[None]):
    units = serializers.ListField(child=IdField(), min_length=1, max_length=500)


class ReasonSerializer(serializers.Serializer[None]):
    reason = serializers.CharField(max_length=240)
