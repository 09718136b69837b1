"""Thousands of random units of every family, wall and option: each list is complete."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from installs.rules.data import starting_rules
from installs.rules.hardware import hardware_list
from installs.rules.units import FAMILIES, SUBSTRATES, Obstruction, Valance
from tests.installs.completeness import incomplete
from tests.installs.rules.units import inch, make_unit, random_site, random_unit

RULES = starting_rules()
MANY = 3000


def test_every_random_unit_has_a_complete_list():
    faults = {}
    seen = set()
    for seed in range(MANY):
        unit = random_unit(seed)
        missing = incomplete(hardware_list(unit, random_site(seed), RULES), unit, RULES)
        seen.add((unit.family, unit.substrate))
        if missing:
            faults[seed] = missing

    assert faults == {}
    assert len(seen) == len(FAMILIES) * len(SUBSTRATES)


def edited_rules():
    """Rules of a firm that entered loads, thinner brackets, other spans and another wood."""
    brackets = {
        key: replace(rule, sizes=tuple(replace(size, most_lb=Decimal(30)) for size in rule.sizes))
        for key, rule in RULES.brackets.items()
    }
    fasteners = {key: replace(kit, allowable_lb=Decimal(25)) for key, kit in RULES.fasteners.items()}
    return replace(
        RULES,
        revision=2,
        confirmed=True,
        brackets=brackets,
        fasteners=fasteners,
        withdrawal=replace(RULES.withdrawal, gravity=Decimal("0.36"), safety_factor=Decimal(4)),
        placing=replace(RULES.placing, keep_off=inch(2)),
    )


def test_lists_stay_complete_under_rules_a_firm_edited():
    rules = edited_rules()
    faults = {}
    for seed in range(MANY, MANY + 1200):
        unit = random_unit(seed)
        missing = incomplete(hardware_list(unit, random_site(seed), rules), unit, rules)
        if missing:
            faults[seed] = missing

    assert faults == {}


def test_every_line_of_every_list_says_why_and_has_its_item():
    for seed in range(500):
        answer = hardware_list(random_unit(seed), random_site(seed), RULES)
        for line in answer.lines:
            assert line.why, line
            assert line.quantity > 0
            assert RULES.item(line.item).name == line.name


def test_the_same_unit_has_the_same_list_twice():
    for seed in range(100):
        unit, site = random_unit(seed), random_site(seed)

        assert hardware_list(unit, site, RULES) == hardware_list(unit, site, RULES)


@pytest.mark.parametrize(
    ("group", "changes", "said"),
    [
        ("bracket", {}, "placed"),
        ("screw", {}, "no fixings of the kit"),
        ("tension", {"control": "chain"}, "tension devices"),
        ("strip", {"family": "roller", "gap_strips": True}, "a pair of"),
        ("hold_down", {"is_door": True}, "hold-downs"),
        ("clip", {"valance": "36"}, "valance clips"),
    ],
)
def test_a_list_with_a_group_left_out_is_incomplete(group, changes, said):
    """The second look can fail: without a group's lines it says so."""
    if changes.get("valance"):
        changes = {**changes, "valance": Valance(inch(36))}
    unit = make_unit(**changes)
    whole = hardware_list(unit, random_site(2), RULES)
    cut = replace(whole, lines=tuple(line for line in whole.lines if line.group != group))

    assert incomplete(whole, unit, RULES) == []
    assert any(said in text for text in incomplete(cut, unit, RULES)), incomplete(cut, unit, RULES)


def test_a_screw_as_short_as_without_spacers_is_found():
    unit = make_unit(mount="outside", fixed_to="wall", obstructions=(Obstruction("crank", inch(1)),))
    whole = hardware_list(unit, random_site(2), RULES)
    short = tuple(replace(line, item="wood-screw-8x1") if line.group == "screw" else line for line in whole.lines)

    assert whole.projection.way == "spacers"
    assert any("does not bite" in text for text in incomplete(replace(whole, lines=short), unit, RULES))
