"""Hardware rules over the API."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from installs.models import HardwareRules
from installs.services import hardware as services
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.errors import Refused
from shared.roles import DISPATCHER, OWNER, WORKROOM


class RulesSerializer(serializers.ModelSerializer[HardwareRules]):
    class Meta:
        model = HardwareRules
        fields = ["id", "branch", "revision", "is_current", "note", "saved_at", "definition"]


class SaveRulesSerializer(serializers.Serializer[None]):
    definition = serializers.JSONField()
    note = serializers.CharField(max_length=240)
    seen = IdField(required=False, help_text="the revision it was made from; refused where another was kept since")


class CopySerializer(serializers.Serializer[None]):
    path = serializers.CharField(max_length=120, help_text="an entry, such as fasteners.hollow")
    key = serializers.CharField(max_length=60)


class ChangeRulesSerializer(serializers.Serializer[None]):
    """Single fields by their paths, such as ``brackets.slat.sizes[0].height``, as text."""

    changes = serializers.DictField(child=serializers.CharField(allow_blank=True, max_length=2000), default=dict)
    remove = serializers.ListField(child=serializers.CharField(max_length=120), default=list, max_length=200)
    copy = CopySerializer(required=False)
    seen = IdField()
    note = serializers.CharField(max_length=240)


class RulesViewSet(ReadViewSet[HardwareRules]):
    """The hardware rules, every revision."""

    roles = (OWNER, WORKROOM, DISPATCHER)
    action_roles = dict.fromkeys(("create", "change"), (OWNER, WORKROOM))
    queryset = HardwareRules.objects.all()
    serializer_class = RulesSerializer
    filterset_fields = ["is_current"]

    @extend_schema(request=SaveRulesSerializer, responses=RulesSerializer)
    def create(self, request: ApiRequest) -> Response:
        """A new revision, checked field by field."""
        sent = valid(SaveRulesSerializer, request)
        if not isinstance(sent["definition"], dict):
            raise Refused("the rules are one object", field="definition")
        row = services.save_rules(branch=request.user.own_branch, by=request.user, **sent)
        return Response(RulesSerializer(row).data, status=201)

    @extend_schema(request=ChangeRulesSerializer, responses={201: RulesSerializer})
    @action(detail=False, methods=["post"])
    def change(self, request: ApiRequest) -> Response:
        """A new revision with single fields changed, rows taken out, an entry copied."""
        sent = valid(ChangeRulesSerializer, request)
        copy = sent.pop("copy", None)
        twin = (copy["path"], copy["key"]) if copy else None
        row = services.change_rules(branch=request.user.own_branch, by=request.user, copy=twin, **sent)
        return Response(RulesSerializer(row).data, status=201)
