"""The measurer's deeds over the API: the same services, the same doors as the pages."""

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
from rest_framework.routers import DefaultRouter
from rest_framework.viewsets import ViewSet

from jobs.access import job_for
from jobs.models import Appointment, Job
from measuring import access, field, services
from measuring.evaluation import alternatives_for, asked, current, evaluate
from measuring.models import RELEASED_OR_LATER, Opening, Product, SizeChange, Unit, Visit
from measuring.options import Offer, gone_options, missing_options, offer_of, offers
from measuring.ports import NewSize
from measuring.services import release_problems
from measuring.services.readings import ANY, refuse_large
from measuring.services.sizes import effects_of
from measuring.views.openings import visit_at
from shared.api import ApiRequest, HasRole, PersonMixin, ReadViewSet, kept_in
from shared.devices.api import FieldViewSet
from shared.roles import DISPATCHER, OWNER

# -- openings ---------------------------------------------------------------------------


class OpeningSerializer(serializers.ModelSerializer[Opening]):
    """An opening; `readings` and `asked` come with the detail."""

    room_name = serializers.CharField(source="room.name", read_only=True)
    floor = serializers.CharField(source="room.floor", read_only=True)
    product_key = serializers.CharField(source="product.key", read_only=True, default=None)

    class Meta:
        model = Opening
        fields = [
            "id", "uid", "job", "room", "room_name", "floor", "mark", "state", "reason", "product_key", "mount",
            "fixed_to", "substrate", "sill", "floor_type", "is_door", "handle_projection", "handle_height",
            "sill_projection", "reach_height", "power", "access_note", "note", "units_wanted", "findings", "version",
        ]  # fmt: skip
        read_only_fields = fields


class ReadingIn(serializers.Serializer[Any]):
    """A reading as it was typed."""

    place = serializers.CharField()
    typed = serializers.CharField(max_length=40)
    turn = serializers.IntegerField(default=1)
    with_case = serializers.BooleanField(default=False)
    tape = serializers.IntegerField(required=False, allow_null=True)
    grade = serializers.CharField(default="final")
    seen = serializers.UUIDField(required=False, allow_null=True)


class FactsIn(serializers.Serializer[Any]):
    """Facts by name, and what the sender saw standing."""

    facts = serializers.DictField()
    seen = serializers.DictField(required=False)


class ReasonIn(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240)


class ObstructionIn(serializers.Serializer[Any]):
    kind = serializers.CharField(max_length=30)
    projection = serializers.CharField(max_length=40)
    at = serializers.CharField(default="path")
    side = serializers.CharField(default="", allow_blank=True)
    from_top = serializers.CharField(default="", allow_blank=True)


class OptionsIn(serializers.Serializer[Any]):
    options = serializers.DictField()


def _valid(kind: type[serializers.Serializer[Any]], request: ApiRequest) -> dict[str, Any]:
    sent = kind(data=request.data)
    sent.is_valid(raise_exception=True)
    return dict(sent.validated_data)


