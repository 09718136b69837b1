"""Screws and anchors by what the wall is made of."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from installs.rules.data import starting_rules
from installs.rules.hardware import hardware_list
from installs.rules.units import SUBSTRATES, Obstruction, SiteFacts
from shared.lengths import TICKS_PER_INCH
from tests.installs.rules.units import inch, make_unit

RULES = starting_rules()
SITE = SiteFacts(year_built=2000)


def answer_for(rules=RULES, site=SITE, **changes):
    return hardware_list(make_unit(**changes), site, rules)


def codes(answer) -> list[str]:
    return [finding.code for finding in answer.findings]


@pytest.mark.parametrize(
    ("substrate", "kits"),
    [
        ("wood", ["wood"]),
        ("drywall_wood_stud", ["stud"]),
        ("drywall_steel_stud", ["steel_stud"]),
        ("drywall_hollow", ["stud"]),  # no allowable load is entered, so no anchors
        ("plaster_lath", ["stud"]),
        ("masonry", ["masonry"]),
        ("concrete", ["masonry"]),
        ("tile", ["tile"]),
        ("aluminium", ["aluminium"]),
        ("vinyl_frame", []),
        ("post_tensioned_slab", []),
        ("unknown", ["stud", "masonry"]),
    ],
)
def test_each_wall_has_its_kit(substrate, kits):
    assert [kit.kit for kit in answer_for(substrate=substrate).fixings] == kits


def test_every_wall_is_in_that_table():
    assert set(SUBSTRATES) == set(RULES.substrates)


def test_a_vinyl_frame_is_never_drilled():
    answer = answer_for(substrate="vinyl_frame")

    assert [(finding.code, finding.severity) for finding in answer.cannot] == [("substrate_never", "stop")]
    assert not any(line.group in {"screw", "anchor"} for line in answer.lines)


def test_a_post_tensioned_slab_is_drilled_only_after_a_scan():
    unscanned = answer_for(substrate="post_tensioned_slab")
    scanned = answer_for(substrate="post_tensioned_slab", site=SiteFacts(2000, slab_scanned=True))

    assert [(finding.code, finding.severity) for finding in unscanned.cannot] == [("slab_not_scanned", "stop")]
    assert [kit.kit for kit in scanned.fixings] == ["masonry"]
    assert any("marked by the scan" in caution.text for caution in scanned.cautions)


def test_an_unknown_wall_brings_both_kits_and_says_so():
    answer = answer_for(substrate="unknown")
    screws = [line for line in answer.lines if line.group == "screw"]

    assert len({line.kit for line in screws}) == 2
    assert all("one of two kits" in line.why for line in screws)
    assert "substrate_unknown" in codes(answer)


def test_hollow_board_takes_anchors_only_against_an_entered_load():
    hollow = replace(RULES.fasteners["hollow"], allowable_lb=Decimal(50))
    rules = replace(RULES, fasteners={**RULES.fasteners, "hollow": hollow})

    without = answer_for(substrate="drywall_hollow")
    entered = answer_for(rules, substrate="drywall_hollow")

    assert "anchor_load_missing" in codes(without)
    assert without.count("hollow-anchor") == 0
    assert entered.count("hollow-anchor") == entered.count(entered.fixings[0].screw) == 4
    assert entered.fixings[0].is_proven


def test_a_weak_anchor_is_not_called_proven():
    hollow = replace(RULES.fasteners["hollow"], allowable_lb=Decimal(1))
    rules = replace(RULES, fasteners={**RULES.fasteners, "hollow": hollow})

    answer = answer_for(rules, substrate="drywall_hollow", weight_g=20_000)

    assert not answer.fixings[0].is_proven
    assert "fixing_weak" in codes(answer)


def test_on_a_hollow_wall_outside_a_board_goes_behind_the_brackets():
    """A 36 in unit: a board of 36, into studs every 16 in (3 of them) with 2 screws each."""
    answer = answer_for(substrate="drywall_hollow", mount="outside", fixed_to="wall")
    board = [line for line in answer.lines if line.item == "backing-board"]
    screws = [line for line in answer.lines if line.kit == "board stud"]

    assert [length.text() for length in board[0].lengths] == ["36"]
    assert screws[0].quantity == 6
    assert RULES.item(screws[0].item).length >= inch("3/4") + inch("1/2") + inch("5/4")


def test_a_board_longer_than_stock_is_made_of_two():
    answer = answer_for(substrate="drywall_hollow", mount="outside", fixed_to="wall", width=inch(120))
    board = next(line for line in answer.lines if line.item == "backing-board")

    assert (board.quantity, [length.text() for length in board.lengths]) == (2, ["96", "24"])


def test_the_usual_screw_is_taken_unless_something_is_close_behind():
    """Wood: #8 × 1 1/2 is usual; the shortest with 3/4 in of bite is #8 × 1 1/4."""
    usual = answer_for()
    near_glass = answer_for(facts=("glass_close",))
    shallow = answer_for(solid_depth=inch("5/4"))
    too_shallow = answer_for(solid_depth=inch("1/2"))

    assert usual.fixings[0].screw == "wood-screw-8x1-1_2"
    assert near_glass.fixings[0].screw == shallow.fixings[0].screw == "wood-screw-8x1-1_4"
    assert [finding.code for finding in too_shallow.cannot] == ["no_screw"]


