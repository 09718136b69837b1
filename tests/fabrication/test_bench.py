"""Cutting piece by piece, flaws found at the table, lots kept together, on the real solver."""

import re

import pytest
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.html import strip_tags

from fabrication.adapters.problems import rolls_spoken_for
from fabrication.models import Batch, CutPlan, KeptEnd, Part, PlannedCut, StockItem, UnitMake
from fabrication.services.batches import open_batch
from fabrication.services.bench import mark_alike, mark_cut, mark_piece, undo_cut, undo_piece
from fabrication.services.miscuts import flaw_in_roll, report_flaw, report_miscut
from fabrication.services.planning import plan_batch
from fabrication.services.stock import let_end_go
from jobs.models import Job
from measuring.models import Room
from shared.documents import kind_of
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry
from tests.fabrication.rows import make_job_row, make_made_unit, make_material, make_part, make_stock

pytestmark = pytest.mark.django_db


@pytest.fixture
def tube(branch):
    return make_material(branch)


@pytest.fixture
def plan(branch, workroom, tube, do_runs):
    """Three tubes of 35 1/4 out of one bar of ten."""
    make_stock(tube)
    makes = [make_made_unit(branch, workroom) for _ in range(3)]
    for make in makes:
        make_part(make, tube, "35 1/4")
    batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=workroom)
    return planned(batch, workroom, do_runs)


@pytest.fixture
def cloth(branch):
    return make_material(branch, "cloth", kerf=Length(0), trim=None, keep=None)


def planned(batch, by, do_runs, **how):
    plan_batch(batch=batch, by=by, seconds=10, **how)
    assert set(do_runs()) == {"done"}
    return batch.plans.get(state=CutPlan.State.READY)


def panels(branch, by, cloth, *sizes, job=None, room="Kitchen"):
    """A batch of units of one job and room, a panel each: ``panels(..., "33 1/2 x 72")``."""
    job = job or make_job_row(branch, by)
    makes = []
    for size in sizes:
        width, length = size.split(" x ")
        make = make_made_unit(branch, by, job=job)
        make.unit.opening.room, _ = Room.objects.get_or_create(job=job, name=room)
        make.unit.opening.save()
        make_part(make, cloth, length, width=Length.parse(width), name="cloth")
        makes.append(make.pk)
    return open_batch(branch=branch, makes=makes, by=by)


# -- piece by piece ----------------------------------------------------------------------


def test_the_first_piece_takes_the_bar_and_the_last_ends_it(plan, workroom, tube):
    cut = plan.cuts.get()

    mark_piece(cut=cut, position=1, by=workroom)
    bars = StockItem.objects.get(material=tube)
    assert (bars.quantity, bars.reserved) == (9, 0)
    assert PlannedCut.objects.get().state == PlannedCut.State.BEGUN
    assert sorted(Part.objects.values_list("done", flat=True)) == [0, 0, 1]

    for position in (1, 0, 2):  # the first one tapped twice
        cut = mark_piece(cut=cut, position=position, by=workroom)

    assert cut.state == PlannedCut.State.CUT
    assert cut.offcut.length == cut.left
    assert set(Part.objects.values_list("state", "done")) == {("cut", 1)}
    assert StockItem.objects.get(material=tube, is_offcut=False).quantity == 9


def test_taking_back_the_only_piece_leaves_everything_as_it_was(plan, workroom, tube):
    cut = mark_piece(cut=plan.cuts.get(), position=0, by=workroom)

    cut = undo_piece(cut=cut, position=0, by=workroom)

    bars = StockItem.objects.get(material=tube)
    assert (cut.state, cut.cut_at) == (PlannedCut.State.TO_CUT, None)
    assert (bars.quantity, bars.reserved) == (10, 1)
    assert set(Part.objects.values_list("done", flat=True)) == {0}


def test_taking_back_one_piece_of_a_finished_bar_takes_its_offcut_back(plan, workroom, tube):
    cut = mark_cut(cut=plan.cuts.get(), by=workroom)

    cut = undo_piece(cut=cut, position=2, by=workroom)

    assert cut.state == PlannedCut.State.BEGUN
    assert not StockItem.objects.filter(material=tube, is_offcut=True, quantity__gt=0).exists()
    assert StockItem.objects.get(material=tube, is_offcut=False).quantity == 9


