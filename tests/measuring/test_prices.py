"""Prices by area and by table: exact at their edges, read from a file, and what a job comes to."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from measuring.models import Product, ProductTerms
from measuring.rules.prices import AreaPrice, NoPrice
from measuring.services.prices import read_table
from measuring.services.starting_data import load_products
from shared.errors import Refused
from shared.lengths import Length, LengthUnit
from shared.models import User

INCH = 8128
TABLE = "h \\ w,24,36,48\n48,90,120,150\n60,100,$1,135,170\n72,110,150,190\n".replace("$1,135", '"$1,135.50"')


@pytest.mark.parametrize(
    ("width", "height", "price"),
    [
        (24 * INCH, 48 * INCH, "90.00"),  # the smallest size itself
        (1, 1, "90.00"),  # smaller than any
        (24 * INCH + 1, 48 * INCH, "120.00"),  # a hair wider: the next width
        (36 * INCH, 60 * INCH, "1135.50"),
        (36 * INCH, 48 * INCH + 1, "1135.50"),  # a hair higher: the next height
        (48 * INCH, 72 * INCH, "190.00"),  # the largest
    ],
)
def test_between_two_sizes_of_a_table_the_larger_counts(width: int, height: int, price: str) -> None:
    assert read_table(TABLE, LengthUnit.INCH).of(Length(width), Length(height)) == Decimal(price)


def test_past_its_edge_a_table_has_no_price_and_says_which() -> None:
    table = read_table(TABLE, LengthUnit.INCH)

    with pytest.raises(NoPrice, match=r"more than 48.* wide"):
        table.of(Length(48 * INCH + 1), Length(48 * INCH))
    with pytest.raises(NoPrice, match=r"more than 72.* high"):
        table.of(Length(24 * INCH), Length(72 * INCH + 1))


def test_a_square_meter_and_its_square_feet_cost_the_same_but_for_the_cent() -> None:
    side = Length(320 * 1000)

    assert AreaPrice(Decimal(100), "sq_m").of(side, side) == Decimal("100.00")
    # 1 m = 1/0.3048 ft exactly (international foot, 1959): 10.76391 sq ft
    assert AreaPrice(Decimal(100), "sq_ft").of(side, side) == Decimal("1076.39")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the first row names widths"),
        ("h,24\n48,x\n", "line 2, column 2: x is no price"),
        ("h,wide\n48,9\n", "line 1, column 2: wide"),
        ("h,24,36\n48,9\n", "line 2 has 1 prices for 2 widths"),
        ("h,36,24\n48,9,8\n", "widths do not ascend"),
        ("h,24\n48,9\n48,9\n", "heights do not ascend"),
        ("h,24\n48,-9\n", "is no price"),
    ],
)
def test_a_table_that_can_not_be_read_names_its_cell(text: str, words: str) -> None:
    with pytest.raises(Refused, match=words):
        read_table(text, LengthUnit.INCH)


@pytest.mark.django_db
def test_the_owner_sets_a_rate_and_loads_a_table_which_then_goes_first(
    owner: User, as_user: Callable[[User], Client]
) -> None:
    load_products(owner.own_branch)
    product = Product.objects.filter(branch=owner.branch)[0]
    address, client = f"/range/{product.pk}/price/", as_user(owner)
    rate = {"rate": "12.50", "per": "sq_ft", "least": "10"}

    client.post(address, rate)
    by_area = ProductTerms.objects.get().of(Length(36 * INCH), Length(60 * INCH), LengthUnit.INCH)
    client.post(address, {**rate, "file": SimpleUploadedFile("prices.csv", TABLE.encode())})
    by_table = ProductTerms.objects.get().of(Length(36 * INCH), Length(60 * INCH), LengthUnit.INCH)
    shown = client.get(address).content.decode()
    client.post(address, {**rate, "without_table": "on"})

    assert (by_area, by_table) == (Decimal("187.50"), Decimal("1135.50"))
    assert "$1,135.50" in shown
    assert ProductTerms.objects.get().table is None


def test_the_api_sets_and_shows_a_products_terms_for_its_owner_alone(
    owner: User, dispatcher: User, api_as: Callable[[User], Any]
) -> None:
    load_products(owner.own_branch)
    product = Product.objects.order_by("pk")[0]
    there, api = f"/api/1/products/{product.pk}/terms/", api_as(owner)
    assert api_as(dispatcher).get(there).status_code == 403

    set_ = api.post(there, {"rate": "12.50", "warranty": "fabric: 3 years", "table_csv": TABLE}, format="json").json()

    assert set_["table"]["widths"] == ["24", "36", "48"]
    assert set_["table"]["prices"][1][1] == "1135.50"
    assert api.post(there, {"least": "10"}, format="json").json()["table"] == set_["table"]
    without = api.post(there, {"table_csv": ""}, format="json").json()
    assert (without["table"], without["rate"], without["least"]) == (None, "12.50", "10.00")
    assert api.post(there, {"table_csv": "x"}, format="json").json()["errors"][0]["field"] == "file"
