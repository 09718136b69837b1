"""What the routes of the workroom share."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers


class ReasonSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=160)


class PieceSerializer(serializers.Serializer[Any]):
    position = serializers.IntegerField(min_value=0, max_value=10_000)


class ShelfSerializer(serializers.Serializer[Any]):
    shelf = serializers.CharField(max_length=30, required=False)
