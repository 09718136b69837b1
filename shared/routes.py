"""The common API routes: who I am, runs, documents."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from django.shortcuts import get_object_or_404
from django.urls import reverse
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.permissions import IsAuthenticated
from rest_framework.response import Response
from rest_framework.routers import DefaultRouter
from rest_framework.viewsets import GenericViewSet, ViewSet

from shared import documents, runs, services
from shared import roles as all_roles
from shared.api import ActionViewSet, ApiRequest, Filled
from shared.devices.api import ParkedEntryViewSet
from shared.models import Branch, Document, Run, RunQuerySet, User


class BranchSerializer(serializers.ModelSerializer[Branch]):
    length_unit = serializers.ChoiceField(source="units", choices=Branch.Units.choices, required=False)

    class Meta:
        model = Branch
        fields = ["id", "name", "zone", "length_unit", "paper", "jurisdiction"]


class WholeBranchSerializer(BranchSerializer):
    class Meta:
        model = Branch
        fields = [
            *BranchSerializer.Meta.fields,
            "address",
            "latitude",
            "longitude",
            "phone",
            "currency",
            "first_weekday",
            "map_address",
            "final_days",
            "phone_pin",
        ]


class MeSerializer(serializers.ModelSerializer[User]):
    """The person who asks."""

    roles = serializers.SerializerMethodField()
    branch = BranchSerializer(read_only=True)

    class Meta:
        model = User
        fields = ["id", "username", "name", "roles", "branch"]

    @extend_schema_field({"type": "array", "items": {"type": "string"}})
    def get_roles(self, user: User) -> list[str]:
        return sorted(user.role_names)


class RunSerializer(serializers.ModelSerializer[Run]):
    """A piece of long work: poll it until `state` is done, failed or stopped."""

    class Meta:
        model = Run
        fields = [
            "id", "kind", "title", "state", "done", "total", "message", "result", "error",
            "created_at", "started_at", "ended_at", "attempts",
        ]  # fmt: skip
        read_only_fields = fields


class DocumentSerializer(serializers.ModelSerializer[Document]):
    """A PDF, its revision and where to get it."""

    file = serializers.SerializerMethodField()

    class Meta:
        model = Document
        fields = ["id", "kind", "title", "revision", "pages", "superseded", "created_at", "file"]
        read_only_fields = fields

    @extend_schema_field({"type": "string"})
    def get_file(self, document: Document) -> str:
        return reverse("shared:document", args=[document.pk])


class AskedDocumentSerializer(serializers.Serializer[None]):
    """Which document of what."""

    kind = serializers.CharField(max_length=60)
    subject = serializers.CharField(max_length=40)


class PersonSerializer(serializers.ModelSerializer[User]):
    """Somebody's account. A password goes in, never out."""

    roles = serializers.ListField(child=serializers.ChoiceField(choices=all_roles.ALL), source="role_names")
    password = serializers.CharField(write_only=True, required=False)

    class Meta:
        model = User
        fields = ["id", "username", "name", "phone", "email", "is_active", "branch", "roles", "password"]
        extra_kwargs = {"username": {"validators": []}, "branch": {"required": True, "allow_null": False}}

    def to_representation(self, instance: User) -> dict[str, Any]:
        shown: dict[str, object] = super().to_representation(instance)
        return {**shown, "roles": sorted(instance.role_names)}


class BranchViewSet(ActionViewSet[Branch]):
    """The branches; an owner changes theirs."""

    roles = all_roles.ALL
    action_roles = dict.fromkeys(("update", "partial_update"), (all_roles.OWNER,))
    http_method_names = ["get", "put", "patch", "head", "options"]
    serializer_class = WholeBranchSerializer
    queryset = Branch.objects.all()

    request: ApiRequest

    def perform_update(self, serializer: Any) -> None:
        stored = Branch.objects.get(pk=serializer.instance.pk)
        services.change_branch(branch=stored, by=self.request.user, **serializer.validated_data)
        serializer.instance.refresh_from_db()


class PersonViewSet(ActionViewSet[User]):
    """The people of the branch; an owner gives and changes accounts."""

    roles = (all_roles.OWNER,)
    serializer_class = PersonSerializer
    queryset = User.people.prefetch_related("groups")
    filterset_fields = ["is_active"]
    request: ApiRequest

    def perform_create(self, serializer: Filled) -> None:
        facts = dict(serializer.validated_data)
        branch = get_object_or_404(Branch.objects.visible_to(self.request.user), pk=facts.pop("branch").pk)
        serializer.instance = services.add_person(
            by=self.request.user,
            branch=branch,
            username=facts.pop("username"),
            password=facts.pop("password", ""),
            role_names=facts.pop("role_names", ()),
            **facts,
        )

    def perform_update(self, serializer: Any) -> None:
        facts, by = dict(serializer.validated_data), self.request.user
        for fixed in ("username", "branch"):
            facts.pop(fixed, None)
        with transaction.atomic():
            person = serializer.instance
            if password := facts.pop("password", ""):
                services.give_new_password(person=person, by=by, password=password)
            serializer.instance = services.change_person(
                person=person, by=by, role_names=facts.pop("role_names", None), **facts
            )


class MeViewSet(ViewSet):
    """Who am I."""

    permission_classes = [IsAuthenticated]

    @extend_schema(responses=MeSerializer)
    def list(self, request: ApiRequest) -> Response:
        return Response(MeSerializer(request.user).data)


class RunViewSet(ListModelMixin, RetrieveModelMixin, GenericViewSet[Run]):
    """Long work that the user may see."""

    permission_classes = [IsAuthenticated]
    serializer_class = RunSerializer
    queryset = Run.objects.all()
    filterset_fields = ["kind", "state"]

    def get_queryset(self) -> RunQuerySet:
        return Run.objects.visible_to(self.request.user)

    @extend_schema(request=None, responses=RunSerializer)
    @action(detail=True, methods=["post"])
    def stop(self, request: ApiRequest, pk: str | None = None) -> Response:
        """Ask it to stop."""
        run = runs.ask_to_stop(run=self.get_object(), by=request.user)
        return Response(RunSerializer(run).data)


class DocumentViewSet(GenericViewSet[Document]):
    """Documents: ask for one; look one up."""

    permission_classes = [IsAuthenticated]
    serializer_class = DocumentSerializer
    queryset = Document.objects.none()
    lookup_value_regex = r"\d+"

    @extend_schema(responses=DocumentSerializer)
    def retrieve(self, request: ApiRequest, pk: str) -> Response:
        return Response(DocumentSerializer(documents.document_for(request.user, int(pk))).data)

    @extend_schema(request=AskedDocumentSerializer, responses={200: DocumentSerializer, 202: RunSerializer})
    def create(self, request: ApiRequest) -> Response:
        """The fresh document (200), or the run that makes it (202)."""
        asked = AskedDocumentSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        subject = documents.kind_of(asked.validated_data["kind"]).subject_for(
            request.user, asked.validated_data["subject"]
        )
        found = documents.request_document(kind=asked.validated_data["kind"], subject=subject, by=request.user)
        if isinstance(found, Document):
            return Response(DocumentSerializer(found).data)
        return Response(RunSerializer(found).data, status=status.HTTP_202_ACCEPTED)


def register(router: DefaultRouter) -> None:
    """The routes of this app."""
    router.register("me", MeViewSet, basename="me")
    router.register("branches", BranchViewSet, basename="branch")
    router.register("people", PersonViewSet, basename="person")
    router.register("runs", RunViewSet, basename="run")
    router.register("documents", DocumentViewSet, basename="document")
    router.register("parked-entries", ParkedEntryViewSet, basename="parked-entry")
