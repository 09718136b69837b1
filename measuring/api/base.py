"""What the routes of this app share."""

from __future__ import annotations

from rest_framework import serializers


class ReasonIn(serializers.Serializer[None]):
    reason = serializers.CharField(max_length=240)