def test_a_piece_there_is_not_is_refused(plan, workroom):
    with pytest.raises(Refused, match="no piece 4"):
        mark_piece(cut=plan.cuts.get(), position=3, by=workroom)


def test_a_bar_under_way_goes_back_as_an_offcut_when_planned_anew(plan, workroom, tube, do_runs):
    mark_piece(cut=plan.cuts.get(), position=0, by=workroom)

    fresh = planned(plan.batch, workroom, do_runs)

    # 192 - 2 x 1/4 - 35 1/4 - 1/8: the rest of the bar, which the new plan may use
    offcut = StockItem.objects.get(material=tube, is_offcut=True)
    assert offcut.length == Length.parse("156 1/8")
    assert [len(cut.pieces) for cut in fresh.cuts.all()] == [2]
    assert fresh.cuts.get().item_id == offcut.pk


def test_what_lies_before_a_piece_cut_out_of_turn_goes_back_too(plan, workroom, tube, do_runs):
    mark_piece(cut=plan.cuts.get(), position=1, by=workroom)

    planned(plan.batch, workroom, do_runs)

    # 192 - 2 x 1/4 - 2 x (35 1/4 + 1/8) behind it, the first piece's own length before it
    offcuts = StockItem.objects.filter(material=tube, is_offcut=True)
    assert {item.length for item in offcuts} == {Length.parse("35 1/4"), Length.parse("120 3/4")}


def test_a_flaw_in_a_piece_that_is_cut_is_refused_and_beside_it_is_not(plan, workroom):
    cut = mark_piece(cut=plan.cuts.get(), position=1, by=workroom)

    with pytest.raises(Refused, match="71 in of the bar is cut already"):
        report_flaw(cut=cut, start=Length.inches(40), end=Length.inches(41), by=workroom)
    report_flaw(cut=cut, start=Length.inches(5), end=Length.inches(6), by=workroom)

    assert StockItem.objects.get(is_offcut=True, length=Length.parse("29 1/2"))


def test_a_cut_of_a_plan_that_was_replaced_is_not_undone(plan, workroom, do_runs):
    cut = mark_piece(cut=plan.cuts.get(), position=0, by=workroom)
    planned(plan.batch, workroom, do_runs)

    with pytest.raises(Refused, match="planned anew"):
        undo_cut(cut=cut, by=workroom)


def test_one_tap_books_a_whole_set_up_and_nothing_else(branch, workroom, tube, do_runs):
    make_stock(tube, length=Length.inches(84), quantity=9)
    vanes, other = make_made_unit(branch, workroom), make_made_unit(branch, workroom)
    make_part(vanes, tube, "81 3/8", quantity=5, name="vanes")
    make_part(other, tube, "70", name="tube")
    plan = planned(open_batch(branch=branch, makes=[vanes.pk, other.pk], by=workroom), workroom, do_runs)
    first = next(cut for cut in plan.cuts.all() if cut.pieces[0]["part"] == vanes.parts.get().pk)

    done = mark_alike(cut=first, by=workroom)

    assert len(done) == 5
    assert vanes.parts.get().done == 5
    assert other.parts.get().done == 0
    assert StockItem.objects.get(material=tube, is_offcut=False).quantity == 4


# -- flaws and miscuts, and what they cost -------------------------------------------------


def test_a_miscut_shows_what_planning_anew_costs(plan, workroom, do_runs, as_user):
    run = report_miscut(cut=plan.cuts.get(), spoiled=[1], good=[0, 2], left=[], by=workroom, reason="blade wandered")
    do_runs()

    fresh = CutPlan.objects.get(pk=run.subject.pk)
    # a bar was planned; nothing is left of it, and another is cut: 192 in of new stock, whatever offcuts they leave
    assert [cut.item.is_offcut for cut in fresh.cuts.all()] == [False]
    assert fresh.more_new_stock == (1, Length.inches(192))
    page = strip_tags(as_user(workroom).get(reverse("fabrication:cut_plan", args=[fresh.pk])).content.decode())
    assert "192 in of new stock more than before (1 piece). Offcuts are not counted." in " ".join(page.split())


