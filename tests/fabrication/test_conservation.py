"""
Nothing is lost on the bench: pieces, offcuts, waste, kerf and trim add up to the stock, in ticks.

What people do at the rack meanwhile (count, measure, scrap, move, split, join) adds or takes what it says.
JAMBWISE_DAYS says how many random days at the saw and the cutting table are tried of each (3 unless
told). How good a plan is matters to none of them, so each takes half a second at most.
"""

import os
from random import Random

import pytest

from fabrication.models import CutPlan, Part, PlannedCut, StockItem, StockMove
from fabrication.services import planning
from fabrication.services.batches import open_batch
from fabrication.services.bench import mark_cut, mark_piece, undo_cut, undo_piece
from fabrication.services.miscuts import report_flaw, report_miscut
from fabrication.services.planning import plan_batch
from fabrication.services.rack import (
    count_stock,
    join_stock,
    joinable,
    measure_stock,
    scrap_stock,
    shelve_stock,
    split_stock,
)
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock

pytestmark = pytest.mark.django_db
OPEN = [PlannedCut.State.TO_CUT, PlannedCut.State.BEGUN]
DAYS = int(os.environ.get("JAMBWISE_DAYS", "3"))
USED = [PlannedCut.State.CUT, PlannedCut.State.BEGUN]


@pytest.fixture(autouse=True)
def _quick_plans(monkeypatch):
    monkeypatch.setattr(planning, "SECONDS", 0.5)


def in_stock(material) -> int:
    """Ticks of all there is on the racks."""
    return sum((item.length.ticks * item.quantity) for item in StockItem.objects.filter(material=material))


def cut_into_parts(material) -> int:
    return sum(part.length.ticks * part.done for part in Part.objects.filter(material=material))


def spent_otherwise(material, gone: int) -> int:
    """Spoiled pieces, kerf, trim, what was binned, what lies on the table, and what is gone besides: flaws, scrap."""
    kerf, trim = material.kerf.ticks, material.trim.ticks
    spent = gone
    for cut in PlannedCut.objects.filter(plan__material=material, state__in=USED):
        done = [piece for piece in cut.pieces if cut.state == PlannedCut.State.CUT or piece.get("cut")]
        lengths = sum(piece["length"] for piece in done)
        room = cut.length.ticks - 2 * trim
        saws = saw_cuts(done, kerf, trim) if cut.state == PlannedCut.State.CUT else len(done)
        if any(piece.get("spoiled") for piece in done):  # whatever is neither good nor left is lost
            spent += cut.length.ticks - sum(piece["length"] for piece in done if piece["cut"])
            continue
        spent += 2 * trim + min(saws * kerf, room - lengths)
        if cut.state == PlannedCut.State.BEGUN:
            spent += max(0, room - lengths - len(done) * kerf)  # on the table
        else:
            spent += cut.left.ticks
    return spent - back_on_the_rack(material)


def saw_cuts(pieces, kerf: int, trim: int) -> int:
    """One after each piece, and one before it where what lies before was not cut."""
    saws, reach = 0, trim
    for piece in sorted(pieces, key=lambda piece: piece["at"]):
        saws += 1 if piece["at"] == reach else 2
        reach = piece["at"] + piece["length"] + kerf
    return saws


def back_on_the_rack(material) -> int:
    """Ticks of offcuts put back, less those taken back again when a cut was undone."""
    moves = StockMove.objects.filter(item__material=material, item__is_offcut=True).select_related("item")
    put = moves.filter(reason=StockMove.Reason.OFFCUT) | moves.filter(reason=StockMove.Reason.CORRECTED, change__lt=0)
    return sum(move.change * move.item.length.ticks for move in put)


