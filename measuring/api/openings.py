"""Openings over the API: readings, facts, what is in the way, options."""

from __future__ import annotations

from typing import Any

from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from measuring import access
from measuring.adapters.evaluation import alternatives_for, asked, current, evaluate
from measuring.api import field
from measuring.api.base import ReasonIn
from measuring.models import Opening, Reading, ShapeTemplate
from measuring.services import openings, sizes, templates
from measuring.services import readings as reading_services
from measuring.services.readings import ANY
from measuring.services.visits import visit_at
from shared.api import ApiRequest, IdField, ReadViewSet, valid
from shared.pictures import refuse_large
from shared.schema import ROWS

# -- openings ---------------------------------------------------------------------------


class OpeningSerializer(serializers.ModelSerializer[Opening]):
    """An opening; `readings` and `asked` come with the detail."""

    room_name = serializers.CharField(source="room.name", read_only=True)
    floor = serializers.CharField(source="room.floor", read_only=True)
    product_key = serializers.CharField(source="product.key", read_only=True, default=None)

    class Meta:
        model = Opening
        fields = [
            "id", "uid", "job", "room", "room_name", "floor", "mark", "state", "reason", "product_key", "shape",
            "mount", "fixed_to", "substrate", "sill", "floor_type", "is_door", "handle_projection", "handle_height",
            "sill_projection", "reach_height", "to_come", "power", "access_note", "note", "units_wanted", "findings",
            "version",
        ]  # fmt: skip
        read_only_fields = fields


class ReadingIn(serializers.Serializer[None]):
    """A reading as it was typed."""

    spot = serializers.CharField(max_length=40)
    typed = serializers.CharField(max_length=40)
    turn = serializers.IntegerField(min_value=1, max_value=99, default=1)
    with_case = serializers.BooleanField(default=False)
    tape = IdField(required=False, allow_null=True)
    grade = serializers.CharField(max_length=40, default="final")
    seen = serializers.UUIDField(required=False, allow_null=True)


class FactsIn(serializers.Serializer[None]):
    """Facts by name, and what the sender saw standing."""

    facts = serializers.DictField()
    seen = serializers.DictField(required=False)


class ObstructionIn(serializers.Serializer[None]):
    kind = serializers.CharField(max_length=30)
    projection = serializers.CharField(max_length=40)
    at = serializers.CharField(max_length=40, default="path")
    side = serializers.CharField(max_length=40, default="", allow_blank=True)
    from_top = serializers.CharField(max_length=40, default="", allow_blank=True)


class OptionsIn(serializers.Serializer[None]):
    options = serializers.DictField()


class TemplateIn(serializers.Serializer[None]):
    """A template that is made."""

    size_is = serializers.ChoiceField(choices=ShapeTemplate.SizeIs.choices, default="opening")
    is_marked = serializers.BooleanField()


class WhereIn(serializers.Serializer[None]):
    """Where a template is now, or ``before`` to take the last back."""

    to = serializers.ChoiceField(choices=["sent", "returned", "kept", "discarded", "before"])
    said = serializers.CharField(max_length=240, default="", allow_blank=True)


