"""Batches, cut plans and the bench, on the real solver."""

import json
import time
from dataclasses import replace
from fractions import Fraction

import pytest

from fabrication.adapters.problems import better_of, solved
from fabrication.adapters.pulling import pull_lines
from fabrication.models import Batch, CutPlan, Part, PlannedCut, StockItem, UnitMake
from fabrication.rules.cutting import Answer, Cut, Pattern, read_answer
from fabrication.rules.cutting.process import answer
from fabrication.rules.cutting.reading import read_request
from fabrication.services.batches import add_units, cancel_batch, open_batch, propose_batches, split_batch, take_out
from fabrication.services.bench import check_unit, mark_cut, pull_part, undo_cut
from fabrication.services.miscuts import report_miscut
from fabrication.services.planning import plan_batch
from measuring.models import Unit
from shared import runs
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def tube(branch):
    return make_material(branch)


@pytest.fixture
def batch(branch, workroom, tube):
    """Three units whose tubes are 35 1/4 long, in one batch, with ten bars in stock."""
    make_stock(tube)
    makes = [make_made_unit(branch, workroom) for _ in range(3)]
    for make in makes:
        make_part(make, tube, "35 1/4")
    return open_batch(branch=branch, makes=[make.pk for make in makes], by=workroom)


@pytest.fixture
def plan(batch, workroom, do_runs):
    plan_batch(batch=batch, by=workroom, seconds=10)
    assert do_runs() == ["done"]
    return batch.plans.get()


def test_waiting_units_are_proposed_until_they_are_batched(branch, workroom, tube):
    make = make_made_unit(branch, workroom)
    assert [m.pk for _, makes in propose_batches(branch=branch) for m in makes] == [make.pk]

    open_batch(branch=branch, makes=[make.pk], by=workroom)

    assert propose_batches(branch=branch) == []
    assert Unit.objects.get().state == Unit.State.IN_WORKROOM


def test_two_people_cannot_batch_one_unit(branch, batch, workroom):
    make = batch.makes.first()

    with pytest.raises(Refused, match="only waiting units can be batched"):
        open_batch(branch=branch, makes=[make.pk], by=workroom)


def test_a_unit_of_another_branch_is_not_batched(batch, stranger):
    foreign = make_made_unit(stranger.branch, stranger)

    with pytest.raises(Refused):
        add_units(batch=batch, makes=[foreign.pk], by=stranger)


def test_a_rush_job_joins_a_batch_in_mid_cutting_and_only_its_materials_are_planned_anew(
    branch, batch, workroom, tube, do_runs
):
    """A batch that was being cut took no unit: "its units stay as they are"; a planned one lost all its plans."""
    rail = make_material(branch, name="rail")
    make_stock(rail)
    for make in batch.makes.all():
        make_part(make, rail, "35")
    plan_batch(batch=batch, by=workroom, seconds=5)
    assert do_runs() == ["done", "done"]
    mark_cut(cut=PlannedCut.objects.get(plan__material=rail), by=workroom)
    stands = CutPlan.objects.get(material=rail)
    rush = make_made_unit(branch, workroom)
    make_part(rush, tube, "40")

    add_units(batch=batch, makes=[rush.pk], by=workroom)
    assert do_runs() == ["done"]

    batch.refresh_from_db()
    stands.refresh_from_db()
    anew = CutPlan.objects.get(material=tube, state=CutPlan.State.READY)
    assert (batch.state, batch.makes.count(), stands.state) == (Batch.State.CUTTING, 4, CutPlan.State.READY)
    assert sum(len(cut.pieces) for cut in anew.cuts.all()) == 4
    assert anew.before["why"] == f"{rush.unit.code} joined the batch"


def test_a_plan_is_proven_and_reserves_its_stock(plan, batch, tube):
    assert plan.state == CutPlan.State.READY
    assert plan.answer["proven"] is True
    cut = plan.cuts.get()
    assert len(cut.pieces) == 3
    assert cut.left == Length.parse("85 3/8")  # 192 - 2 x 1/4 - 3 x 35 1/4 - 3 x 1/8
    assert StockItem.objects.get(material=tube).reserved == 1
    batch.refresh_from_db()
    assert batch.state == Batch.State.PLANNED


@pytest.mark.parametrize(("taken", "ends", "left"), [(2, "done", 1), (3, "failed", 1)])
def test_a_plan_whose_stock_goes_to_another_batch_is_tried_three_times(
    branch, workroom, tube, do_runs, monkeypatch, taken, ends, left
):
    for _ in range(4):
        make_stock(tube, quantity=1)
    make = make_made_unit(branch, workroom)
    make_part(make, tube, "35 1/4")
    asked = []

    def solved_while_another_takes_the_bar(ctx, argv, problem):
        found = answer(read_request(json.dumps(problem)), time.monotonic())
        asked.append(found)
        if len(asked) <= taken:
            StockItem.objects.filter(pk=int(found["patterns"][0]["stock"])).update(reserved=1)
        return found

    monkeypatch.setattr(runs, "run_process", solved_while_another_takes_the_bar)
    batch = open_batch(branch=branch, makes=[make.pk], by=workroom)
    plan_batch(batch=batch, by=workroom, seconds=1)

    assert do_runs() == [ends]
    assert len(asked) == 3
    assert batch.plans.get().state == (CutPlan.State.READY if ends == "done" else CutPlan.State.FAILED)
    assert StockItem.objects.filter(material=tube, reserved=0).count() == left


