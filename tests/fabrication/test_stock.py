"""Stock: never negative, every change with its reason."""

import pytest

from fabrication.models import StockMove
from fabrication.services.stock import count_stock, mark_flaws, move_stock, receive_stock
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry
from tests.fabrication.rows import make_material, make_stock

pytestmark = pytest.mark.django_db


def test_equal_bars_booked_in_twice_add_up(branch, workroom):
    tube = make_material(branch)

    first = receive_stock(material=tube, quantity=4, length=Length.inches(192), by=workroom)
    second = receive_stock(material=tube, quantity=6, length=Length.inches(192), by=workroom)

    assert first.pk == second.pk
    assert second.quantity == 10
    assert [move.change for move in StockMove.objects.order_by("pk")] == [4, 6]


def test_each_roll_stands_alone(branch, workroom):
    cloth = make_material(branch, "cloth")
    size = {"length": Length.inches(1080), "width": Length.inches(98)}

    first = receive_stock(material=cloth, quantity=1, lot="A7", by=workroom, **size)
    second = receive_stock(material=cloth, quantity=1, lot="A7", by=workroom, **size)

    assert first.pk != second.pk


@pytest.mark.parametrize(
    ("kind", "sent", "field"),
    [
        ("bar", {"quantity": 0, "length": Length.inches(192)}, "quantity"),  # nothing came in
        ("bar", {"quantity": 1}, "length"),  # a bar without a length
        ("cloth", {"quantity": 1, "length": Length.inches(900)}, "width"),  # a roll without a width
        ("cloth", {"quantity": 2, "length": Length.inches(900), "width": Length.inches(98)}, "quantity"),  # two rolls
    ],
)
def test_stock_that_cannot_be_is_refused_at_its_field(branch, workroom, kind, sent, field):
    material = make_material(branch, kind)

    with pytest.raises(Refused) as refusal:
        receive_stock(material=material, by=workroom, **sent)

    assert refusal.value.field == field


def test_stock_promised_to_a_batch_cannot_be_taken(branch, workroom):
    bars = make_stock(make_material(branch), quantity=5, reserved=3)

    with pytest.raises(Refused, match="5 there, 3 promised to batches, 3 asked"):
        move_stock(item=bars, change=-3, reason=StockMove.Reason.PULLED, by=workroom)

    bars.refresh_from_db()
    assert bars.quantity == 5


def test_a_count_keeps_its_reason_and_leaves_a_trail(branch, workroom):
    bars = make_stock(make_material(branch), quantity=5)

    count_stock(item=bars, counted=4, reason="one bent", by=workroom)

    assert bars.moves.get().note == "one bent"
    assert AuditEntry.objects.about(bars).get().changes == {"quantity": [5, 4]}


def test_a_flaw_past_the_end_of_the_roll_is_refused(branch, workroom):
    roll = make_stock(make_material(branch, "cloth"))

    with pytest.raises(Refused) as refusal:
        mark_flaws(item=roll, flaws=[(Length.inches(1000), Length.inches(1100))], by=workroom)

    assert refusal.value.field == "flaws"