class OpeningViewSet(ReadViewSet):
    """Openings with their readings, size and findings; deeds below each."""

    lookup_value_regex = r"[0-9]+"
    queryset = Opening.objects.select_related("job__branch", "job__site", "room", "product")
    serializer_class = OpeningSerializer
    filterset_fields = ("job", "state", "room")
    roles = access.SEES_SIZES
    deed_roles = dict.fromkeys(
        ("readings", "facts", "obstructions", "photos", "cannot", "not_reached", "again", "drop", "copy",
         "choose_options", "confirm", "keep", "alternatives"),
        access.MEASURES,
    )  # fmt: skip

    def _one(self, pk: str) -> Opening:
        return access.opening_for(self.person, int(pk))

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Everything known of one opening."""
        return Response(self._sheet(self._one(kwargs["pk"])))

    def _sheet(self, opening: Opening) -> dict[str, Any]:
        opening = access.opening_for(self.person, opening.pk)
        found = evaluate(opening)
        now = current(opening.readings.all())
        size = found.size.to_json(opening.job.branch.unit.value) if found.size else None
        return {
            **self.get_serializer(opening).data,
            **field.opening_of(opening, opening.job.branch.unit),
            "asked": [
                {"place": ask.place, "turn": ask.turn, "needed": ask.is_needed, "why": ask.why}
                for ask in asked(opening, now)
            ],
            "missing": [{"code": gap.code, "field": gap.field, "problem": gap.text} for gap in found.gaps],
            "size": size,
            "findings": found.findings,
        }

    @extend_schema(request=ReadingIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def readings(self, request: ApiRequest, pk: str = "") -> Response:
        """Record a reading."""
        opening, sent = self._one(pk), _valid(ReadingIn, request)
        tape = sent.pop("tape", None)
        services.record_reading(
            opening=opening,
            by=request.user,
            visit=visit_at(opening),
            tape=access.tape_for(request.user, tape) if tape else None,
            **{"seen": ANY, **sent},
        )
        return Response(self._sheet(opening), status=status.HTTP_201_CREATED)

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], url_path=r"readings/(?P<uid>[0-9a-f-]{36})/confirm")
    def confirm(self, request: ApiRequest, pk: str = "", uid: str = "") -> Response:
        """Read again, the same."""
        opening = self._one(pk)
        services.confirm_reading(reading=self._reading(opening, uid), by=request.user)
        return Response(self._sheet(opening))

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], url_path=r"readings/(?P<uid>[0-9a-f-]{36})/keep")
    def keep(self, request: ApiRequest, pk: str = "", uid: str = "") -> Response:
        """Of several readings this one stands."""
        opening = self._one(pk)
        services.keep_reading(reading=self._reading(opening, uid), by=request.user)
        return Response(self._sheet(opening))

    def _reading(self, opening: Opening, uid: str) -> Any:
        found = opening.readings.filter(uid=uid).first()
        if found is None:
            raise Http404
        return found

    @extend_schema(request=FactsIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def facts(self, request: ApiRequest, pk: str = "") -> Response:
        """Product, mount, substrate and the rest."""
        opening, sent = self._one(pk), _valid(FactsIn, request)
        services.change_opening(
            opening=opening, by=request.user, facts=sent["facts"], seen=sent.get("seen")
        )
        return Response(self._sheet(opening))

    @extend_schema(request=ObstructionIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def obstructions(self, request: ApiRequest, pk: str = "") -> Response:
        """Something in the way."""
        opening = self._one(pk)
        services.add_obstruction(opening=opening, by=request.user, **_valid(ObstructionIn, request))
        return Response(self._sheet(opening), status=status.HTTP_201_CREATED)

    @extend_schema(request=OpenApiTypes.OBJECT, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], parser_classes=[MultiPartParser])
    def photos(self, request: ApiRequest, pk: str = "") -> Response:
        """A photo, as the form field ``photo``."""
        opening = self._one(pk)
        sent = request.FILES.get("photo")
        if sent is None:
            raise serializers.ValidationError({"photo": "no photo came"})
        refuse_large(sent.size or 0)
        caption = str(request.POST.get("caption", ""))
        services.add_photo(opening=opening, data=sent.read(), caption=caption, by=request.user)
        return Response(self._sheet(opening), status=status.HTTP_201_CREATED)

    @extend_schema(request=OptionsIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"], url_path="options")
    def choose_options(self, request: ApiRequest, pk: str = "") -> Response:
        """Options of every unit of the opening that is not released."""
        opening = self._one(pk)
        services.set_options_of_opening(
            opening=opening, options=_valid(OptionsIn, request)["options"], by=request.user
        )
        return Response(self._sheet(opening))

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def copy(self, request: ApiRequest, pk: str = "") -> Response:
        """Another opening like this one, without its readings."""
        opening = self._one(pk)
        made = services.copy_opening(opening=opening, by=request.user, visit=visit_at(opening))
        return Response(self._sheet(made), status=status.HTTP_201_CREATED)

    @extend_schema(request=ReasonIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def cannot(self, request: ApiRequest, pk: str = "") -> Response:
        """It can't be covered, because."""
        opening = self._one(pk)
        services.mark_cannot(opening=opening, by=request.user, **_valid(ReasonIn, request))
        return Response(self._sheet(opening))

    @extend_schema(request=ReasonIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def not_reached(self, request: ApiRequest, pk: str = "") -> Response:
        """It couldn't be reached, because."""
        opening = self._one(pk)
        services.mark_not_reached(opening=opening, by=request.user, **_valid(ReasonIn, request))
        return Response(self._sheet(opening))

    @extend_schema(request=ReasonIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def drop(self, request: ApiRequest, pk: str = "") -> Response:
        """Not wanted any more."""
        opening = self._one(pk)
        services.drop_opening(opening=opening, by=request.user, **_valid(ReasonIn, request))
        return Response(self._sheet(opening))

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def again(self, request: ApiRequest, pk: str = "") -> Response:
        """It is to be measured after all."""
        opening = self._one(pk)
        services.take_up_again(opening=opening, by=request.user)
        return Response(self._sheet(opening))

    @extend_schema(responses=OpenApiTypes.OBJECT)
    @action(detail=True)
    def alternatives(self, request: ApiRequest, pk: str = "") -> Response:
        """Every product of the range tried on this opening, best first."""
        opening = self._one(pk)
        unit = opening.job.branch.unit.value
        return Response([one.to_json(unit) for one in alternatives_for(opening)])


# -- visits -----------------------------------------------------------------------------


class BeginIn(serializers.Serializer[Any]):
    tape = serializers.IntegerField(required=False, allow_null=True)


class RoomIn(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=60)
    floor = serializers.CharField(max_length=20, required=False, default="", allow_blank=True)


class NewOpeningIn(serializers.Serializer[Any]):
    room = serializers.IntegerField()
    facts = serializers.DictField(required=False, default=dict)


class CloseIn(serializers.Serializer[Any]):
    in_part = serializers.BooleanField(default=False)
    note = serializers.CharField(max_length=4000, required=False, default="", allow_blank=True)


class NotMeasuredIn(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=240)


class VisitViewSet(PersonMixin, ViewSet):
    """Visits by their appointment's key."""

    lookup_value_regex = r"[0-9]+"
    queryset = Appointment.objects.none()  # names the type of the key in the schema
    permission_classes = [HasRole]
    roles = access.MEASURES

    def _appointment(self, pk: str) -> Any:
        return access.appointment_for(self.person, int(pk))

    def _sheet(self, appointment: Any, code: int = 200) -> Response:
        user = self.person
        body = field.visit_of(user, access.appointment_for(user, appointment.pk))
        return Response(body, status=code)

    @extend_schema(responses=OpenApiTypes.OBJECT)
    def list(self, request: ApiRequest) -> Response:
        """The visits of today and tomorrow with the range: what a phone takes along."""
        return Response(field.day_of(request.user))

    @extend_schema(responses=OpenApiTypes.OBJECT)
    def retrieve(self, request: ApiRequest, pk: str = "") -> Response:
        """One visit with its rooms and openings."""
        return self._sheet(self._appointment(pk))

    @extend_schema(request=BeginIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def begin(self, request: ApiRequest, pk: str = "") -> Response:
        """Begin to measure, or take another tape."""
        appointment, tape = self._appointment(pk), _valid(BeginIn, request).get("tape")
        services.open_visit(
            appointment=appointment,
            by=request.user,
            tape=access.tape_for(request.user, tape) if tape else None,
        )
        return self._sheet(appointment, status.HTTP_201_CREATED)

    def _visit(self, pk: str) -> Visit:
        return access.visit_for(self.person, self._appointment(pk).pk)

    @extend_schema(request=RoomIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def rooms(self, request: ApiRequest, pk: str = "") -> Response:
        """A room."""
        visit = self._visit(pk)
        services.add_room(job=visit.appointment.job, by=request.user, **_valid(RoomIn, request))
        return self._sheet(visit.appointment, status.HTTP_201_CREATED)

    @extend_schema(request=NewOpeningIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def openings(self, request: ApiRequest, pk: str = "") -> Response:
        """An opening of a room."""
        visit, sent = self._visit(pk), _valid(NewOpeningIn, request)
        room = visit.appointment.job.rooms.filter(pk=sent["room"]).first()
        if room is None:
            raise Http404
        services.add_opening(room=room, facts=sent["facts"], visit=visit, by=request.user)
        return self._sheet(visit.appointment, status.HTTP_201_CREATED)

    @extend_schema(request=CloseIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def close(self, request: ApiRequest, pk: str = "") -> Response:
        """The close-out."""
        visit, sent = self._visit(pk), _valid(CloseIn, request)
        services.close_visit(visit=visit, by=request.user, in_part=sent["in_part"], note_text=sent["note"])
        return self._sheet(visit.appointment)

    @extend_schema(request=NotMeasuredIn, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def not_measured(self, request: ApiRequest, pk: str = "") -> Response:
        """Nothing could be measured, and why: the visit is over, its openings wait for another."""
        appointment, sent = self._appointment(pk), _valid(NotMeasuredIn, request)
        services.could_not_measure(appointment=appointment, reason=sent["reason"], by=request.user)
        return self._sheet(appointment)

    @extend_schema(request=None, responses=OpenApiTypes.OBJECT)
    @action(detail=True, methods=["post"])
    def reopen(self, request: ApiRequest, pk: str = "") -> Response:
        """Open a closed visit again."""
        visit = self._visit(pk)
        services.reopen_visit(visit=visit, by=request.user)
        return self._sheet(visit.appointment)


# -- units, approval, release --------------------------------------------------------------


class UnitSerializer(serializers.ModelSerializer[Unit]):
    """A unit; `why_not` says what holds its release."""

    opening_name = serializers.CharField(source="opening.__str__", read_only=True)
    job = serializers.IntegerField(source="opening.job_id", read_only=True)
    product_key = serializers.CharField(source="product.key", read_only=True)
    missing_options = serializers.SerializerMethodField()
    why_not = serializers.SerializerMethodField()

    class Meta:
        model = Unit
        fields = [
            "id", "code", "job", "opening", "opening_name", "number", "product_key", "mount", "options", "state",
            "order_width", "order_height", "longest_height", "basis", "steps", "findings", "size_revision", "grade",
            "due_on", "released_at", "made_at", "installed_at", "replaces", "missing_options", "why_not",
        ]  # fmt: skip
        read_only_fields = fields

    def _offer(self, unit: Unit) -> Offer:
        """What can be chosen for its product, looked up once an answer."""
        offered: dict[int, Offer] = kept_in(self.context).setdefault("offers", {})
        if unit.product_id not in offered:
            offered[unit.product_id] = offer_of(unit.product)
        return offered[unit.product_id]

    def get_missing_options(self, unit: Unit) -> list[str]:
        """Labels of what is not chosen, then a sentence for each choice that is not offered any more."""
        if unit.state in RELEASED_OR_LATER:
            return []
        offer = self._offer(unit)
        return [*missing_options(unit, offer), *gone_options(unit, offer)]

    def get_why_not(self, unit: Unit) -> list[str]:
        return release_problems(unit, self._offer(unit))


class UnitViewSet(ReadViewSet):
    """Units with their sizes."""

    lookup_value_regex = r"[0-9]+"
    queryset = Unit.objects.select_related(
        "product", "opening__product", "opening__room", "opening__job__branch", "opening__job__site"
    ).prefetch_related("opening__readings__tape", "opening__obstructions")
    serializer_class = UnitSerializer
    filterset_fields = ("state", "opening__job", "code")
    roles = access.SEES_SIZES
    deed_roles = {"choose_options": access.MEASURES, "cancel": (DISPATCHER, OWNER)}

    def _one(self, pk: str | int) -> Unit:
        return access.unit_for(self.person, int(pk))

    @extend_schema(request=OptionsIn, responses=UnitSerializer)
    @action(detail=True, methods=["post"], url_path="options")
    def choose_options(self, request: ApiRequest, pk: str = "") -> Response:
        """Choose options."""
        unit = services.set_options(
            unit=self._one(pk), options=_valid(OptionsIn, request)["options"], by=request.user
        )
        return Response(self.get_serializer(unit).data)

    @extend_schema(request=ReasonIn, responses=UnitSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: ApiRequest, pk: str = "") -> Response:
        """Not wanted any more."""
        unit = services.cancel_unit(unit=self._one(pk), by=request.user, **_valid(ReasonIn, request))
        return Response(self.get_serializer(self._one(unit.pk)).data)


class ApproveIn(serializers.Serializer[Any]):
    units = serializers.ListField(child=serializers.IntegerField(), min_length=1)
    approved_by = serializers.CharField(max_length=120)
    how = serializers.CharField(max_length=60, default="", allow_blank=True)


class ReleaseIn(serializers.Serializer[Any]):
    units = serializers.ListField(child=serializers.IntegerField(), min_length=1)
    due_on = serializers.DateField(required=False, allow_null=True)


class SizesViewSet(PersonMixin, ViewSet):
    """Approval and release of a job's units, by the job's key."""

    lookup_value_regex = r"[0-9]+"
    queryset = Job.objects.none()  # names the type of the key in the schema
    permission_classes = [HasRole]
    roles = access.SEES_SIZES
    deed_roles = {"approve": (DISPATCHER, OWNER), "release": (DISPATCHER, OWNER)}

    def _job(self, pk: str) -> Job:
        return job_for(self.person, int(pk))

    def _rows(self, job: Job) -> Response:
        units = Unit.objects.filter(opening__job=job).live()
        rows = units.select_related("product", "opening__room", "opening__job__branch", "opening__job__site")
        return Response(UnitSerializer(rows, many=True, context={"request": self.request}).data)

    @extend_schema(responses=UnitSerializer(many=True))
    def retrieve(self, request: ApiRequest, pk: str = "") -> Response:
        """Every live unit of the job."""
        return self._rows(self._job(pk))

    @extend_schema(request=ApproveIn, responses=UnitSerializer(many=True))
    @action(detail=True, methods=["post"])
    def approve(self, request: ApiRequest, pk: str = "") -> Response:
        """Record the customer's yes to these units as they stand."""
        job, sent = self._job(pk), _valid(ApproveIn, request)
        sent["units"] = list(Unit.objects.filter(opening__job=job, pk__in=sent["units"]))
        services.approve_sizes(job=job, by=request.user, **sent)
        return self._rows(job)

    @extend_schema(request=ReleaseIn, responses=UnitSerializer(many=True))
    @action(detail=True, methods=["post"])
    def release(self, request: ApiRequest, pk: str = "") -> Response:
        """Hand these units to the workroom."""
        job, sent = self._job(pk), _valid(ReleaseIn, request)
        units = list(Unit.objects.filter(opening__job=job, pk__in=sent["units"]))
        services.release_to_workroom(job=job, units=units, by=request.user, due_on=sent.get("due_on"))
        return self._rows(job)


class SizeChangeSerializer(serializers.ModelSerializer[SizeChange]):
    effects = serializers.SerializerMethodField()

    class Meta:
        model = SizeChange
        fields = [
            "id", "unit", "state", "old_width", "old_height", "new_width", "new_height", "new_longest_height",
            "steps", "findings", "effects", "opened_at", "decided_at", "decision_note",
        ]  # fmt: skip
        read_only_fields = fields

    def get_effects(self, change: SizeChange) -> list[str]:
        if change.state != SizeChange.State.OPEN:
            return list(change.effects)
        longest = change.new_longest_height or change.new_height
        return effects_of(change.unit, NewSize(change.new_width, change.new_height, longest))


class DecisionIn(serializers.Serializer[Any]):
    accept = serializers.BooleanField()
    text = serializers.CharField(max_length=240, default="", allow_blank=True)


class SizeChangeViewSet(PersonMixin, ViewSet):
    """Re-measures after release."""

    lookup_value_regex = r"[0-9]+"
    queryset = SizeChange.objects.none()  # names the type of the key in the schema
    permission_classes = [HasRole]
    roles = access.SEES_SIZES
    deed_roles = {"decide": (DISPATCHER, OWNER)}

    def _one(self, pk: str) -> SizeChange:
        return access.change_for(self.person, int(pk))

    @extend_schema(responses=SizeChangeSerializer)
    def retrieve(self, request: ApiRequest, pk: str = "") -> Response:
        """One change and what it does."""
        return Response(SizeChangeSerializer(self._one(pk), context={"request": request}).data)

    @extend_schema(request=DecisionIn, responses=SizeChangeSerializer)
    @action(detail=True, methods=["post"])
    def decide(self, request: ApiRequest, pk: str = "") -> Response:
        """Accept or refuse it."""
        change, sent = self._one(pk), _valid(DecisionIn, request)
        deed = services.accept_size_change if sent["accept"] else services.refuse_size_change
        deed(change=change, by=request.user, text=sent["text"])
        return self.retrieve(request, pk)


# -- the range ---------------------------------------------------------------------------------


class ProductSerializer(serializers.ModelSerializer[Product]):
    """`options` are the choices of its recipe, or of the supplier's list: that is where they are changed."""

    options = serializers.SerializerMethodField()

    class Meta:
        model = Product
        fields = ["id", "key", "name", "family", "fit", "options", "source", "is_active", "revision"]
        read_only_fields = ["id", "key", "revision"]

    def get_options(self, product: Product) -> dict[str, list[str]]:
        offered = self.context.get("offers")
        if offered is None:
            rows = getattr(self.parent, "instance", None) or [product]
            offered = kept_in(self.context)["offers"] = offers(rows)
        listed = (offered.get(product.pk) or offer_of(product)).listed
        return {option.key: [choice.key for choice in option.choices] for option in listed.options}


class ProductIn(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80)
    family = serializers.CharField(required=False, default="", allow_blank=True)
    fit = serializers.DictField()
    source = serializers.CharField(default="made")  # type: ignore[assignment]  # a field of that name is no attribute
    is_active = serializers.BooleanField(default=True)


class ProductViewSet(ReadViewSet):
    """The product range; a change is a new revision."""

    lookup_value_regex = r"[0-9]+"
    queryset = Product.objects.all()
    serializer_class = ProductSerializer
    filterset_fields = ("family", "is_active", "key")
    roles = access.SEES_SIZES
    deed_roles = {"create": (OWNER,), "revise": (OWNER,)}

    @extend_schema(request=ProductIn, responses=ProductSerializer)
    def create(self, request: ApiRequest) -> Response:
        """Add a product."""
        made = services.save_product(branch=request.user.own_branch, by=request.user, **_valid(ProductIn, request))
        return Response(self.get_serializer(made).data, status=status.HTTP_201_CREATED)

    @extend_schema(request=ProductIn, responses=ProductSerializer)
    @action(detail=True, methods=["post"])
    def revise(self, request: ApiRequest, pk: str = "") -> Response:
        """Change a product."""
        product = access.product_for(request.user, int(pk))
        saved = services.save_product(
            branch=product.branch, by=request.user, product=product, **_valid(ProductIn, request)
        )
        return Response(self.get_serializer(saved).data)


# -- the field: devices and their deeds ----------------------------------------------------------


class FieldDayViewSet(FieldViewSet):
    """What a phone in the field needs, with the day to take along."""

    @extend_schema(responses=OpenApiTypes.OBJECT)
    @action(detail=False)
    def day(self, request: ApiRequest) -> Response:
        """The day's visits with all that measuring needs."""
        return Response(field.day_of(request.user))


def register(router: DefaultRouter) -> None:
    """The routes of this room."""
    router.register("openings", OpeningViewSet, basename="opening")
    router.register("visits", VisitViewSet, basename="visit")
    router.register("units", UnitViewSet, basename="unit")
    router.register("sizes", SizesViewSet, basename="sizes")
    router.register("size-changes", SizeChangeViewSet, basename="size-change")
    router.register("products", ProductViewSet, basename="product")
    router.register("field", FieldDayViewSet, basename="field")
