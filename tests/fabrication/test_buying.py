"""Buying: what is short, and a unit's way from order to inspected."""

import pytest

from fabrication.models import PurchaseLine, StockItem, Supplier, UnitMake
from fabrication.services.buying import acknowledge, inspect_line, order_stock, order_units, receive_line, shortages
from measuring.models import Unit
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def supplier(branch):
    return Supplier.objects.create(branch=branch, name="Fenwater Weavers", lead_days=9)


@pytest.fixture
def bought(branch, workroom):
    return make_made_unit(branch, workroom, source="bought")


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
    bought = order_stock(supplier=supplier, lines=[(tube, 6, Length.inches(192), None)], by=workroom)
    line = bought.lines.get()

    receive_line(line=line, packages=1, by=workroom)
    receive_line(line=line, packages=1, by=workroom)

    assert StockItem.objects.get(material=tube).quantity == 6
