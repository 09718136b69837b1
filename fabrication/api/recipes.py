"""Recipes over the API."""

from __future__ import annotations

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from fabrication.access import WORKS
from fabrication.models import RecipeRevision
from fabrication.services import recipes
from measuring.models import Product
from shared.api import ApiRequest, ReadViewSet, valid


class RecipeSerializer(serializers.ModelSerializer[RecipeRevision]):
    product = serializers.CharField(source="product.key", read_only=True)

    class Meta:
        model = RecipeRevision
        fields = ["id", "product", "number", "definition", "note", "is_current", "saved_at"]


class NewRecipeSerializer(serializers.Serializer[None]):
    product = serializers.SlugField(max_length=50)
    definition = serializers.DictField()
    note = serializers.CharField(max_length=240, required=False)


class RecipeViewSet(ReadViewSet[RecipeRevision]):
    """Recipes with all their revisions; a new one is checked over its whole size range."""

    queryset = RecipeRevision.objects.select_related("product")
    serializer_class = RecipeSerializer
    filterset_fields = ["product", "is_current"]
    roles = WORKS

    def get_queryset(self) -> QuerySet[RecipeRevision]:
        """Of the products this person sees."""
        if getattr(self, "swagger_fake_view", False):
            return self.queryset.none()
        return self.queryset.filter(product__in=Product.objects.visible_to(self.person))

    @extend_schema(request=NewRecipeSerializer, responses={201: RecipeSerializer})
    def create(self, request: ApiRequest) -> Response:
        """The next revision of a product's recipe."""
        sent = valid(NewRecipeSerializer, request)
        product = Product.objects.visible_to(request.user).filter(key=sent.pop("product")).first()
        if product is None:
            raise serializers.ValidationError({"product": "no such product in this branch"})
        return Response(
            RecipeSerializer(recipes.save_recipe(product=product, by=request.user, **sent)).data, status=201
        )