def test_taking_a_unit_out_drops_the_plan_and_frees_its_stock(plan, batch, workroom, tube):
    take_out(batch=batch, makes=[batch.makes.first().pk], by=workroom)

    assert StockItem.objects.get(material=tube).reserved == 0
    assert list(batch.plans.values_list("state", flat=True)) == ["replaced"]
    assert not Part.objects.filter(state=Part.State.PLANNED).exists()


def test_splitting_moves_units_into_a_new_batch(batch, workroom):
    moved = batch.makes.first()

    new = split_batch(batch=batch, makes=[moved.pk], by=workroom)

    assert [make.pk for make in new.makes.all()] == [moved.pk]
    assert batch.makes.count() == 2


def test_cancelling_gives_every_unit_back(batch, workroom):
    cancel_batch(batch=batch, by=workroom, reason="customer moved")

    assert set(UnitMake.objects.values_list("state", flat=True)) == {"waiting"}


def test_a_cut_books_parts_stock_and_offcut_once(plan, workroom, tube):
    cut = plan.cuts.get()

    mark_cut(cut=cut, by=workroom)
    mark_cut(cut=cut, by=workroom)  # the second tap

    bars = StockItem.objects.get(material=tube, is_offcut=False)
    offcut = StockItem.objects.get(material=tube, is_offcut=True)
    assert (bars.quantity, bars.reserved) == (9, 0)
    assert offcut.length == cut.left
    assert set(Part.objects.values_list("state", "done")) == {("cut", 1)}
    assert set(UnitMake.objects.values_list("state", flat=True)) == {"assembly"}


def test_an_undone_cut_leaves_everything_as_it_was(plan, workroom, tube):
    cut = plan.cuts.get()
    mark_cut(cut=cut, by=workroom)

    undo_cut(cut=cut, by=workroom)

    bars = StockItem.objects.get(material=tube, is_offcut=False)
    assert (bars.quantity, bars.reserved) == (10, 1)
    assert not StockItem.objects.filter(is_offcut=True, quantity__gt=0).exists()
    assert set(Part.objects.values_list("state", "done")) == {("planned", 0)}


def test_a_cut_whose_offcut_was_used_is_not_undone(plan, workroom):
    cut = mark_cut(cut=plan.cuts.get(), by=workroom)
    StockItem.objects.filter(pk=cut.offcut_id).update(reserved=1)

    with pytest.raises(Refused, match="was used since"):
        undo_cut(cut=cut, by=workroom)


def test_a_miscut_has_what_is_left_planned_anew(plan, batch, workroom, tube, do_runs):
    run = report_miscut(cut=plan.cuts.get(), spoiled=[1], good=[0, 2], by=workroom, reason="blade wandered")
    assert do_runs() == ["done"]

    fresh = CutPlan.objects.get(pk=run.subject.pk)
    assert [len(cut.pieces) for cut in fresh.cuts.all()] == [1]
    assert Part.objects.filter(state=Part.State.CUT).count() == 2
    assert StockItem.objects.get(material=tube, is_offcut=False).quantity == 9


def test_a_piece_longer_than_any_stock_is_named_and_the_rest_is_planned(batch, workroom, tube, do_runs):
    long = make_part(batch.makes.first(), tube, "200")

    plan_batch(batch=batch, by=workroom, seconds=10)
    assert do_runs() == ["done"]

    plan = batch.plans.get()
    assert [int(row["piece"]) for row in plan.unplaced] == [long.pk]
    assert sum(len(cut.pieces) for cut in plan.cuts.all()) == 3


def test_a_roll_is_run_off_by_the_cross_cut(branch, batch, workroom, do_runs):
    cloth = make_material(branch, "cloth", kerf=Length(0), keep=None)
    roll = make_stock(cloth)
    make_part(batch.makes.first(), cloth, "72", width=Length.parse("33 1/2"), name="cloth")
    plan_batch(batch=batch, by=workroom, seconds=10)
    assert set(do_runs()) == {"done"}

    cut = PlannedCut.objects.get(plan__material=cloth)
    roll.refresh_from_db()
    assert roll.reserved_length == Length.inches(72)
    mark_cut(cut=cut, by=workroom)

    roll.refresh_from_db()
    assert (roll.length, roll.reserved_length) == (Length.inches(1008), Length(0))