def test_a_miscut_made_good_from_an_offcut_takes_no_more_new_stock(plan, workroom, tube, do_runs, as_user):
    """The page named a length of new stock: it weighed the offcut that was cut and those not kept."""
    for _ in range(3):
        make_stock(tube, length=Length.inches(96), quantity=1, is_offcut=True)
    run = report_miscut(cut=plan.cuts.get(), spoiled=[1], good=[0, 2], left=[], by=workroom, reason="blade wandered")
    do_runs()

    fresh = CutPlan.objects.get(pk=run.subject.pk)
    assert {cut.item.is_offcut for cut in fresh.cuts.all()} == {True}
    assert fresh.more_new_stock == (0, Length(0))
    page = as_user(workroom).get(reverse("fabrication:cut_plan", args=[fresh.pk])).content.decode()
    assert "no more new stock than before" in page


@pytest.mark.parametrize(
    ("tapped", "said", "done", "offcuts"),
    [
        # 192 - 1/4 - 2 x (35 1/4 + 1/8) - 1/4: one is spoiled where it was planned, the third not cut
        ([0], {"spoiled": [1]}, [1, 0, 0], ["120 3/4"]),
        # measured: the saw slipped on the first, 95 1/2 and 60 lie on the table
        ([], {"spoiled": [0], "good": [], "left": ["95 1/2", "60"]}, [0, 0, 0], ["95 1/2", "60"]),
        # too short to keep
        ([0], {"spoiled": [1], "good": [0], "left": ["23 7/8"]}, [1, 0, 0], []),
        # tapped as cut and spoiled after all
        ([0, 1], {"spoiled": [1], "good": [0], "left": ["121"]}, [1, 0, 0], ["121"]),
        ([0, 1], {"spoiled": [0], "good": [1, 2], "left": []}, [0, 1, 1], []),
    ],
)
def test_a_miscut_books_what_was_cut_and_what_is_left(plan, workroom, tube, tapped, said, done, offcuts):
    cut = plan.cuts.get()
    parts = [piece["part"] for piece in cut.pieces]
    for position in tapped:
        mark_piece(cut=cut, position=position, by=workroom)
    left = [(Length.parse(text), None) for text in said["left"]] if "left" in said else None

    report_miscut(cut=cut, by=workroom, reason="saw slipped", **said | {"left": left})

    found = {part.pk: (part.done, part.state) for part in Part.objects.all()}
    assert [found[part] for part in parts] == [(count, "cut" if count else "to_cut") for count in done]
    rack = StockItem.objects.filter(material=tube, is_offcut=True, quantity=1).order_by("pk")
    assert [item.length for item in rack] == [Length.parse(text) for text in offcuts]
    cut.refresh_from_db()
    # ticks in = good pieces + what is left + what is lost
    good = sum(piece["length"] for piece in cut.pieces if piece["cut"])
    lost = cut.length.ticks - good - cut.left.ticks
    assert good == sum(done) * Length.parse("35 1/4").ticks
    assert lost >= sum(done) * Length.parse("1/8").ticks
    assert StockItem.objects.get(material=tube, is_offcut=False).quantity == 9


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"spoiled": []}, "spoiled"),
        ({"spoiled": [3]}, "spoiled"),
        ({"spoiled": [0], "good": [0]}, "spoiled"),
        # 192 - 2 x (35 1/4 + 1/8) = 121 1/4 is the most there can be
        ({"spoiled": [0], "good": [1, 2], "left": [(Length.parse("121 3/8"), None)]}, "left"),
    ],
)
def test_a_miscut_of_more_than_there_was_is_refused(plan, workroom, tube, said, field):
    with pytest.raises(Refused) as refusal:
        report_miscut(cut=plan.cuts.get(), by=workroom, reason="saw slipped", **said)

    assert refusal.value.field == field
    assert StockItem.objects.get(material=tube).quantity == 10


