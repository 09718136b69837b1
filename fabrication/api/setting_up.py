"""What a workroom sets for itself, over the API: places of work, label size."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from fabrication.access import WORKS
from fabrication.forms import LabelSizeForm
from fabrication.models import LabelSize, WorkPlace
from fabrication.services import setting_up
from fabrication.services.stock import save_label_size
from shared.api import ApiRequest, ReadViewSet, valid
from shared.fields import LengthSerializerField


class WorkPlaceSerializer(serializers.ModelSerializer[WorkPlace]):
    class Meta:
        model = WorkPlace
        fields = ["id", "name", "order", "day_min", "minutes"]


class NewPlaceSerializer(serializers.Serializer[None]):
    name = serializers.CharField(max_length=60)
    day_min = serializers.IntegerField(min_value=1, max_value=setting_up.DAY_MIN)
    minutes = serializers.DictField(child=serializers.IntegerField(min_value=0, max_value=setting_up.DAY_MIN))


class WorkPlaceViewSet(ReadViewSet[WorkPlace]):
    """Places of work with their hours."""

    queryset = WorkPlace.objects.all()
    serializer_class = WorkPlaceSerializer
    roles = WORKS

    @extend_schema(request=NewPlaceSerializer, responses={201: WorkPlaceSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Another place."""
        place = setting_up.save_work_place(
            branch=request.user.own_branch, by=request.user, **valid(NewPlaceSerializer, request)
        )
        return Response(WorkPlaceSerializer(place).data, status=201)

    @extend_schema(request=NewPlaceSerializer)
    def update(self, request: ApiRequest, pk: str = "") -> Response:
        """Its name, hours and minutes anew."""
        place = self.get_object()
        place = setting_up.save_work_place(
            branch=place.branch, place=place, by=request.user, **valid(NewPlaceSerializer, request)
        )
        return Response(WorkPlaceSerializer(place).data)

    @extend_schema(responses={204: None})
    def destroy(self, request: ApiRequest, pk: str = "") -> Response:
        """Take it away."""
        setting_up.remove_work_place(place=self.get_object(), by=request.user)
        return Response(status=204)


class LabelSizeSerializer(serializers.ModelSerializer[LabelSize]):
    """Lengths as the branch writes them."""

    width = LengthSerializerField()
    height = LengthSerializerField()
    left = LengthSerializerField()
    top = LengthSerializerField()
    across = LengthSerializerField()
    down = LengthSerializerField()

    class Meta:
        model = LabelSize
        fields = ["id", "kind", "width", "height", "columns", "rows", "left", "top", "across", "down", "start"]


class LabelSizeViewSet(ReadViewSet[LabelSize]):
    """What the branch prints labels on; none where it never said."""

    queryset = LabelSize.objects.all()
    serializer_class = LabelSizeSerializer
    roles = WORKS

    @extend_schema(request=LabelSizeSerializer, responses={200: LabelSizeSerializer})
    def create(self, request: ApiRequest) -> Response:
        """Set it: the page's own bounds hold."""
        form = LabelSizeForm(request.data, user=request.user)
        if not form.is_valid():
            raise serializers.ValidationError(
                {name: [str(one) for one in errors] for name, errors in form.errors.items()}
            )
        size = save_label_size(branch=request.user.own_branch, by=request.user, **form.cleaned_data)
        return Response(LabelSizeSerializer(size).data)