def any_action(random: Random, cut: PlannedCut, by) -> int:
    """One thing a person at the saw might do; ticks of flaw found."""
    position = random.randrange(len(cut.pieces)) if cut.pieces else 0
    action = random.choice(["all", "piece", "piece", "piece", "undo", "undo piece", "miscut", "flaw"])
    if action == "all":
        mark_cut(cut=cut, by=by)
    elif action == "piece":
        mark_piece(cut=cut, position=position, by=by)
    elif action == "undo":
        undo_cut(cut=cut, by=by)
    elif action == "undo piece":
        undo_piece(cut=cut, position=position, by=by)
    elif action == "miscut":
        good = [other for other in range(len(cut.pieces)) if other != position and random.random() < 0.5]
        left = [(Length(random.randrange(1, cut.length.ticks // 2)), None) for _ in range(random.randrange(3))]
        said = random.choice([{}, {"good": good}, {"good": good, "left": left}])
        report_miscut(cut=cut, spoiled=[position], by=by, reason="blade wandered", **said)
    else:
        start = Length(random.randrange(cut.length.ticks // 2, cut.length.ticks - 30_000))
        end = start + Length(random.randrange(1, 20_000))
        report_flaw(cut=cut, start=start, end=end, by=by)
        return (end - start).ticks
    return 0


def any_act_at_the_rack(random: Random, material, by) -> int:
    """One thing a person does to the bars on the rack; ticks that are gone by it, less than 0 where some were found."""
    item = random.choice(list(StockItem.objects.filter(material=material, quantity__gt=0).order_by("pk")))
    each, said = item.length.ticks, {"item": item, "reason": "seen at the rack", "by": by}
    act = random.choice(["count", "measure", "scrap", "move", "split", "join"])
    if act == "count":
        counted = random.randrange(item.quantity + 2)
        count_stock(counted=counted, **said)
        return (item.quantity - counted) * each
    if act == "measure":  # an offcut's length is what the books of its cut are added up by: it stays
        length = item.length if item.is_offcut else Length(each + random.randrange(-40_000, 4_000))
        measure_stock(length=length, **said)
        return (each - length.ticks) * item.quantity
    if act == "scrap":
        quantity = random.randrange(1, item.quantity + 1)
        scrap_stock(quantity=quantity, **said)
        return quantity * each
    if act == "move":
        shelve_stock(shelf=f"rack {random.randrange(9)}", **said)
    elif act == "split":
        split_stock(quantity=random.randrange(1, item.quantity + 1), **said)
    elif equal := joinable(item).first():
        join_stock(other=equal, **said)
    return 0


def any_day(random: Random, cuts, material, by) -> int:
    """A thing at the saw, or one in three at the rack."""
    if random.random() < 1 / 3:
        return any_act_at_the_rack(random, material, by)
    return any_action(random, random.choice(cuts), by)


@pytest.mark.parametrize("seed", range(DAYS))
def test_bars_add_up_to_the_tick_whatever_is_done(branch, workroom, do_runs, seed):
    random = Random(seed)
    bar = make_material(branch)
    for _ in range(3):
        make_stock(bar, length=Length(random.randrange(1_200_000, 1_700_000)), quantity=6)
    make_stock(bar, length=Length(random.randrange(300_000, 700_000)), quantity=1, is_offcut=True)
    makes = [make_made_unit(branch, workroom) for _ in range(6)]
    for make in makes:
        make_part(make, bar, f"{random.randrange(1500, 35000) / 10} mm", quantity=random.choice([1, 1, 2]))
    before = in_stock(bar)
    batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=workroom)
    plan_batch(batch=batch, by=workroom)
    do_runs()

    gone, refused = 0, 0
    for _ in range(20):
        cuts = list(PlannedCut.objects.filter(plan__state=CutPlan.State.READY, state__in=[*OPEN, *USED]))
        if not cuts:
            break
        try:
            gone += any_day(random, cuts, bar, workroom)
        except Refused:  # such as undoing what was planned anew; nothing may have changed
            refused += 1
        do_runs()
        assert in_stock(bar) + cut_into_parts(bar) + spent_otherwise(bar, gone) == before

    assert refused < 20
    for part in Part.objects.all():
        assert 0 <= part.done <= part.quantity
    for item in StockItem.objects.filter(material=bar):
        promised = PlannedCut.objects.filter(item=item, state=PlannedCut.State.TO_CUT).count()
        assert item.reserved == promised <= item.quantity


@pytest.mark.parametrize("seed", range(DAYS))
def test_rolls_add_up_to_the_tick_of_area(branch, workroom, do_runs, seed):
    random = Random(seed)
    cloth = make_material(branch, "cloth", kerf=Length(0), trim=None)
    roll = make_stock(cloth, length=Length.inches(700))
    makes = [make_made_unit(branch, workroom) for _ in range(5)]
    for make in makes:
        width = Length(random.randrange(150_000, 700_000))
        make_part(make, cloth, f"{random.randrange(5000, 23000) / 10} mm", width=width, name="cloth")
    batch = open_batch(branch=branch, makes=[make.pk for make in makes], by=workroom)
    plan_batch(batch=batch, by=workroom)
    do_runs()

    for cut in PlannedCut.objects.filter(plan__state=CutPlan.State.READY).order_by("order"):
        for position in random.sample(range(len(cut.pieces)), len(cut.pieces)):
            mark_piece(cut=cut, position=position, by=workroom)

    left = StockItem.objects.get(pk=roll.pk)
    run_off = (roll.length - left.length).ticks * roll.width.ticks
    pieces = sum(part.length.ticks * part.width.ticks * part.done for part in Part.objects.all())
    strips = sum(item.length.ticks * item.width.ticks for item in StockItem.objects.filter(is_offcut=True))
    waste = 0
    for cut in PlannedCut.objects.filter(state=PlannedCut.State.CUT):
        waste += 0 if cut.keeps_offcut else cut.left.ticks * cut.length.ticks
        for piece in cut.pieces:
            along, across = piece["length"], piece["width"]
            waste += (cut.length.ticks - along) * across
    assert pieces + strips + waste == run_off
    assert left.reserved_length == Length(0)
    assert all(part.done == part.quantity for part in Part.objects.all())