def test_a_cross_cut_run_off_too_short_takes_that_much_off_the_roll(branch, workroom, cloth, do_runs):
    cloth.keep = Length.inches(24)
    cloth.save()
    roll = make_stock(cloth)
    plan = planned(panels(branch, workroom, cloth, "40 x 72", "50 x 72"), workroom, do_runs)
    cut = plan.cuts.get()
    left = [(Length.inches(66), Length.inches(98))]

    with pytest.raises(Refused, match="longer than what was run off"):
        report_miscut(cut=cut, spoiled=[0], good=[1], left=[], run_off=Length.inches(66), by=workroom, reason="short")
    report_miscut(cut=cut, spoiled=[0, 1], left=left, run_off=Length.inches(66), by=workroom, reason="read 66 for 72")

    roll.refresh_from_db()
    offcut = StockItem.objects.get(is_offcut=True)
    assert (roll.length, roll.reserved_length) == (Length.inches(1080 - 66), Length(0))
    assert (offcut.length, offcut.width) == left[0]


def test_the_bench_says_on_its_screen_what_was_really_cut(plan, workroom, tube, as_user, do_runs):
    cut, page = plan.cuts.get(), as_user(workroom)
    said = {"piece0": "good", "piece1": "spoiled", "piece2": "not", "reason": "saw slipped"}
    url = reverse("fabrication:miscut", args=[cut.pk])

    unsaid = page.post(url, said).content.decode()
    too_much = page.post(url, said | {"left1": "190"}).content.decode()
    booked = page.post(url, said | {"left1": "94 1/2"})

    assert "Left on the table" in unsaid
    assert "at most 156 5/8 in can be left beside the good pieces" in too_much
    assert booked.status_code == 302
    assert StockItem.objects.get(material=tube, is_offcut=True).length == Length.parse("94 1/2")
    assert sorted(Part.objects.values_list("done", flat=True)) == [0, 0, 1]


def test_a_part_that_was_cut_is_scrapped_and_cut_again(plan, workroom, tube, as_user, do_runs):
    mark_cut(cut=plan.cuts.get(), by=workroom)
    part, page = Part.objects.order_by("pk").first(), as_user(workroom)
    unit, url = reverse("fabrication:unit", args=[part.make_id]), reverse("fabrication:part_scrap", args=[part.pk])

    asked = page.get(unit).content.decode()
    unsaid = page.post(url, {"reason": ""}, follow=True).content.decode()
    said = page.post(url, {"reason": "dented in assembly"}, follow=True).content.decode()
    do_runs()
    twice = page.post(url, {"reason": "once more"}, follow=True).content.decode()

    assert "Cut this part again" in asked
    assert "Say why it is scrapped." in unsaid
    assert "is cut again" in said
    assert "no piece of" in twice
    part.refresh_from_db()
    assert (part.done, part.state) == (0, "planned")
    anew = CutPlan.objects.exclude(state="replaced").get()
    assert [piece["part"] for cut in anew.cuts.exclude(state="dropped") for piece in cut.pieces] == [part.pk]
    assert "dented in assembly" in anew.before["why"]
    assert "scrapped after cutting" in " ".join(AuditEntry.objects.values_list("action", flat=True))


def test_a_miscut_of_what_is_cut_already_is_refused_on_the_plans_page(plan, workroom, as_user):
    cut, page = mark_cut(cut=plan.cuts.get(), by=workroom), as_user(workroom)
    said = {f"piece{number}": "spoiled" for number in range(3)} | {"reason": "saw slipped", "left1": "1"}

    answer = page.post(reverse("fabrication:miscut", args=[cut.pk]), said, follow=True)

    assert answer.redirect_chain == [(reverse("fabrication:cut_plan", args=[plan.pk]), 302)]
    assert "only a piece that is to be cut can be reported as miscut" in answer.content.decode()


