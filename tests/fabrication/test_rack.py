"""What people do at the rack: every change has its reason, and no batch is left standing on what is gone."""

import pytest
from django.urls import reverse

from fabrication.models import CutPlan, Part, PlannedCut, StockItem, StockMove
from fabrication.services import planning
from fabrication.services.batches import open_batch
from fabrication.services.bench import mark_cut, mark_piece, undo_cut
from fabrication.services.miscuts import report_miscut
from fabrication.services.planning import plan_batch
from fabrication.services.rack import count_stock, join_stock, measure_stock, scrap_stock, shelve_stock, split_stock
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def planned(branch, workroom, do_runs, monkeypatch):
    """``planned(kind)``: a stock piece, the batch that two units' parts of it are planned in."""
    monkeypatch.setattr(planning, "SECONDS", 0.5)

    def plan(kind="bar", **stock):
        material = make_material(branch, kind)
        item = make_stock(material, **stock)
        makes = [make_made_unit(branch, workroom) for _ in range(2)]
        for make in makes:
            make_part(make, material, "80", **({"width": Length.inches(60)} if kind == "cloth" else {}))
        batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=workroom)
        plan_batch(batch=batch, by=workroom)
        do_runs()
        item.refresh_from_db()
        assert item.reserved or item.reserved_length
        return item, batch

    return plan


@pytest.mark.parametrize("kind", ["bar", "cloth"])
def test_a_count_under_a_reservation_names_the_batch_and_plans_it_anew(planned, workroom, do_runs, kind):
    item, batch = planned(kind)
    other = make_stock(item.material)

    runs = count_stock(item=item, counted=0, reason="not on the rack", by=workroom)
    do_runs()

    item.refresh_from_db()
    assert [str(batch) in run.title for run in runs] == [True]
    assert (item.quantity, item.reserved, item.reserved_length) == (0, 0, Length(0))
    assert {cut.item for cut in PlannedCut.objects.filter(state=PlannedCut.State.TO_CUT)} == {other}
    plan = batch.plans.exclude(state=CutPlan.State.REPLACED).get()
    assert plan.before["why"] == f"counted 0 of {item.code}: not on the rack"


def test_a_count_that_leaves_what_is_reserved_changes_no_plan(planned, workroom):
    item, batch = planned(quantity=5)

    assert count_stock(item=item, counted=item.reserved, reason="one bent", by=workroom) == []
    assert batch.plans.get().state == CutPlan.State.READY


def test_only_plans_of_the_material_that_changed_are_made_anew(planned, workroom):
    item, _ = planned()
    _, other = planned()

    runs = scrap_stock(item=item, quantity=10, reason="flooded", by=workroom)

    assert len(runs) == 1
    assert other.plans.get().state == CutPlan.State.READY


def test_a_bar_measured_again_is_planned_at_its_true_length(planned, workroom, do_runs):
    item, _ = planned()

    runs = measure_stock(item=item, length=Length.inches(120), reason="mill cut short", by=workroom)
    do_runs()

    assert len(runs) == 1
    assert {cut.length for cut in PlannedCut.objects.filter(state=PlannedCut.State.TO_CUT)} == {Length.inches(120)}
    assert item.moves.get().note == "192 in is 120 in: mill cut short"


def test_a_roll_that_is_still_long_enough_keeps_its_plan(planned, workroom):
    item, _ = planned("cloth")

    assert measure_stock(item=item, length=Length.inches(900), reason="measured", by=workroom) == []
    item.refresh_from_db()
    assert len(measure_stock(item=item, length=Length.inches(90), reason="measured", by=workroom)) == 1


def test_another_place_is_in_the_history_with_who_and_why(branch, workroom):
    item = make_stock(make_material(branch), shelf="rack 3")

    shelve_stock(item=item, shelf="rack 9", reason="rack 3 is full", by=workroom)

    move = item.moves.get()
    item.refresh_from_db()
    assert (item.shelf, move.change, move.moved_by) == ("rack 9", 0, workroom)
    assert move.note == "rack 3 to rack 9: rack 3 is full"
    assert AuditEntry.objects.about(item).get().changes == {"place": ["rack 3", "rack 9"]}


def test_an_undone_cross_cut_is_in_the_rolls_history(planned, workroom):
    item, batch = planned("cloth")
    cut = PlannedCut.objects.first()

    mark_cut(cut=cut, by=workroom)
    undo_cut(cut=cut, by=workroom, reason="the wrong roll")

    assert item.moves.first().note == f"cut of {batch} undone, {cut.run_off} back, the wrong roll"
    assert item.moves.first().reason == StockMove.Reason.CORRECTED


def test_why_a_piece_was_undone_or_spoiled_is_in_the_history_of_its_unit_and_its_stock(planned, workroom):
    """They were kept with the cut alone, which no page of a unit or its job shows."""
    item, batch = planned("bar")
    cut = PlannedCut.objects.first()
    unit = Part.objects.get(pk=cut.pieces[0]["part"]).make.unit

    mark_cut(cut=cut, by=workroom)
    undo_cut(cut=cut, by=workroom)
    report_miscut(cut=cut, spoiled=[0], by=workroom, reason="blade wandered")

    said = list(AuditEntry.objects.about(unit).order_by("pk").values_list("action", "note"))[-2:]
    assert said == [
        ("tube: cut undone", f"1 of {item.code}, tapped by mistake"),
        ("tube: scrapped in cutting", f"1 of {item.code}, blade wandered"),
    ]
    notes = [move.note for move in item.moves.order_by("pk")]
    assert notes[-2:] == [f"cut of {batch} undone, tapped by mistake", f"{batch}, miscut: blade wandered"]


