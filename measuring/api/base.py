"""What the routes of this app share."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers


class ReasonIn(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240)
