"""The product range over the API."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers, status
from rest_framework.decorators import action
from rest_framework.response import Response

from measuring import access
from measuring.adapters.options import offer_of, offers
from measuring.models import Product, ProductTerms
from measuring.rules.prices import TablePrice
from measuring.services import prices
from measuring.services import range as services
from shared.api import ApiRequest, ReadViewSet, kept_in, valid
from shared.lengths import Length
from shared.roles import OWNER


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


class TermsSerializer(serializers.ModelSerializer[ProductTerms]):
    """What a product is sold for; with a table of sizes that goes before the area."""

    table = serializers.SerializerMethodField()
    table_csv = serializers.CharField(
        write_only=True, required=False, allow_blank=True, max_length=100_000,
        help_text="Widths along the first row, a height before each row of prices; empty: no table.",
    )  # fmt: skip

    class Meta:
        model = ProductTerms
        fields = ["rate", "per", "least", "warranty", "care", "table", "table_csv"]

    @extend_schema_field({"type": ["object", "null"]})
    def get_table(self, row: ProductTerms) -> dict[str, object] | None:
        """Its sizes as the branch writes them."""
        if not row.table:
            return None
        found = TablePrice.from_json(row.table)
        unit = row.product.branch.unit
        sizes = {name: [Length(one).text(unit) for one in getattr(found, name)] for name in ("widths", "heights")}
        return {**sizes, "prices": [[str(price) for price in line] for line in found.prices]}


class ProductIn(serializers.Serializer[None]):
    name = serializers.CharField(max_length=80)
    family = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)
    fit = serializers.DictField()
    source = serializers.CharField(max_length=40, default="made")  # type: ignore[assignment]  # a field of that name is no attribute
    is_active = serializers.BooleanField(default=True)


class ProductViewSet(ReadViewSet[Product]):
    """The product range; a change is a new revision."""

    lookup_value_regex = r"[0-9]+"
    queryset = Product.objects.all()
    serializer_class = ProductSerializer
    filterset_fields = ("family", "is_active", "key")
    roles = access.SEES_SIZES
    action_roles = {"create": (OWNER,), "revise": (OWNER,), "terms": (OWNER,)}

    @extend_schema(request=ProductIn, responses=ProductSerializer)
    def create(self, request: ApiRequest) -> Response:
        """Add a product."""
        made = services.save_product(branch=request.user.own_branch, by=request.user, **valid(ProductIn, request))
        return Response(self.get_serializer(made).data, status=status.HTTP_201_CREATED)

    @extend_schema(request=TermsSerializer, responses=TermsSerializer)
    @action(detail=True, methods=["get", "post"])
    def terms(self, request: ApiRequest, pk: str = "") -> Response:
        """What it is sold for, its warranty and care; what is posted stands, what is left out stays."""
        product = access.product_for(request.user, int(pk))
        row = ProductTerms.objects.filter(product=product).first() or ProductTerms(product=product)
        if request.method == "POST":
            sent = valid(TermsSerializer, request, partial=True)
            table = TablePrice.from_json(row.table) if row.table else None
            if "table_csv" in sent:
                text = sent.pop("table_csv")
                table = prices.read_table(text, product.branch.unit) if text.strip() else None
            kept = {name: getattr(row, name) for name in ("rate", "per", "least", "warranty", "care")}
            row = prices.set_price(product=product, by=request.user, table=table, **kept | sent)
        return Response(TermsSerializer(row).data)

    @extend_schema(request=ProductIn, responses=ProductSerializer)
    @action(detail=True, methods=["post"])
    def revise(self, request: ApiRequest, pk: str = "") -> Response:
        """Change a product."""
        product = access.product_for(request.user, int(pk))
        saved = services.save_product(
            branch=product.branch, by=request.user, product=product, **valid(ProductIn, request)
        )
        return Response(self.get_serializer(saved).data)