def test_a_maker_reads_only_what_a_tape_can_show(branch, workroom, do_runs, as_user):
    """A vane's shear takes 0.1 mm: 303 57/127 in to keep and a kerf of 1/254 in stood on the bench and its papers."""
    vane = make_material(branch, "strip", kerf=Length.mm("1/10"), trim=Length.mm("1/10"), keep=Length.inches(36))
    make_stock(vane, length=Length.inches(384), quantity=1)
    make = make_made_unit(branch, workroom)
    make_part(make, vane, "80 1/2", name="vane")
    plan = planned(open_batch(branch=branch, makes=[make.pk], by=workroom), workroom, do_runs)
    page = as_user(workroom)

    bench = page.get(reverse("fabrication:cut_plan", args=[plan.pk])).content.decode()
    mark_cut(cut=plan.cuts.get(), by=workroom)
    offcut = StockItem.objects.get(is_offcut=True)
    after = page.get(reverse("fabrication:cut_plan", args=[plan.pk])).content.decode()
    stock = page.get(reverse("fabrication:stock_item", args=[offcut.pk])).content.decode()
    papers = [paper("fabrication.cuts", plan), paper("fabrication.stock_label", offcut)]

    # 384 - 80 1/2 - 3 x 0.1 mm = 303 62/127: the mark below it is 303 7/16
    assert Length.parse("303 7/16") < offcut.length < Length.parse("303 1/2")
    assert "kerf 0.1 mm · trim 0.1 mm at each end" in " ".join(bench.split())
    for shown in (bench, after, stock, *papers):
        assert not re.search(r"<sub>(127|254|508|1016|2032|4064|8128)</sub>|/(127|254|508)\b", shown)
    assert "303 and 7 sixteenths" in after


def paper(kind_key, subject):
    """A paper's own HTML, of which the PDF is set."""
    kind = kind_of(kind_key)
    values = {"document": {"title": kind.title, "revision": 1, "printed_at": timezone.now(), "by": None}, "unit": "in"}
    return render_to_string(kind.template, kind.content(subject).context | values)


def test_what_is_cut_is_counted_over_replaced_plans_too(branch, workroom, tube, do_runs, as_user):
    makes = [make_made_unit(branch, workroom) for _ in range(4)]
    for make in makes:
        make_part(make, tube, "150")  # a bar each
    make_stock(tube)
    batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=workroom)
    first, second, *_ = planned(batch, workroom, do_runs).cuts.all()
    mark_cut(cut=first, by=workroom)
    run = report_miscut(cut=second, spoiled=[0], by=workroom, reason="saw slipped")
    do_runs()

    # two bars are cut, and three are left: two of the old plan and one for the spoiled piece
    page = as_user(workroom)
    assert "2&nbsp;of&nbsp;5</td>" in page.get(reverse("fabrication:batch", args=[batch.pk])).content.decode()
    assert "3&nbsp;of&nbsp;5</td>" in page.get(reverse("fabrication:cutting")).content.decode()
    plan_page = page.get(reverse("fabrication:cut_plan", args=[run.subject.pk])).content.decode()
    assert "Next: 3&nbsp;of&nbsp;5" in plan_page
    answer = page.get(f"/api/cut-plans/{run.subject.pk}/").json()
    assert (answer["cuts_done"], answer["cuts_left"]) == (2, 3)


@pytest.mark.parametrize("begun", [False, True])
def test_a_miscut_is_called_so_with_its_reason_wherever_it_stands(plan, workroom, tube, do_runs, as_user, begun):
    cut = plan.cuts.get()
    if begun:
        mark_piece(cut=cut, position=0, by=workroom)
    report_miscut(cut=cut, spoiled=[1], good=[0], by=workroom, reason="saw slipped")
    do_runs()

    page = as_user(workroom)
    bars = page.get(reverse("fabrication:stock_item", args=[cut.item_id])).content.decode()
    assert f"cut: {plan.batch}, miscut: saw slipped" in bars
    old = page.get(reverse("fabrication:cut_plan", args=[plan.pk])).content.decode()
    assert "· miscut: saw slipped" in old
    assert page.get(f"/api/cuts/{cut.pk}/").json()["miscut"] == "saw slipped"
    assert StockItem.objects.get(pk=cut.item_id).quantity == 9


