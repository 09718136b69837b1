"""What the routes of the workroom share."""

from __future__ import annotations

from rest_framework import serializers


class ReasonSerializer(serializers.Serializer[None]):
    reason = serializers.CharField(max_length=160)


class PieceSerializer(serializers.Serializer[None]):
    position = serializers.IntegerField(min_value=0, max_value=10_000)


class ShelfSerializer(serializers.Serializer[None]):
    shelf = serializers.CharField(max_length=30, required=False)
