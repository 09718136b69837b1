"""Calendar addresses over HTTP."""

from __future__ import annotations

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.response import Response

from jobs.api.base import OFFICE, colleague, mine
from jobs.ics import feed_token
from jobs.models import CalendarFeed, Crew
from jobs.services import feeds as services
from shared.api import ApiRequest, ReadViewSet, valid
from shared.models import User


class FeedSerializer(serializers.ModelSerializer[CalendarFeed]):
    """A calendar address."""

    token = serializers.SerializerMethodField()

    class Meta:
        model = CalendarFeed
        fields = ["id", "crew", "user", "created_at", "revoked_at", "token"]
        read_only_fields = ["created_at", "revoked_at"]

    @extend_schema_field(OpenApiTypes.STR)
    def get_token(self, feed: CalendarFeed) -> str:
        return "" if feed.revoked_at else feed_token(feed)

    def validate_crew(self, crew: Crew | None) -> Crew | None:
        return mine(self, Crew, crew)

    def validate_user(self, user: User | None) -> User | None:
        return colleague(self, user)


class FeedViewSet(ReadViewSet[CalendarFeed]):
    """Calendar addresses of crews and people."""

    roles = OFFICE
    queryset = CalendarFeed.objects.all()
    serializer_class = FeedSerializer

    @extend_schema(request=FeedSerializer, responses={201: FeedSerializer})
    def create(self, request: ApiRequest) -> Response:
        """A new address."""
        data = valid(FeedSerializer, request)
        feed = services.open_feed(branch=request.user.own_branch, by=request.user, **data)
        return Response(self.get_serializer(feed).data, status=status.HTTP_201_CREATED)

    @extend_schema(request=None, responses=FeedSerializer)
    @action(detail=True, methods=["post"])
    def revoke(self, request: ApiRequest, pk: str = "") -> Response:
        """It answers nothing any more."""
        return Response(self.get_serializer(services.revoke_feed(feed=self.get_object(), by=request.user)).data)
