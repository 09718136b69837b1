"""
Nothing is lost on the bench: pieces, offcuts, waste, kerf and trim add up to the stock, in ticks.

What people do at the rack meanwhile (count, measure, scrap, move, split, join) adds or takes what it says; what
the office does (a new size, a cancelled unit, plans made anew) adds and takes nothing. JAMBWISE_DAYS says how
many random histories are tried (20 unless told); ``./run bench conservation`` tries 300. How good a plan is
matters to none of them, so each takes a moment at most, and the engine runs here instead of in a process.
"""

import json
import os
from random import Random
from time import monotonic

import pytest

from fabrication.models import CutPlan, Material, Part, PlannedCut, StockItem, StockMove, UnitMake
from fabrication.rules.cutting import process
from fabrication.rules.cutting.reading import read_request
from fabrication.services import planning
from fabrication.services.batches import open_batch
from fabrication.services.bench import mark_cut, mark_piece, undo_cut, undo_piece
from fabrication.services.making import make_units
from fabrication.services.miscuts import report_flaw, report_miscut, scrap_part
from fabrication.services.planning import plan_batch, plan_material
from fabrication.services.rack import (
    count_stock,
    join_stock,
    joinable,
    measure_stock,
    scrap_stock,
    shelve_stock,
    split_stock,
)
from measuring.models import SizeChange, Unit
from measuring.services.changes import Asked, accept_change, ask_for_change
from shared import runs
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.fabrication.test_making import new_unit, wren

pytestmark = pytest.mark.django_db
assert wren  # a fixture
OPEN = [PlannedCut.State.TO_CUT, PlannedCut.State.BEGUN]
DAYS = int(os.environ.get("JAMBWISE_DAYS", "20"))
USED = [PlannedCut.State.CUT, PlannedCut.State.BEGUN]
STEPS = 7
"""Things that are done in one history."""


@pytest.fixture(autouse=True)
def _quick_plans(monkeypatch):
    def engine(ctx, argv, problem):
        return process.answer(read_request(json.dumps(problem).encode()), monotonic())

    monkeypatch.setattr(planning, "SECONDS", 0.2)
    monkeypatch.setattr(planning, "EACH_SECONDS", 0.2)
    monkeypatch.setattr(runs, "run_process", engine)


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
        if any(piece.get("spoiled") for piece in done):  # whatever is neither good nor left is lost
            spent += cut.length.ticks - sum(piece["length"] for piece in done if piece["cut"])
        elif cut.state == PlannedCut.State.BEGUN:  # the rest lies on the table
            spent += cut.length.ticks - lengths
        else:
            spent += 2 * trim + sawn_away(done, kerf, trim, cut.length.ticks - trim) + cut.left.ticks
    return spent - back_on_the_rack(material)


def sawn_away(pieces, kerf: int, trim: int, end: int) -> int:
    """
    What saw cuts take: one after each piece, and one before it where what lies before was not cut.

    A cut takes no more than there is before the next piece or the end of the bar.
    """
    gone, reach = 0, trim
    for piece in sorted(pieces, key=lambda piece: piece["at"]):
        ends = piece["at"] + piece["length"]
        gone += min(kerf, piece["at"] - reach) + min(kerf, end - ends)
        reach = ends + kerf
    return gone


def back_on_the_rack(material) -> int:
    """Ticks of offcuts put back, less those taken back again when a cut was undone."""
    moves = StockMove.objects.filter(item__material=material, item__is_offcut=True).select_related("item")
    put = moves.filter(reason=StockMove.Reason.OFFCUT) | moves.filter(reason=StockMove.Reason.CORRECTED, change__lt=0)
    return sum(move.change * move.item.length.ticks for move in put)


def any_action(random: Random, cut: PlannedCut, by) -> int:
    """One thing a person at the saw might do; ticks of flaw found."""
    position = random.randrange(len(cut.pieces)) if cut.pieces else 0
    action = random.choice(["all", "piece", "piece", "piece", "undo", "undo piece", "miscut", "flaw", "scrap"])
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
    elif action == "scrap":  # a good piece spoiled later on is cut again
        if good := list(Part.objects.filter(material=cut.plan.material, done__gt=0).order_by("pk")):
            scrap_part(part=random.choice(good), by=by, reason="bent at assembly")
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


