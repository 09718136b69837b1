"""Keys of sites and what customers ask, over HTTP."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers
from rest_framework.decorators import action
from rest_framework.response import Response

from jobs.api.base import OFFICE, mine
from jobs.models import Question, Site, SiteKey
from jobs.services import keys, your_job
from shared.api import ApiRequest, Filled, ReadViewSet, valid
from shared.fields import DayField
from shared.models import User


class KeySerializer(serializers.ModelSerializer[SiteKey]):
    """A key that we keep; what it opens is never said."""

    class Meta:
        model = SiteKey
        fields = ["id", "site", "label", "holder", "out_at", "due_on", "given_back_at"]
        read_only_fields = ["holder", "out_at", "due_on", "given_back_at"]

    def validate_site(self, site: Site) -> Site:
        return mine(self, Site, site)


class SignOutSerializer(serializers.Serializer[None]):
    holder = serializers.PrimaryKeyRelatedField(queryset=User.people.all())
    due_on = DayField(required=False, allow_null=True, help_text="Left out: today.")


class KeyViewSet(ReadViewSet[SiteKey], mixins.CreateModelMixin):
    """Keys: taken in, signed out and back, given back to the customer."""

    roles = OFFICE
    queryset = SiteKey.objects.select_related("site__branch", "holder")
    serializer_class = KeySerializer
    filterset_fields = ["site", "holder"]

    def perform_create(self, serializer: Filled) -> None:
        serializer.instance = keys.take_in(by=self.person, **serializer.validated_data)

    def _answer(self, row: SiteKey) -> Response:
        return Response(self.get_serializer(row).data)

    @extend_schema(request=SignOutSerializer, responses=KeySerializer)
    @action(detail=True, methods=["post"], url_path="sign-out")
    def sign_out(self, request: ApiRequest, pk: str = "") -> Response:
        """Somebody takes it with them."""
        key = self.get_object()
        return self._answer(keys.sign_out(key=key, by=request.user, **valid(SignOutSerializer, request)))

    @extend_schema(request=None, responses=KeySerializer)
    @action(detail=True, methods=["post"], url_path="sign-back")
    def sign_back(self, request: ApiRequest, pk: str = "") -> Response:
        """It hangs in the office again."""
        return self._answer(keys.sign_back(key=self.get_object(), by=request.user))

    @extend_schema(request=None, responses=KeySerializer)
    @action(detail=True, methods=["post"], url_path="give-back")
    def give_back(self, request: ApiRequest, pk: str = "") -> Response:
        """The customer has it again."""
        return self._answer(keys.give_back(key=self.get_object(), by=request.user))


class QuestionSerializer(serializers.ModelSerializer[Question]):
    """Something a customer asked on their page or by text message."""

    class Meta:
        model = Question
        fields = ["id", "job", "about", "text", "at", "answered_at", "answered_by"]


class QuestionViewSet(ReadViewSet[Question]):
    """What customers ask; somebody answers by phone or mail and says so."""

    roles = OFFICE
    queryset = Question.objects.select_related("job")
    serializer_class = QuestionSerializer
    filterset_fields = {"job": ["exact"], "answered_at": ["isnull"]}

    @extend_schema(request=None, responses=QuestionSerializer)
    @action(detail=True, methods=["post"])
    def answered(self, request: ApiRequest, pk: str = "") -> Response:
        """Somebody told the customer."""
        row = your_job.answered(question=self.get_object(), by=request.user)
        return Response(self.get_serializer(row).data)