def test_a_flaw_in_a_bar_leaves_its_clean_stretches_as_offcuts(plan, workroom, tube, do_runs):
    (run,) = report_flaw(cut=plan.cuts.get(), start=Length.inches(40), end=Length.inches(44), by=workroom, note="dent")
    do_runs()

    offcuts = sorted(item.length for item in StockItem.objects.filter(material=tube, is_offcut=True))
    assert offcuts == [Length.parse("39 3/4"), Length.parse("147 3/4")]  # 40 - 1/4 trim; 192 - 44 - 1/4
    fresh = CutPlan.objects.get(pk=run.subject.pk)
    assert fresh.before["why"] == "flaw: dent"
    assert sum(len(cut.pieces) for cut in fresh.cuts.all()) == 3
    assert StockItem.objects.get(material=tube, is_offcut=False).quantity == 9


def test_a_flaw_past_the_end_of_the_bar_is_refused(plan, workroom):
    with pytest.raises(Refused) as refusal:
        report_flaw(cut=plan.cuts.get(), start=Length.inches(190), end=Length.inches(193), by=workroom)

    assert refusal.value.field == "end"


def test_no_panel_lies_on_a_flaw_and_what_is_skipped_is_run_off(branch, workroom, cloth, do_runs):
    roll = make_stock(cloth, lot="A7")
    batch = panels(branch, workroom, cloth, "90 x 70", "90 x 60")
    planned(batch, workroom, do_runs)

    (run,) = flaw_in_roll(item=roll, start=Length.inches(65), end=Length.inches(68), by=workroom)
    do_runs()

    plan = CutPlan.objects.get(pk=run.subject.pk)
    first, second = plan.cuts.order_by("order")
    assert (first.length, first.skipped) == (Length.inches(60), Length(0))
    assert (second.length, second.skipped) == (Length.inches(70), Length.inches(8))
    assert plan.more_new_stock == (0, Length.inches(8))
    with pytest.raises(Refused, match=r"cut 1 lies before this one"):
        mark_cut(cut=second, by=workroom)
    mark_cut(cut=first, by=workroom)
    roll.refresh_from_db()
    assert roll.flaws == [[Length.inches(5).ticks, Length.inches(8).ticks]]
    mark_cut(cut=second, by=workroom)
    roll.refresh_from_db()
    assert (roll.length, roll.reserved_length, roll.flaws) == (Length.inches(1080 - 138), Length(0), [])

    undo_cut(cut=second, by=workroom)
    roll.refresh_from_db()
    assert roll.flaws == [[Length.inches(5).ticks, Length.inches(8).ticks]]
    assert roll.length == Length.inches(1020)


def test_a_roll_with_flaws_serves_one_plan_at_a_time_and_the_page_says_so(branch, workroom, cloth, do_runs, as_user):
    roll = make_stock(cloth, flaws=[[Length.inches(10).ticks, Length.inches(11).ticks]])
    first = planned(panels(branch, workroom, cloth, "90 x 70"), workroom, do_runs)

    second = planned(panels(branch, workroom, cloth, "90 x 70"), workroom, do_runs)

    assert len(second.unplaced) == 1
    assert rolls_spoken_for(second) == [roll]
    assert rolls_spoken_for(first) == []
    page = as_user(workroom).get(reverse("fabrication:cut_plan", args=[second.pk])).content.decode()
    assert f"{roll.code}</a> has flaws and is held by another" in page


# -- edges -----------------------------------------------------------------------------------


def test_no_panel_lies_on_an_edge_that_the_material_says_is_not_used(branch, workroom, cloth, do_runs):
    cloth.facts, cloth.keep = {"edge": "3/4"}, Length.inches(24)
    cloth.save()
    roll = make_stock(cloth, width=Length.inches(98), length=Length.inches(400))
    batch = panels(branch, workroom, cloth, "66 1/2 x 72", "30 x 72", "97 x 60")

    plan = planned(batch, workroom, do_runs)

    # 98 less 3/4 at each edge: 66 1/2 and 30 lie side by side and fill it, 97 finds no roll
    assert [row["why"] != "" for row in plan.unplaced] == [True]
    cut = plan.cuts.get()
    spans = sorted((piece["at"], piece["at"] + piece["width"]) for piece in cut.pieces)
    assert spans[0][0] == Length.parse("3/4").ticks
    assert spans[-1][1] == Length.parse("97 1/4").ticks
    assert cut.left == Length(0)
    mark_piece(cut=cut, position=0, by=workroom)
    planned(batch, workroom, do_runs)
    offcut = StockItem.objects.get(is_offcut=True)
    assert offcut.width in {Length.inches(30), Length.parse("66 1/2")}  # the rest, without its edge
    assert roll.material == cloth


