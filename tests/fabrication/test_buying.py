"""Buying: what is short, and a unit's way from order to inspected."""

import datetime as dt
import re
from decimal import Decimal

import pytest
from django.utils import timezone

from fabrication.documents import purchase_order
from fabrication.models import PurchaseLine, StockItem, Supplier, SupplierList, UnitMake
from fabrication.services.buying import (
    StockLine,
    acknowledge,
    inspect_line,
    late_of,
    order_stock,
    order_units,
    receive_line,
    shortages,
)
from fabrication.services.making import release_checks
from measuring.models import Product, Unit
from shared.codes import new_code
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock

pytestmark = pytest.mark.django_db

FIT = {"unit": "in", "min_depth": "2", "flush_depth": "3", "head_height": "2"}


@pytest.fixture
def supplier(branch):
    return Supplier.objects.create(branch=branch, name="Fenwater Weavers", lead_days=9)


@pytest.fixture
def bought(branch, workroom):
    """A unit of 35 3/8 × 60, inside, whose supplier makes as given: 1/8 is ours to take."""
    make = make_made_unit(branch, workroom, source="bought")
    supplied(make, "finished", clearance={"width": "1/8", "height": "0"})
    return make


def supplied(make, takes, **fit):
    """What the supplier of its product takes, and what the product needs to fit."""
    Product.objects.filter(pk=make.unit.product_id).update(
        source="bought", fit={**FIT, **fit}, name=f"Bought in {new_code()}"
    )
    SupplierList.objects.update_or_create(product=make.unit.product, defaults={"takes": takes})


@pytest.fixture
def line(bought, supplier, workroom):
    order_units(supplier=supplier, makes=[bought.pk], by=workroom)
    return PurchaseLine.objects.get()


def test_what_parts_need_beyond_free_stock_is_short(branch, workroom):
    tube = make_material(branch, facts={"stock": [{"length": "192"}]})
    make_stock(tube, quantity=1)
    make = make_made_unit(branch, workroom)
    make_part(make, tube, "100", quantity=4)

    (short,) = shortages(branch=branch)

    assert short.need.short == Length.inches(208)
    assert short.missing == 2


def test_enough_stock_is_no_shortage(branch, workroom):
    clips = make_material(branch, "piece")
    make_stock(clips, length=None, quantity=2)
    make_part(make_made_unit(branch, workroom), clips, length=None, quantity=2)

    assert shortages(branch=branch) == []


def test_a_unit_made_here_is_not_ordered(branch, workroom, supplier):
    make = make_made_unit(branch, workroom)

    with pytest.raises(Refused, match="is made here"):
        order_units(supplier=supplier, makes=[make.pk], by=workroom)


def test_a_unit_is_ordered_once(bought, line, supplier, workroom):
    with pytest.raises(Refused, match="already"):
        order_units(supplier=supplier, makes=[bought.pk], by=workroom)


@pytest.mark.parametrize(
    ("takes", "mount", "basis", "size", "named"),
    [
        # they take the clearance: the opening as it was measured
        ("opening", "inside", "opening size", "35 3/8", "inside mount, opening size"),
        # they make as given: ours is taken, once
        ("finished", "inside", "opening size", "35 1/4", "inside mount, finished size"),
        # chosen at the opening, or an outside mount: nobody takes anything
        ("finished", "inside", "finished size", "35 3/8", "inside mount, finished size"),
        ("opening", "outside", "finished size", "35 3/8", "outside mount, finished size"),
        ("", "outside", "finished size", "35 3/8", "outside mount, finished size"),
    ],
)
def test_the_clearance_of_what_is_bought_in_is_taken_once(
    branch, workroom, supplier, as_user, takes, mount, basis, size, named
):
    make = make_made_unit(branch, workroom, source="bought")
    supplied(make, takes, clearance={"width": "1/8", "height": "0"})
    Unit.objects.update(mount=mount, basis=basis)

    purchase = order_units(supplier=supplier, makes=[make.pk], by=workroom)

    line = purchase.lines.get()
    page = as_user(workroom).get(f"/workroom/purchases/{purchase.pk}/").content.decode()
    sheet = as_user(workroom).get(f"/workroom/purchases/{purchase.pk}/sheet.csv").content.decode().splitlines()
    row = purchase_order(purchase)["lines"][0]
    make.refresh_from_db()
    assert (line.width, line.length) == (Length.parse(size), Length.inches(60))
    assert (make.finished_width, make.finished_height) == (line.width, line.length)
    assert " ".join(page.split()).count(named) == 1
    assert sheet[0] == "what,key,code,quantity,width,height or length,mount,size is,price,options"
    assert f"{size},60,{named.replace(', ', ',')},," in sheet[1]
    assert f"{row['mount']}, {row['basis']}" == named


@pytest.mark.parametrize(
    ("takes", "fit", "problem"),
    [
        ("", {"clearance": {"width": "1/8"}}, "Say on its supplier's list whether the opening size or the finished"),
        ("finished", {}, "Write the clearance off the width on the product's page."),
        ("finished", {"clearance": {"width": "36"}}, "nothing is left of it after the clearance"),
        ("opening", {}, None),
    ],
)
def test_an_inside_mount_is_not_ordered_by_a_rule_nobody_knows(branch, workroom, supplier, takes, fit, problem):
    make = make_made_unit(branch, workroom, source="bought")
    supplied(make, takes, **fit)

    why_not = list(release_checks(Unit.objects.get()))

    if problem is None:
        assert why_not == []
        return
    assert problem in why_not[0]
    assert make.unit.code in why_not[0]
    with pytest.raises(Refused, match=problem):
        order_units(supplier=supplier, makes=[make.pk], by=workroom)