class History:
    """Two bars' worth of rollers on the bench, what was there before, and what is gone besides what is cut."""

    def __init__(self, seed, branch, by, product, do_runs):
        self.random, self.branch, self.by, self.do_runs = Random(seed), branch, by, do_runs
        sizes = [(self.random.randrange(400, 1100), self.random.randrange(500, 1400)) for _ in range(4)]
        units = [new_unit(branch, by, product, f"{width} mm", f"{height} mm") for width, height in sizes]
        makes = make_units(units, by)
        bars = Material.objects.filter(parts__make__in=makes, kind__in=["bar", "strip"]).distinct()
        self.materials = list(bars.order_by("pk"))
        for material in self.materials:
            for _ in range(2):
                make_stock(material, length=Length(self.random.randrange(600_000, 1_000_000)), quantity=4)
            make_stock(material, length=Length(self.random.randrange(300_000, 500_000)), quantity=1, is_offcut=True)
        self.before = {material: in_stock(material) for material in self.materials}
        self.gone = dict.fromkeys(self.materials, 0)
        self.plan(makes)

    def plan(self, makes):
        batch = open_batch(branch=self.branch, makes=[make.pk for make in makes], by=self.by)
        plan_batch(batch=batch, by=self.by)
        self.do_runs()

    def any_thing(self) -> None:
        """A thing at the saw, or one in three at the rack, or one in five in the office."""
        drawn = self.random.random()
        if drawn < 1 / 3:
            self.at_the_rack()
        elif drawn < 1 / 3 + 1 / 5:
            self.in_the_office()
        else:
            self.at_the_saw()
        self.do_runs()

    def at_the_saw(self) -> None:
        cuts = PlannedCut.objects.filter(
            plan__state=CutPlan.State.READY, plan__material__in=self.materials, state__in=[*OPEN, *USED]
        )
        if cuts:
            cut = self.random.choice(list(cuts.order_by("pk")))
            self.gone[cut.plan.material] += any_action(self.random, cut, self.by)

    def at_the_rack(self) -> None:
        material = self.random.choice(self.materials)
        self.gone[material] += any_act_at_the_rack(self.random, material, self.by)

    def in_the_office(self) -> None:
        """A unit gets a new size (and is batched and planned again), is cancelled, or a plan is made anew."""
        make = self.random.choice(list(UnitMake.objects.exclude(state="cancelled").order_by("pk")))
        unit = Unit.objects.get(pk=make.unit_id)
        act = self.random.choice(["size", "size", "cancel", "replan"])
        if act == "size":
            wide = unit.order_width + Length(self.random.randrange(-60_000, 20_000))
            open_one = SizeChange.objects.filter(unit=unit, state=SizeChange.State.OPEN).first()  # refused before
            change = open_one or SizeChange.objects.create(
                unit=unit, old_width=unit.order_width, old_height=unit.order_height, new_width=wide,
                new_height=unit.order_height, opened_by=self.by,
            )  # fmt: skip
            accept_change(change=change, by=self.by)
            self.do_runs()
            self.plan([make])
        elif act == "cancel":
            change = ask_for_change(unit=unit, asked=Asked("cancel", reason="no money"), by=self.by)
            accept_change(change=change, by=self.by, approved_by="Ada")
        elif plan := CutPlan.objects.filter(state=CutPlan.State.READY, material__in=self.materials).first():
            plan_material(batch=plan.batch, material=plan.material, by=self.by)

    def check(self) -> None:
        for material in self.materials:
            spent = spent_otherwise(material, self.gone[material])
            assert in_stock(material) + cut_into_parts(material) + spent == self.before[material], material
            for item in StockItem.objects.filter(material=material):
                promised = PlannedCut.objects.filter(item=item, state=PlannedCut.State.TO_CUT).count()
                assert item.reserved == promised <= item.quantity
        for part in Part.objects.all():
            assert 0 <= part.done <= part.quantity


@pytest.mark.parametrize("seed", range(DAYS))
def test_bars_add_up_to_the_tick_whatever_is_done(branch, workroom, wren, do_runs, seed):
    history = History(seed, branch, workroom, wren, do_runs)

    refused = 0
    for _ in range(STEPS):
        try:
            history.any_thing()
        except Refused:  # such as undoing what was planned anew; nothing may have changed
            refused += 1
            do_runs()
        history.check()

    assert refused < STEPS


@pytest.mark.parametrize("seed", range(3))
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
