"""Plans over HTTP: asked for, proposed, taken over or not."""

from __future__ import annotations

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.response import Response

from jobs.api.base import OFFICE, mine
from jobs.models import Crew, Proposal, ProposedMove
from jobs.services import accepting, planning
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.fields import DayField
from shared.routes import RunSerializer


class AskedPlanSerializer(serializers.Serializer[None]):
    from_on = DayField()
    until_on = DayField()
    crews = serializers.PrimaryKeyRelatedField(queryset=Crew.objects.all(), many=True, default=list)
    seconds = serializers.IntegerField(min_value=1, max_value=600, default=10)
    with_unplaced = serializers.BooleanField(default=True)
    keep = serializers.BooleanField(default=False)
    careful = serializers.BooleanField(default=False)
    sure = serializers.BooleanField(default=False, help_text="every promise kept on 95 of 100 sampled days")
    reason = serializers.CharField(max_length=200, default="", allow_blank=True)

    def validate_crews(self, crews: list[Crew]) -> list[Crew]:
        for crew in crews:
            mine(self, Crew, crew)
        return crews


class ProposedMoveSerializer(serializers.ModelSerializer[ProposedMove]):
    class Meta:
        model = ProposedMove
        fields = [
            "id",
            "appointment",
            "crew",
            "day",
            "starts_at",
            "price",
            "chance_before",
            "chance_after",
            "why",
            "state",
            "state_note",
        ]


class ProposalSerializer(serializers.ModelSerializer[Proposal]):
    """
    A plan and its differences from the calendar.

    In the summary, `bound` is what no plan that places all of these visits can cost less than
    and `above_bound` the share by which this one costs more; both are left out where nothing
    is proved: a visit is unplaced, or only a lost crew's visits were spread. `waiting` says of the
    visits whose day was free how long they have waited by then, the day they are due, and what that
    counts by the branch's rule; the bound counts it too.
    """

    moves = ProposedMoveSerializer(many=True, read_only=True)

    class Meta:
        model = Proposal
        fields = ["id", "from_on", "until_on", "reason", "summary", "created_at", "moves"]


class ChosenMovesSerializer(serializers.Serializer[None]):
    moves = serializers.ListField(child=IdField(), required=False, help_text="Left out: all.")
    anyway = serializers.BooleanField(
        default=False, help_text="Also where a promise of somebody else falls under the floor."
    )


class ProposalViewSet(ReadViewSet[Proposal]):
    """Plans: ask for one, look at the differences, say yes or no."""

    roles = OFFICE
    queryset = Proposal.objects.prefetch_related("moves")
    serializer_class = ProposalSerializer

    @extend_schema(request=AskedPlanSerializer, responses={202: RunSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Ask for a plan: the run that makes it."""
        data = valid(AskedPlanSerializer, request)
        run = planning.ask_for_plan(branch=request.user.own_branch, by=request.user, **data)
        return Response(RunSerializer(run).data, status=status.HTTP_202_ACCEPTED)

    def _moves(self, request: ApiRequest, proposal: Proposal) -> QuerySet[ProposedMove]:
        chosen = valid(ChosenMovesSerializer, request).get("moves")
        rows = proposal.moves.filter(state=ProposedMove.State.OPEN)
        return rows if chosen is None else rows.filter(pk__in=chosen)

    @extend_schema(request=ChosenMovesSerializer, responses=ProposalSerializer)
    @action(detail=True, methods=["post"])
    def accept(self, request: ApiRequest, pk: str = "") -> Response:
        """Take differences over."""
        proposal = self.get_object()
        data = valid(ChosenMovesSerializer, request)
        moves = self._moves(request, proposal)
        accepting.accept_moves(proposal=proposal, moves=moves, by=request.user, anyway=data["anyway"])
        return Response(self.get_serializer(self.get_object()).data)

    @extend_schema(request=None, responses=ProposalSerializer)
    @action(detail=True, methods=["post"], url_path="undo")
    def undo(self, request: ApiRequest, pk: str = "") -> Response:
        """Take what was accepted last back, all of it."""
        accepting.undo_acceptance(proposal=self.get_object(), by=request.user)
        return Response(self.get_serializer(self.get_object()).data)

    @extend_schema(request=ChosenMovesSerializer, responses=ProposalSerializer)
    @action(detail=True, methods=["post"])
    def decline(self, request: ApiRequest, pk: str = "") -> Response:
        """Leave them as they are."""
        proposal = self.get_object()
        accepting.decline_moves(proposal=proposal, moves=self._moves(request, proposal), by=request.user)
        return Response(self.get_serializer(self.get_object()).data)
