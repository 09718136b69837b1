"""What the routes of this app share: who may, and how a request is read."""

from __future__ import annotations

import datetime as dt
from typing import Any, TypeVar

from django.db.models import Model, QuerySet
from django.utils import timezone
from rest_framework import serializers

from jobs.access import SEES_PHONES
from jobs.models import ImpossibleTime, Purpose
from jobs.ports import Blocker
from jobs.schedule.availability import clock_problem
from shared import roles
from shared.fields import EARLIEST, LATEST, LONGEST_NOTE, DayField
from shared.models import User

OFFICE, EVERYBODY = roles.OFFICE, roles.ALL
DRIVES = (*roles.FIELD, *OFFICE)
READING = dict.fromkeys(("list", "retrieve"), EVERYBODY)
M = TypeVar("M", bound=Model)
R = TypeVar("R", bound=Model | None)
TAPPING = dict.fromkeys(("on_the_way", "arrived", "done", "undo_tap"), DRIVES)


class QuietSerializer(serializers.ModelSerializer[M]):
    """Leaves telephone numbers out for who should not see them."""

    phones: tuple[str, ...] = ()

    def to_representation(self, instance: Any) -> dict[str, Any]:
        shown = super().to_representation(instance)
        request = self.context.get("request")
        if request is not None and not request.user.has_role(*SEES_PHONES):
            for name in self.phones:
                shown.pop(name, None)
        return dict(shown)


def mine(serializer: serializers.BaseSerializer[Any], model: Any, row: R) -> R:
    """The row when the user may see it; else it is as if it were not there."""
    if row is not None and not model.objects.visible_to(serializer.context["request"].user).filter(pk=row.pk).exists():
        raise serializers.ValidationError("There is no such row.")
    return row


def colleague(serializer: serializers.BaseSerializer[Any], user: User | None) -> User | None:
    """The person when they are of the user's own branch; else it is as if they were not there."""
    if user is not None and user.branch_id != serializer.context["request"].user.branch_id:
        raise serializers.ValidationError("There is no such person.")
    return user


class InstantField(serializers.DateTimeField):
    """An instant; without an offset it is on the branch's clocks, which must show it just once that day."""

    def enforce_timezone(self, value: dt.datetime) -> dt.datetime:
        if not EARLIEST < value.date() < LATEST:
            raise serializers.ValidationError(f"A time between {EARLIEST} and {LATEST}.")
        if timezone.is_naive(value):
            problem = clock_problem(timezone.get_current_timezone(), value.date(), value.time())
            if problem:
                raise serializers.ValidationError(f"{problem[:-1]}, or say the offset.")
        return super().enforce_timezone(value)


class SpanSerializer(serializers.Serializer[ImpossibleTime | QuerySet[ImpossibleTime]]):
    """A stretch of time."""

    starts_at = InstantField()
    ends_at = InstantField()


class ReasonSerializer(serializers.Serializer[None]):
    reason = serializers.CharField(max_length=240)


class NewVisitSerializer(serializers.Serializer[None]):
    purpose = serializers.ChoiceField(choices=Purpose.choices)
    duration_min = serializers.IntegerField(min_value=1, max_value=1440, required=False, allow_null=True)
    people = serializers.IntegerField(min_value=1, max_value=20, default=1)
    priority = serializers.IntegerField(min_value=1, max_value=100, default=1)
    earliest_on = DayField(required=False, allow_null=True)
    note = serializers.CharField(max_length=LONGEST_NOTE, default="", allow_blank=True)
    skills = serializers.ListField(child=serializers.SlugField(max_length=30), default=list)
    possible = SpanSerializer(many=True, default=list)


def blocker_json(one: Blocker) -> dict[str, object]:
    return {"text": one.text, "owner": one.owner, "since": one.since, "severity": one.severity}


def spans_of(rows: list[dict[str, dt.datetime]]) -> list[tuple[dt.datetime, dt.datetime]]:
    return [(row["starts_at"], row["ends_at"]) for row in rows]