class OpeningViewSet(ReadViewSet[Opening]):
    """Openings with their readings, size and findings; actions below each."""

    lookup_value_regex = r"[0-9]+"
    queryset = Opening.objects.select_related("job__branch", "job__site", "room", "product")
    serializer_class = OpeningSerializer
    filterset_fields = ("job", "state", "room")
    roles = access.SEES_SIZES
    action_roles = dict.fromkeys(
        ("readings", "facts", "obstructions", "photos", "cannot", "not_reached", "again", "drop", "copy",
         "choose_options", "confirm", "keep", "alternatives", "make_template"),
        access.MEASURES,
    ) | {"template": access.NOTES_TEMPLATES}  # fmt: skip

    def _one(self, pk: str) -> Opening:
        return access.opening_for(self.person, int(pk))

    @extend_schema(responses=OpenApiTypes.OBJECT)
    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Everything known of one opening."""
        return Response(self._detail(self._one(kwargs["pk"])))

    def _detail(self, opening: Opening) -> dict[str, Any]:
        opening = access.opening_for(self.person, opening.pk)
        found = evaluate(opening)
        now = current(opening.readings.all())
        size = found.size.to_json(opening.job.branch.unit.value) if found.size else None
        return {
            **self.get_serializer(opening).data,
            **field.opening_of(opening, opening.job.branch.unit),
            "asked": [
                {"spot": ask.spot, "turn": ask.turn, "needed": ask.is_needed, "why": ask.why}
                for ask in asked(opening, now)
            ],
            "missing": [{"code": gap.code, "field": gap.field, "problem": gap.text} for gap in found.gaps],
            "size": size,
            "findings": found.findings,
        }

    @extend_schema(request=ReadingIn, responses={201: OpenApiTypes.OBJECT})
    @action(detail=True, methods=["post"])
    def readings(self, request: ApiRequest, pk: str = "") -> Response:
        """Record a reading."""
        opening, sent = self._one(pk), valid(ReadingIn, request)
        tape = sent.pop("tape", None)
        reading_services.record_reading(
            opening=opening,
            by=request.user,
            visit=visit_at(opening),
            spot=sent.pop("spot"),
            tape=access.tape_for(request.user, tape) if tape else None,
            **{"seen": ANY, **sent},
        )
        return Response(self._detail(opening), status=status.HTTP_201_CREATED)

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], url_path=r"readings/(?P<uid>[0-9a-f-]{36})/confirm")
    def confirm(self, request: ApiRequest, pk: str = "", uid: str = "") -> Response:
        """Read again, the same."""
        opening = self._one(pk)
        reading_services.confirm_reading(reading=self._reading(opening, uid), by=request.user)
        return Response(self._detail(opening))

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], url_path=r"readings/(?P<uid>[0-9a-f-]{36})/keep")
    def keep(self, request: ApiRequest, pk: str = "", uid: str = "") -> Response:
        """Of several readings this one stands."""
        opening = self._one(pk)
        reading_services.keep_reading(reading=self._reading(opening, uid), by=request.user)
        return Response(self._detail(opening))

    def _reading(self, opening: Opening, uid: str) -> Reading:
        found = opening.readings.filter(uid=uid).first()
        if found is None:
            raise Http404
        return found

    @extend_schema(request=FactsIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def facts(self, request: ApiRequest, pk: str = "") -> Response:
        """Product, mount, substrate and the rest."""
        opening, sent = self._one(pk), valid(FactsIn, request)
        openings.change_opening(opening=opening, by=request.user, facts=sent["facts"], seen=sent.get("seen"))
        return Response(self._detail(opening))

    @extend_schema(request=ObstructionIn, responses={201: OpenApiTypes.OBJECT})
    @action(detail=True, methods=["post"])
    def obstructions(self, request: ApiRequest, pk: str = "") -> Response:
        """Something in the way."""
        opening = self._one(pk)
        reading_services.add_obstruction(opening=opening, by=request.user, **valid(ObstructionIn, request))
        return Response(self._detail(opening), status=status.HTTP_201_CREATED)

    @extend_schema(request=OpenApiTypes.OBJECT, responses={201: OpenApiTypes.OBJECT})
    @action(detail=True, methods=["post"], parser_classes=[MultiPartParser])
    def photos(self, request: ApiRequest, pk: str = "") -> Response:
        """A photo, as the form field ``photo``."""
        opening = self._one(pk)
        sent = request.FILES.get("photo")
        if sent is None:
            raise serializers.ValidationError({"photo": "no photo came"})
        refuse_large(sent.size or 0)
        caption = str(request.POST.get("caption", ""))
        reading_services.add_photo(opening=opening, data=sent.read(), caption=caption, by=request.user)
        return Response(self._detail(opening), status=status.HTTP_201_CREATED)

    @extend_schema(request=TemplateIn, responses={201: OpenApiTypes.OBJECT})
    @action(detail=True, methods=["post"], url_path="templates")
    def make_template(self, request: ApiRequest, pk: str = "") -> Response:
        """A template of it is made, with TOP and ROOM SIDE on it; its number is in the answer."""
        opening = self._one(pk)
        templates.make_template(opening=opening, by=request.user, **valid(TemplateIn, request))
        return Response(self._detail(opening), status=status.HTTP_201_CREATED)

    @extend_schema(request=WhereIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], url_path=r"templates/(?P<uid>[0-9a-f-]{36})/where")
    def template(self, request: ApiRequest, pk: str = "", uid: str = "") -> Response:
        """Where a template is; ``said`` is to whom it is sent, where it is kept, or why it is discarded."""
        opening, sent = self._one(pk), valid(WhereIn, request)
        found = opening.templates.filter(uid=uid).first()
        if found is None:
            raise Http404
        templates.note_where(template=found, by=request.user, **sent)
        return Response(self._detail(opening))

    @extend_schema(request=OptionsIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], url_path="options")
    def choose_options(self, request: ApiRequest, pk: str = "") -> Response:
        """Options of every unit of the opening that is not released."""
        opening = self._one(pk)
        sizes.set_options_of_opening(opening=opening, options=valid(OptionsIn, request)["options"], by=request.user)
        return Response(self._detail(opening))

    @extend_schema(request=None, responses={201: OpenApiTypes.OBJECT})
    @action(detail=True, methods=["post"])
    def copy(self, request: ApiRequest, pk: str = "") -> Response:
        """Another opening like this one, without its readings."""
        opening = self._one(pk)
        made = openings.copy_opening(opening=opening, by=request.user, visit=visit_at(opening))
        return Response(self._detail(made), status=status.HTTP_201_CREATED)

    @extend_schema(request=ReasonIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def cannot(self, request: ApiRequest, pk: str = "") -> Response:
        """It can't be covered, because."""
        opening = self._one(pk)
        openings.mark_cannot(opening=opening, by=request.user, **valid(ReasonIn, request))
        return Response(self._detail(opening))

    @extend_schema(request=ReasonIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], url_path="not-reached")
    def not_reached(self, request: ApiRequest, pk: str = "") -> Response:
        """It couldn't be reached, because."""
        opening = self._one(pk)
        openings.mark_not_reached(opening=opening, by=request.user, **valid(ReasonIn, request))
        return Response(self._detail(opening))

    @extend_schema(request=ReasonIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def drop(self, request: ApiRequest, pk: str = "") -> Response:
        """Not wanted any more."""
        opening = self._one(pk)
        openings.drop_opening(opening=opening, by=request.user, **valid(ReasonIn, request))
        return Response(self._detail(opening))

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def again(self, request: ApiRequest, pk: str = "") -> Response:
        """It is to be measured after all."""
        opening = self._one(pk)
        openings.take_up_again(opening=opening, by=request.user)
        return Response(self._detail(opening))

    @extend_schema(responses={200: ROWS})
    @action(detail=True)
    def alternatives(self, request: ApiRequest, pk: str = "") -> Response:
        """Every product of the range tried on this opening, best first."""
        opening = self._one(pk)
        unit = opening.job.branch.unit.value
        return Response([one.to_json(unit) for one in alternatives_for(opening)])