@pytest.mark.parametrize("kind", ["bar", "cloth"])
def test_a_cut_is_not_undone_onto_stock_that_was_measured_since(planned, workroom, kind):
    item, _ = planned(kind)
    cut = PlannedCut.objects.first()
    mark_piece(cut=cut, position=0, by=workroom)
    item.refresh_from_db()
    measure_stock(item=item, length=Length.inches(400), reason="measured", by=workroom)

    with pytest.raises(Refused, match=r"measured again or split since|planned anew since"):
        undo_cut(cut=cut, by=workroom)


def test_some_bars_are_split_off_and_joined_again(branch, workroom):
    item = make_stock(make_material(branch), lot="white 4", reserved=2)

    split_stock(item=item, quantity=3, reason="for the other saw", by=workroom)
    other = StockItem.objects.exclude(pk=item.pk).get()
    item.refresh_from_db()
    assert (item.quantity, other.quantity, other.lot, other.length) == (7, 3, "white 4", item.length)
    assert other.moves.get().note == f"of {item.code}: for the other saw"

    join_stock(item=item, other=other, reason="back", by=workroom)
    other.refresh_from_db()
    item.refresh_from_db()
    assert (item.quantity, other.quantity) == (10, 0)


def test_the_free_end_of_a_roll_is_split_off_with_its_flaws(branch, workroom):
    inch = Length.inches(1).ticks
    roll = make_stock(make_material(branch, "cloth"), flaws=[[20 * inch, 40 * inch], [500 * inch, 510 * inch]])

    split_stock(item=roll, length=Length.inches(30), reason="sample", by=workroom)

    other = StockItem.objects.exclude(pk=roll.pk).get()
    roll.refresh_from_db()
    assert (roll.length, other.length) == (Length.inches(1050), Length.inches(30))
    assert other.flaws == [[20 * inch, 30 * inch]]
    assert roll.flaws == [[0, 10 * inch], [470 * inch, 480 * inch]]


@pytest.mark.parametrize("other", [{"lot": "white 5"}, {"length": Length.inches(228)}, {"reserved": 1}])
def test_what_differs_or_is_reserved_is_not_joined(branch, workroom, other):
    bar = make_material(branch)
    item, other = make_stock(bar, lot="white 4"), make_stock(bar, **{"lot": "white 4", **other})

    with pytest.raises(Refused) as refusal:
        join_stock(item=item, other=other, reason="one rack", by=workroom)

    assert refusal.value.field == "other"


@pytest.mark.parametrize(
    ("kind", "act", "sent", "field"),
    [
        ("cloth", count_stock, {"counted": 9}, "counted"),  # nine of one roll
        ("bar", count_stock, {"counted": -1}, "counted"),
        ("bar", scrap_stock, {"quantity": 11}, "quantity"),  # of ten
        ("bar", split_stock, {"quantity": 10}, "quantity"),  # all of it
        ("cloth", split_stock, {"length": Length.inches(1080)}, "length"),
        ("bar", measure_stock, {"length": Length(0)}, "length"),
        ("bar", measure_stock, {"length": Length(5), "width": Length(5)}, "width"),  # a bar has none
    ],
)
def test_what_cannot_be_is_refused_at_its_field(branch, workroom, kind, act, sent, field):
    item = make_stock(make_material(branch, kind))

    with pytest.raises(Refused) as refusal:
        act(item=item, reason="seen", by=workroom, **sent)

    assert refusal.value.field == field


@pytest.mark.page
def test_the_page_names_the_batches_and_what_is_planned_again(planned, workroom, as_user):
    item, batch = planned(quantity=1)
    client, url = as_user(workroom), reverse("fabrication:stock_item", args=[item.pk])

    assert "Reserved for" in client.get(url).content.decode()
    scrap = reverse("fabrication:stock_act", args=[item.pk, "scrap"])
    page = client.post(scrap, {"quantity": "1", "reason": "bent"}, follow=True).content.decode()

    assert f"{item.material.name}, {batch} is planned again" in page
    assert "scrapped: bent" in page


def test_the_api_counts_measures_moves_splits_joins_and_scraps(planned, workroom, api_as):
    item, batch = planned(quantity=2)
    client, why = api_as(workroom), {"reason": "seen"}

    def sent(act, **body):
        return client.post(reverse(f"api:stock-{act}", args=[item.pk]), {**why, **body}).json()

    assert sent("move", shelf="rack 9")["shelf"] == "rack 9"
    assert sent("measure", length="100 in")["planned_again"] == [f"{item.material.name}, {batch}"]
    assert sent("split", quantity=1)["quantity"] == 1
    other = StockItem.objects.exclude(pk=item.pk).get()
    assert sent("join", other=other.code)["quantity"] == 2
    assert sent("scrap", quantity=1)["quantity"] == 1
    assert sent("count", counted=0)["quantity"] == 0