def test_an_acknowledgement_that_differs_is_named_and_stops_the_line(line, workroom):
    acknowledge(line=line, width=Length.parse("35 1/2"), height=Length.inches(60), options={}, by=workroom)

    line.refresh_from_db()
    assert line.state == PurchaseLine.State.DIFFERS
    assert line.differences == ["width: ordered 35 1/4 in, acknowledged 35 1/2 in"]
    with pytest.raises(Refused, match="acknowledged otherwise"):
        receive_line(line=line, packages=1, by=workroom)


def test_a_unit_that_came_and_is_good_counts_as_made(line, workroom):
    acknowledge(line=line, width=Length.parse("35 1/4"), height=Length.inches(60), options={}, by=workroom)
    receive_line(line=line, packages=1, by=workroom)
    inspect_line(line=line, is_good=True, by=workroom)

    line.purchase.refresh_from_db()
    assert Unit.objects.get().state == Unit.State.MADE
    assert UnitMake.objects.get().state == UnitMake.State.MADE
    assert line.purchase.state == "closed"


def test_what_is_wrong_with_a_unit_must_be_said(line, workroom):
    acknowledge(line=line, width=Length.parse("35 1/4"), height=Length.inches(60), options={}, by=workroom)
    receive_line(line=line, packages=1, by=workroom)

    with pytest.raises(Refused) as refusal:
        inspect_line(line=line, is_good=False, by=workroom)

    assert refusal.value.field == "note"


@pytest.mark.parametrize(
    ("is_good", "line_state", "unit_state", "action"),
    [(True, "inspected", Unit.State.MADE, "inspected"), (False, "refused", Unit.State.IN_WORKROOM, "sent back")],
)
def test_an_inspection_is_in_the_unit_s_history(line, workroom, is_good, line_state, unit_state, action):
    acknowledge(line=line, width=Length.parse("35 1/4"), height=Length.inches(60), options={}, by=workroom)
    receive_line(line=line, packages=1, by=workroom)

    inspect_line(line=line, is_good=is_good, note="a bent rail", by=workroom)

    line.refresh_from_db()
    assert (line.state, line.note) == (line_state, "a bent rail")
    assert Unit.objects.get().state == unit_state
    assert [entry.action for entry in AuditEntry.objects.filter(action__in=["inspected", "sent back"])] == [action]


def test_stock_that_came_goes_on_the_rack_once(branch, supplier, workroom):
    tube = make_material(branch)
    bought = order_stock(supplier=supplier, lines=[StockLine(tube, 6, Length.inches(192))], by=workroom)
    line = bought.lines.get()

    receive_line(line=line, packages=1, by=workroom)
    receive_line(line=line, packages=1, by=workroom)

    assert StockItem.objects.get(material=tube).quantity == 6


# -- short cloth -------------------------------------------------------------------------------


@pytest.fixture
def linen(branch, workroom):
    """58 1/2 in of a cloth sold 54 and 118 wide, for a unit due in two days."""
    cloth = make_material(
        branch, "cloth", facts={"stock": [{"width": "54", "price": "9.80"}, {"width": "118", "price": "21.50"}]}
    )
    make = make_made_unit(branch, workroom)
    make.unit.due_on = timezone.localdate() + dt.timedelta(days=2)
    make.unit.save()
    make_part(make, cloth, "58 1/2", width=Length.inches(40), name="cloth")
    return cloth


def test_short_cloth_is_bought_by_length_width_and_price(linen, supplier, as_user, workroom):
    page = as_user(workroom)
    box = f"m{linen.pk}-"

    shown = page.get("/workroom/buying/").content.decode()
    sent = {"supplier": supplier.pk, "material": linen.pk, f"{box}quantity": "2", f"{box}price": "21.50"}
    unsaid = page.post("/workroom/buying/stock/", sent, follow=True).content.decode()
    page.post("/workroom/buying/stock/", sent | {f"{box}length": "1080", f"{box}width": "118"})
    line = PurchaseLine.objects.get()
    late = page.get(f"/workroom/purchases/{line.purchase_id}/").content.decode()
    came = {f"line{line.pk}-packages": "2", f"line{line.pk}-length": "1044", f"line{line.pk}-lot": "A7"}
    page.post(f"/workroom/purchase-lines/{line.pk}/receive/", came)

    # the widest it is sold in, by whole yards
    for name, value in (("length", "72"), ("width", "118"), ("price", "21.50")):
        assert re.search(rf'name="{box}{name}" value="{value}"', shown)
    assert "say what length is bought" in unsaid
    assert (line.length, line.width, line.price) == (Length.inches(1080), Length.inches(118), Decimal("21.50"))
    assert f"{linen.name} for " in late
    assert "too late" in late
    rolls = StockItem.objects.filter(material=linen)
    assert [(roll.length, roll.width, roll.lot, roll.price, roll.quantity) for roll in rolls] == [
        (Length.inches(1044), Length.inches(118), "A7", Decimal("21.50"), 1)
    ] * 2


def test_what_comes_before_it_is_needed_is_not_late(linen, supplier, workroom):
    supplier.lead_days = 1
    supplier.save()

    purchase = order_stock(
        supplier=supplier, lines=[StockLine(linen, 1, Length.inches(72), Length.inches(118))], by=workroom
    )

    assert late_of(purchase) == []