# -- lots and roll ends ---------------------------------------------------------------------


def test_the_cloth_of_one_room_comes_off_one_roll(branch, workroom, cloth, do_runs):
    make_stock(cloth, length=Length.inches(150), lot="A7")
    make_stock(cloth, length=Length.inches(300), lot="B2")
    batch = panels(branch, workroom, cloth, *["90 x 100"] * 3)

    plan = planned(batch, workroom, do_runs)

    assert {cut.item.lot for cut in plan.cuts.select_related("item")} == {"B2"}
    assert plan.unplaced == []


def test_a_room_too_big_for_a_roll_takes_several_of_one_lot(branch, workroom, cloth, do_runs):
    for lot in ("A7", "B2", "B2", "C1"):
        make_stock(cloth, length=Length.inches(150), lot=lot)
    batch = panels(branch, workroom, cloth, *["90 x 140"] * 2)

    plan = planned(batch, workroom, do_runs)

    assert [cut.item.lot for cut in plan.cuts.select_related("item")] == ["B2", "B2"]


def test_a_remake_that_cannot_match_its_lot_says_so_until_another_is_allowed(branch, workroom, cloth, do_runs):
    job = make_job_row(branch, workroom)
    old = make_stock(cloth, length=Length.inches(110), lot="A7")
    plan = planned(panels(branch, workroom, cloth, "90 x 100", job=job), workroom, do_runs)
    mark_cut(cut=plan.cuts.get(), by=workroom)
    make_stock(cloth, lot="B2")

    again = panels(branch, workroom, cloth, "90 x 100", job=job)
    plan = planned(again, workroom, do_runs)
    assert "cut from lot A7" in plan.unplaced[0]["why"]
    assert plan.unplaced[0]["lot"] == "A7"

    plan = planned(again, workroom, do_runs, any_lot=True)
    assert plan.unplaced == []
    assert plan.cuts.get().item.lot == "B2"
    old.refresh_from_db()
    assert old.length == Length.inches(10)


def test_the_end_of_a_roll_stays_for_an_open_job_and_no_longer(branch, workroom, cloth, do_runs):
    job = make_job_row(branch, workroom)
    roll = make_stock(cloth, length=Length.inches(200), lot="A7")
    plan = planned(panels(branch, workroom, cloth, "90 x 100", job=job), workroom, do_runs)
    mark_cut(cut=plan.cuts.get(), by=workroom)
    assert KeptEnd.objects.get().length == Length.inches(100)

    other = panels(branch, workroom, cloth, "90 x 80")
    assert len(planned(other, workroom, do_runs).unplaced) == 1

    remake = panels(branch, workroom, cloth, "90 x 100", job=job)
    assert planned(remake, workroom, do_runs).unplaced == []
    plan_batch_off = remake.plans.get(state=CutPlan.State.READY)
    assert plan_batch_off.cuts.get().item_id == roll.pk
    from fabrication.services.planning import drop_plan

    drop_plan(plan=plan_batch_off)
    Job.objects.filter(pk=job.pk).update(stage=Job.Stage.CLOSED)
    assert planned(other, workroom, do_runs).unplaced == []


def test_letting_a_roll_end_go_asks_why(branch, workroom, cloth):
    roll = make_stock(cloth, lot="A7")
    kept = KeptEnd.objects.create(item=roll, job=make_job_row(branch, workroom), length=Length.inches(60))

    with pytest.raises(Refused):
        let_end_go(kept=kept, by=workroom, reason=" ")
    let_end_go(kept=kept, by=workroom, reason="customer has all")

    assert not KeptEnd.objects.exists()


def test_units_follow_their_pieces(plan, workroom):
    mark_piece(cut=plan.cuts.get(), position=0, by=workroom)

    assert sorted(UnitMake.objects.values_list("state", flat=True)) == ["assembly", "batched", "batched"]
    assert Batch.objects.get().state == Batch.State.CUTTING