def test_a_material_is_taken_in_one_press_from_the_places_it_lies(branch, batch, workroom, as_user):
    """A batch of 24 units was 125 rows, each with its own button, no totals, no places."""
    caps, make = make_material(branch, "piece", name="end caps"), batch.makes.first()
    make_stock(caps, length=None, quantity=5, shelf="bin 1")
    make_stock(caps, length=None, quantity=3, shelf="bin 2")
    parts = [make_part(make, caps, None, quantity=count, name=f"caps of {count}") for count in (4, 3)]
    page, address = as_user(workroom), f"/workroom/batches/{batch.pk}/pull/"

    (line,) = pull_lines(batch)
    shown = page.get(address).content.decode()
    page.post(f"{address}{caps.pk}/")

    assert (line.pieces, line.places, line.missing) == (7, ("bin 1: 4", "bin 2: 3"), 0)
    assert "bin 1: 4, bin 2: 3" in shown
    assert {Part.objects.get(pk=part.pk).state for part in parts} == {Part.State.PULLED}
    assert list(caps.stock.order_by("shelf").values_list("quantity", flat=True)) == [1, 0]


def test_a_material_the_store_is_short_of_is_taken_for_no_unit_unseen(branch, batch, workroom, as_user):
    caps, make = make_material(branch, "piece", name="end caps"), batch.makes.first()
    make_stock(caps, length=None, quantity=5)
    for count in (4, 3):
        make_part(make, caps, None, quantity=count, name=f"caps of {count}")

    (line,) = pull_lines(batch)
    answer = as_user(workroom).post(f"/workroom/batches/{batch.pk}/pull/{caps.pk}/", follow=True)

    assert line.missing == 2
    assert "Nothing of it is booked." in answer.content.decode()
    assert caps.stock.get().quantity == 5


def test_cord_comes_off_the_shortest_reel_that_holds_it(branch, batch):
    cord, make = make_material(branch, "cord", name="lift cord"), batch.makes.first()
    make_stock(cord, length=Length.inches(100), quantity=1, shelf="wall")
    make_stock(cord, length=Length.inches(900), quantity=1, shelf="rack")
    make_part(make, cord, "40", quantity=2, name="lift cords")
    make_part(make, cord, "60", quantity=1, name="inner cord")

    (line,) = pull_lines(batch)

    assert (line.length, set(line.places), line.missing) == (Length.inches(140), {"wall: 2", "rack: 1"}, 0)


def test_pulling_takes_from_the_store_and_says_what_is_missing(branch, batch, workroom):
    clips = make_material(branch, "piece")
    make_stock(clips, length=None, quantity=3)
    part = make_part(batch.makes.first(), clips, quantity=2, length=None, name="clip")
    more = make_part(batch.makes.last(), clips, quantity=2, length=None, name="clip")

    pull_part(part=part, by=workroom)

    with pytest.raises(Refused, match="1 of 2"):
        pull_part(part=more, by=workroom)
    assert StockItem.objects.get(material=clips).quantity == 1


def test_a_unit_over_its_finished_width_goes_back_to_the_bench(plan, workroom):
    mark_cut(cut=plan.cuts.get(), by=workroom)
    make = UnitMake.objects.first()
    UnitMake.objects.filter(pk=make.pk).update(figures={"tolerance": {"width": [508, 0], "height": [1016, 1016]}})

    back = check_unit(make=make, width=Length.parse("35 5/16"), height=Length.inches(60), by=workroom)
    assert back.state == UnitMake.State.BACK

    made = check_unit(make=make, width=Length.parse("35 3/16"), height=Length.inches(60), by=workroom)
    assert made.state == UnitMake.State.MADE
    assert Unit.objects.get(pk=make.unit_id).state == Unit.State.MADE


# -- planned again -----------------------------------------------------------------------------


def one_a_bar(problem, answer):
    """A plan of the same pieces that takes a bar for each: what a busy machine might come to."""
    (bar,) = problem.stock
    alone = [
        Pattern(bar.id, 1, (Cut(piece.id, problem.trim),), bar.length - 2 * problem.trim - piece.length)
        for piece in problem.pieces
    ]
    return replace(answer, patterns=tuple(alone), cost=Fraction(3 * bar.length.ticks), proven=False)


def test_a_plan_never_replaces_a_better_one_of_the_same_pieces(plan, workroom, tube, do_runs):
    plan_batch(batch=plan.batch, by=workroom, seconds=1)
    anew = CutPlan.objects.get(state=CutPlan.State.PLANNING)
    problem, found = solved(anew, seconds=1, any_lot=False, solve=lambda asked: one_a_bar(asked, Answer()))

    better = better_of(anew, problem, found)
    StockItem.objects.filter(material=tube).update(length=Length.inches(180))
    shorter, found = solved(anew, seconds=1, any_lot=False, solve=lambda asked: one_a_bar(asked, Answer()))
    other = better_of(anew, shorter, found)

    assert better.cost == read_answer(plan.answer).cost
    assert len(better.patterns) == 1
    assert len(other.patterns) == 3  # the bars it stood on are no more
