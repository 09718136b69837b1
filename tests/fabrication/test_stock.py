"""Stock: never negative, every change with its reason."""

import pytest
from django.urls import reverse

from fabrication.models import StockItem, StockMove
from fabrication.services.rack import count_stock
from fabrication.services.stock import mark_flaws, move_stock, receive_stock
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
        ("cord", {"quantity": 900, "length": Length.inches(900)}, "quantity"),  # 900 reels in one
    ],
)
def test_stock_that_cannot_be_is_refused_at_its_field(branch, workroom, kind, sent, field):
    material = make_material(branch, kind)

    with pytest.raises(Refused) as refusal:
        receive_stock(material=material, by=workroom, **sent)

    assert refusal.value.field == field


def test_bars_of_another_lot_stand_by_themselves(branch, workroom):
    bar, size = make_material(branch), {"length": Length.inches(192), "quantity": 2}

    first = receive_stock(material=bar, lot="white 4", by=workroom, **size)
    second = receive_stock(material=bar, lot="white 5", by=workroom, **size)

    assert (first.pk, first.lot) != (second.pk, second.lot)
    assert second.lot == "white 5"


def received(client, **sent):
    """How the page answers the form, and what came in."""
    answer = client.post(reverse("fabrication:stock_receive"), {"quantity": "1", **sent})
    return answer, StockItem.objects.order_by("-pk").first()


@pytest.mark.page
@pytest.mark.parametrize(("typed", "counted_in", "inches"), [("25", "yd", 900), ("900", "in", 900), ("75'", "", 900)])
def test_a_roll_is_received_by_yard_or_by_inch(branch, workroom, as_user, typed, counted_in, inches):
    sent = {"material": make_material(branch, "cloth").pk, "length": typed, "length_in": counted_in, "width": "98"}

    _, item = received(as_user(workroom), **sent)

    assert item.length == Length.inches(inches)


@pytest.mark.page
def test_a_bare_number_on_a_roll_is_asked_what_it_counts(branch, workroom, as_user):
    sent = {"material": make_material(branch, "cloth").pk, "length": "900", "width": "98"}

    answer, item = received(as_user(workroom), **sent)

    assert answer.status_code == 422
    assert "900 what? Choose inches, yards or meters." in answer.content.decode()
    assert item is None


@pytest.mark.page
def test_a_surprising_number_is_asked_back_with_what_it_would_mean(branch, workroom, as_user):
    client = as_user(workroom)
    sent = {"material": make_material(branch, "cloth").pk, "length": "900", "length_in": "yd", "width": "98"}

    asked, nothing = received(client, **sent)
    _, item = received(client, sure="on", **sent)

    assert asked.status_code == 422
    assert "32400 in (900 yd)? A roll is seldom" in asked.content.decode()
    assert nothing is None
    assert item.length == Length.inches(32400)


def test_the_api_asks_a_surprising_number_back(branch, workroom, api_as):
    bar, url = make_material(branch), reverse("api:stock-receive")
    receive_stock(material=bar, quantity=4, length=Length.inches(192), by=workroom)
    sent = {"material": bar.key, "quantity": 900, "length": "192 in"}

    asked = api_as(workroom).post(url, sent)
    taken = api_as(workroom).post(url, {**sent, "sure": True})

    error = asked.json()["errors"][0]
    assert (asked.status_code, error["field"]) == (409, "sure")
    assert "The most received at once so far is 4" in error["problem"]
    assert taken.status_code == 201


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
