"""The box on every page leads to units, stock, batches and purchases by what stands on them."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from fabrication.models import Purchase, Supplier
from fabrication.services.batches import open_batch
from shared.models import Branch, User
from tests.fabrication.rows import make_made_unit, make_material, make_stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def ask(cast: dict[str, User], as_user: Callable[[User], Client]) -> Callable[[str, str], str]:
    """Where the box leads this one of the cast; the page itself where it leads nowhere."""

    def asked(who: str, words: str) -> str:
        answer = as_user(cast[who]).get("/find/", {"words": words})
        return str(answer.url) if answer.status_code == 302 else answer.content.decode()

    return asked


def test_a_code_leads_to_its_unit_or_piece(
    cast: dict[str, User], branch: Branch, ask: Callable[[str, str], str]
) -> None:
    unit = make_made_unit(branch, cast["workroom"]).unit
    piece = make_stock(make_material(branch))
    spaced = f"{unit.code[:3]}-{unit.code[3:6]} {unit.code[6:]}".lower()

    assert ask("workroom", spaced) == reverse("fabrication:by_code", args=[unit.code])
    assert ask("workroom", piece.code) == reverse("fabrication:stock_item", args=[piece.pk])
    for who in ("stranger", "installer"):
        assert "Nothing is found" in ask(who, unit.code)
        assert "Nothing is found" in ask(who, piece.code)


def test_a_batch_and_a_purchase_are_found_by_their_number(
    cast: dict[str, User], branch: Branch, ask: Callable[[str, str], str]
) -> None:
    by = cast["workroom"]
    batch = open_batch(branch=branch, makes=[make_made_unit(branch, by).pk], by=by)
    supplier = Supplier.objects.create(branch=branch, name="Weir Cloth")
    bought = Purchase.objects.create(branch=branch, supplier=supplier, number="P-0031", created_by=by)

    assert batch.number == "B-0001"
    for words in ("B-0001", "b1", "b-1"):
        assert ask("dispatcher", words) == reverse("fabrication:batch", args=[batch.pk])
    for words in ("p-0031", "P31"):
        assert ask("owner", words) == reverse("fabrication:purchase", args=[bought.pk])
    for who in ("stranger", "measurer"):
        assert "Nothing is found" in ask(who, "b1")
        assert "Nothing is found" in ask(who, "p31")