def test_a_screw_never_goes_deeper_than_is_solid():
    for eighths in range(6, 30):
        answer = answer_for(solid_depth=inch(f"{eighths}/8"), weight_g=20_000)
        for kit in answer.fixings:
            length = RULES.item(kit.screw).length
            assert length - answer.brackets.size.plate <= inch(f"{eighths}/8")


def test_a_load_that_pries_asks_for_longer_or_thicker_screws():
    """A heavy slat blind 5 in off the wall: the load times its lever, doubled."""
    near = answer_for(mount="outside", fixed_to="wall", weight_g=25_000)
    far = answer_for(
        mount="outside", fixed_to="wall", weight_g=25_000, obstructions=(Obstruction("trim", inch("9/2")),)
    )

    assert far.fixings[0].demand_lb > 3 * near.fixings[0].demand_lb
    assert far.fixings[0].allowed_lb > near.fixings[0].allowed_lb
    assert far.fixings[0].is_proven


def test_what_screws_take_is_the_formula_times_thread_and_number():
    """2850 × .42² × .164 × .9 = 74.2 lb an inch; 2 screws of 1 1/2 in, two thirds of it thread."""
    kit = answer_for().fixings[0]
    thread = Decimal(kit.thread.ticks) / TICKS_PER_INCH

    expected = Decimal(2850) * Decimal("0.42") ** 2 * Decimal("0.164") * Decimal("0.9") * thread * 2
    assert abs(kit.allowed_lb - expected) < Decimal("0.01")
    assert abs(thread - 1) < Decimal("0.001")


def test_a_fixing_beyond_every_screw_is_a_finding_and_not_a_block():
    """Figures of wood are from memory, so they warn only, whatever the load."""
    rules = replace(RULES, withdrawal=replace(RULES.withdrawal, safety_factor=Decimal(20)), confirmed=True)

    answer = answer_for(rules, weight_g=200_000, mount="outside", fixed_to="wall")

    weak = [finding for finding in answer.findings if finding.code == "fixing_weak"]
    assert [finding.severity for finding in weak] == ["check"]


@pytest.mark.parametrize("substrate", ["masonry", "tile", "aluminium", "drywall_steel_stud"])
def test_without_an_entered_load_an_anchor_is_listed_and_said_to_be_unproven(substrate):
    answer = answer_for(substrate=substrate)

    assert not answer.fixings[0].is_proven
    assert "fixing_unproven" in codes(answer)


def test_drill_and_bit_of_each_kit_are_among_the_tools():
    names = [tool.name for tool in answer_for(substrate="concrete").tools]

    assert "hammer drill" in names
    assert "bit: 5/32 in masonry" in names


@pytest.mark.parametrize("substrate", SUBSTRATES)
def test_no_bit_is_brought_for_a_screw_that_drills_itself(substrate):
    bits = [tool.name for tool in answer_for(substrate=substrate).tools if tool.name.startswith("bit:")]

    assert not [name for name in bits if name.startswith("bit: none") or name == "bit: "]


def test_of_two_kits_for_an_unknown_wall_one_that_does_not_reach_is_only_said():
    """2 in of solid wall take the wood screw of 2; the masonry screw that bites 1 1/4 past board is 2 1/4."""
    shallow = answer_for(substrate="unknown", solid_depth=inch(2))
    shallower = answer_for(substrate="unknown", solid_depth=inch("1/2"))

    assert [kit.kit for kit in shallow.fixings] == ["stud"]
    assert "kit_missing" in codes(shallow)
    assert shallow.cannot == ()
    assert {finding.code for finding in shallower.cannot} == {"no_screw"}
