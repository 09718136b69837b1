"""Past handles and cranks: blocks, then extension brackets, else cannot."""

from __future__ import annotations

import random

import pytest

from installs.rules.clearance import plan_projection, projection_needed, stack_blocks
from installs.rules.data import starting_rules
from installs.rules.hardware import hardware_list
from installs.rules.units import Obstruction, SiteFacts
from shared.lengths import Length, total
from tests.installs.rules.units import inch, make_unit

RULES = starting_rules()
SITE = SiteFacts(year_built=2000)
BLOCKS = [("half", inch("1/2")), ("quarter", inch("1/4"))]
EXTENSIONS = [("two", inch(2)), ("three", inch(3)), ("five", inch(5))]


def plan(needed, standoff="1/2"):
    return plan_projection(inch(needed), inch(standoff), BLOCKS, inch("3/2"), EXTENSIONS)


def test_projection_needed_is_the_furthest_obstruction_and_room_for_a_hand():
    assert projection_needed([inch(1), inch("9/4")], inch("3/4")) == inch(3)
    assert projection_needed([], inch("3/4")) == Length(0)


@pytest.mark.parametrize(
    ("needed", "way", "blocks", "reach"),
    [
        ("1/2", "none", [], "1/2"),  # the bracket's own standoff is enough
        ("9/16", "spacers", [("quarter", 1)], "3/4"),
        (1, "spacers", [("half", 1)], "1"),
        ("5/4", "spacers", [("half", 1), ("quarter", 1)], "1 1/4"),
        (2, "spacers", [("half", 3)], "2"),  # exactly the most that may be stacked
    ],
)
def test_blocks_are_the_lowest_stack_that_clears(needed, way, blocks, reach):
    answer = plan(needed)

    assert (answer.way, [(block.item, block.count) for block in answer.blocks]) == (way, blocks)
    assert answer.reach.text() == reach


@pytest.mark.parametrize(
    ("needed", "extension"), [("33/16", "two"), ("5/2", "two"), ("41/16", "three"), ("11/2", "five")]
)
def test_beyond_the_stack_the_next_extension_takes_over(needed, extension):
    assert plan(needed).extension == extension


def test_beyond_the_longest_extension_it_can_not_be_done():
    answer = plan("89/16")

    assert answer.way == "cannot"
    assert "longest extension of 5 in" in answer.why


def test_a_stack_is_never_lower_than_asked_nor_a_block_too_high():
    pick = random.Random(5)
    thicknesses = [inch("1/2"), inch("1/4"), inch("1/8")]
    for _ in range(500):
        missing, most = Length(pick.randint(1, 20000)), Length(pick.randint(8128, 30000))
        stack = stack_blocks(missing, thicknesses, most)
        if stack is None:
            assert missing > most.down(inch("1/8"))
            continue
        height = total(block * count for block, count in stack.items())
        assert missing <= height <= most
        assert height - missing < inch("1/8")


def outside(*projections: str):
    things = tuple(Obstruction("crank", inch(value)) for value in projections)
    return hardware_list(make_unit(mount="outside", fixed_to="wall", obstructions=things), SITE, RULES)


def test_spacers_come_for_every_bracket_with_longer_screws():
    """Slat: standoff 1/2, hand 3/4: a crank of 1 in needs 1 1/4 more at each of 2 brackets."""
    plain, spaced = outside(), outside("1")

    assert (spaced.count("spacer-1_2"), spaced.count("spacer-1_4")) == (4, 2)
    before = RULES.item(plain.fixings[0].screw).length
    after = RULES.item(spaced.fixings[0].screw).length
    assert after >= before + inch("5/4")


def test_an_extension_bracket_comes_for_every_bracket_and_no_spacer():
    answer = outside("2")

    assert answer.projection.way == "extension"
    assert answer.count("extension-3") == len(answer.brackets_at)
    assert not any(line.group == "spacer" for line in answer.lines)


def test_what_nothing_clears_is_said_under_cannot():
    answer = outside("6")

    assert [finding.code for finding in answer.cannot] == ["projection"]
    assert "can't clear crank 6 in" in answer.cannot[0].text


def test_inside_a_recess_the_brackets_go_forward_and_nothing_is_built_out():
    unit = make_unit(obstructions=(Obstruction("crank", inch(2)),))

    answer = hardware_list(unit, SITE, RULES)

    assert answer.projection.way == "none"
    assert any(finding.code == "set_forward" and "2 3/4 in" in finding.text for finding in answer.findings)
